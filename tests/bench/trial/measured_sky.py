"""What real skies did: hours of a Danish roof over fifteen months, and minutes measured elsewhere.

Rules: from the hours come the order of days, the seasons, temperature and wind; from the minutes the flicker inside an
hour. Where the open datasets are not beside the project an invented sky stands in, and says so (`invented`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib

from tests.bench.trial.calendar import sun_over
from watcher.align.window import Floats, Ints

SHARED = Path(__file__).resolve().parents[3] / ".." / "shared" / "data"
DENMARK = (55.69, 12.10, 60.0)
GOLDEN = (39.742, -105.18, 1829.0)
ALAMOSA = (37.70, -105.92, 2317.0)
LEAST_SUN_DEG = 6.0


@dataclass(frozen=True, slots=True)
class MeasuredSky:
    """day_of_year: of each day. kc, temp_air, wind: a row per day, 24 hours of mean solar time [1, degC, m/s].

    hour_kc: mean index of each measured hour with minutes; shapes: its 12 five-minute values over that mean
    """

    day_of_year: Ints
    kc: Floats
    temp_air: Floats
    wind: Floats
    hour_kc: Floats
    shapes: Floats
    invented: bool


def clear_ghi(
    elevation_deg: Floats, aod: float | Floats = 0.10, water_cm: float | Floats = 1.5, altitude_m: float = 0.0
) -> Floats:
    """Global irradiance of a clear sky by the simplified Solis model (Ineichen 2008). [W/m2]"""
    pressure = float(pvlib.atmosphere.alt2pres(altitude_m))
    found = pvlib.clearsky.simplified_solis(np.asarray(elevation_deg), aod, water_cm, pressure)
    return np.nan_to_num(np.asarray(found["ghi"]))


@lru_cache(maxsize=1)
def measured_sky() -> MeasuredSky:
    """The open datasets, or the invented stand-in."""
    if not (SHARED / "solete_denmark_hourly").is_dir():
        return invented_sky()
    day_of_year, kc, temp_air, wind = _danish_days()
    hour_kc, shapes = _shapes()
    return MeasuredSky(day_of_year, kc, temp_air, wind, hour_kc, shapes, invented=False)


def _danish_days() -> tuple[Ints, Floats, Floats, Floats]:
    table = pd.read_csv(SHARED / "solete_denmark_hourly" / "solete_60min.csv.gz")
    table.columns = ["time", *table.columns[1:]]
    table["time"] = pd.to_datetime(table["time"]).dt.tz_localize("UTC")
    table = table[table["pressure_mbar"] < 1200.0].set_index("time")
    hours = pd.date_range(table.index[0].ceil("D"), table.index[-1].floor("D"), freq="1h", inclusive="left")
    ghi = 1000.0 * table["ghi_kw_m2"].reindex(hours)
    clear = _hourly_clear(hours)
    shift = max(range(-3, 4), key=lambda s: np.nan_to_num(pd.Series(clear).shift(s).corr(ghi.reset_index(drop=True))))
    index = np.where(clear > clear_ghi(np.array([LEAST_SUN_DEG]))[0], ghi.shift(-shift) / clear, np.nan)
    # Mean solar time runs 48 minutes ahead there: the next whole hour is near enough.
    frame = pd.DataFrame(
        {"kc": index, "temp": table["t_air_c"].reindex(hours), "wind": table["wind_ms"].reindex(hours)}, index=hours
    )
    frame = frame.shift(1)
    frame["kc"] = frame["kc"].clip(0.03, 1.15)
    days = len(frame) // 24
    enough = frame["kc"].to_numpy().reshape(days, 24)
    good = np.isfinite(enough).sum(axis=1) >= 5
    frame["kc"] = frame["kc"].interpolate(limit_direction="both", limit=18)
    frame[["temp", "wind"]] = frame[["temp", "wind"]].interpolate(limit_direction="both")
    whole = [frame[name].to_numpy().reshape(days, 24) for name in ("kc", "temp", "wind")]
    good &= np.isfinite(np.concatenate(whole, axis=1)).all(axis=1)
    numbers = hours[::24].day_of_year.to_numpy()
    return numbers[good], whole[0][good], whole[1][good], np.maximum(whole[2][good], 0.0)


def _hourly_clear(hours: pd.DatetimeIndex) -> Floats:
    """Mean of each hour that begins at these times, over Denmark. [W/m2]"""
    fine = pd.date_range(hours[0], periods=4 * len(hours), freq="15min") + pd.Timedelta(minutes=7.5)
    elevation = sun_over(fine, *DENMARK[:2]).elevation_deg
    return np.asarray(clear_ghi(elevation, altitude_m=DENMARK[2]).reshape(-1, 4).mean(axis=1))


def _shapes() -> tuple[Floats, Floats]:
    folder = SHARED / "irradiance_1min"
    golden = pd.read_csv(folder / "midc_srrl_golden_2019-03-10_17.csv.gz")
    rmis = pd.read_csv(folder / "rmis_golden_5min_2019-02-01_06.csv.gz")
    alamosa = pd.read_csv(folder / "surfrad_slv_2016-01-01.csv.gz")
    west = pd.Timedelta(hours=7)
    found = [
        _of(pd.to_datetime(golden.iloc[:, 0]).dt.tz_localize("UTC") + west, golden["ghi_wm2"], GOLDEN),
        _of(pd.to_datetime(rmis.iloc[:, 0]).dt.tz_localize("UTC") + west, rmis["ghi"], GOLDEN),
        _of(pd.to_datetime(alamosa.iloc[:, 0], utc=True), alamosa["ghi"], ALAMOSA),
    ]
    hour_kc = np.concatenate([one[0] for one in found])
    shapes = np.concatenate([one[1] for one in found])
    # An hour run backwards is another hour as likely.
    return np.tile(hour_kc, 2), np.concatenate([shapes, shapes[:, ::-1]])


def _of(times: pd.Series, ghi: pd.Series, place: tuple[float, float, float]) -> tuple[Floats, Floats]:
    """Hours of high enough sun as mean index and twelve values over it."""
    series = pd.Series(ghi.to_numpy(), index=pd.DatetimeIndex(times)).resample("5min").mean()
    series = series[series.index.floor("h")[0] + pd.Timedelta(hours=1) :]
    series = series[: len(series) // 12 * 12]
    elevation = sun_over(series.index + pd.Timedelta(minutes=2.5), *place[:2]).elevation_deg
    index = (series.to_numpy() / np.maximum(clear_ghi(elevation, 0.07, 0.8, place[2]), 1.0)).reshape(-1, 12)
    high = (elevation.reshape(-1, 12) > 12.0).all(axis=1) & np.isfinite(index).all(axis=1) & (index > 0.02).all(axis=1)
    mean = index[high].mean(axis=1)
    return np.minimum(mean, 1.15), index[high] / mean[:, None]


def invented_sky() -> MeasuredSky:
    """A plausible sky without any file: an autoregressive index by day and by hour, always the same one."""
    rng = np.random.default_rng(20180601)
    days = 456
    day_of_year = (151 + np.arange(days)) % 365 + 1
    level, rows = 0.0, []
    for _ in range(days):
        level = 0.35 * level + rng.normal(0.0, 0.94)
        hourly = np.convolve(rng.normal(0.0, 0.5, 26), (0.5, 0.7, 0.5), mode="valid")
        rows.append(np.clip(0.62 + 0.30 * np.tanh(level + 0.6 * hourly), 0.05, 1.05))
    warmth = 10.0 - 8.0 * np.cos(2.0 * np.pi * (day_of_year - 25) / 365.0)
    temp = warmth[:, None] + rng.normal(0.0, 2.5, (days, 1)) - 3.0 * np.cos(2.0 * np.pi * (np.arange(24) - 3) / 24.0)
    wind = np.maximum(rng.gamma(3.0, 1.3, (days, 1)) + rng.normal(0.0, 0.5, (days, 24)), 0.0)
    hour_kc = rng.uniform(0.1, 1.05, 300)
    unrest = 0.35 * np.exp(-(((hour_kc - 0.6) / 0.25) ** 2))
    shapes = np.exp(unrest[:, None] * rng.normal(0.0, 1.0, (300, 12)))
    shapes /= shapes.mean(axis=1, keepdims=True)
    return MeasuredSky(day_of_year, np.asarray(rows), temp, wind, hour_kc, shapes, invented=True)

"""How fast a site-year is judged again, beside the bare model chain of the same year: python -m tests.bench.year [N]

A home with two rows of panels and 20 channels, invented but healthy, goes through the real replay: store, align,
expect, detect, lifecycle, ledger. The reference is what nobody who judges by a model can do without: pvlib's sun,
clear sky, diffuse split, two planes, two cells and PVWatts, once, for the same 105,120 intervals, in the same run.
Times are processor times, so that whatever else the machine does counts for neither; what it does to the caches shows
in both, so the chain is the middle of three runs before the replay and three after.
Goal: the replay at 5-minute polls takes at most 40 times as long. With a number, that many days instead of a year.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from statistics import median
from typing import Any
from unittest.mock import patch

import numpy as np
import pandas as pd
import pvlib
import sklearn.ensemble  # noqa: F401  what is loaded once is not a year's

import watcher.evaluate
from watcher.align.window import Floats
from watcher.config.site_file import load_site
from watcher.domain.instant import DAY_MS, GRID_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Reading
from watcher.replay import replay
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings

BEGIN_MS = parse_iso("2025-01-01T00:00:00Z")
GOAL = 40.0
SITE = "bench-home"
ARRAYS = {"east": (35.0, 90.0, 2000.0), "west": (35.0, 270.0, 2000.0)}
LATITUDE_DEG, LONGITUDE_DEG, ALTITUDE_M = 53.4, -1.5, 120.0
Made = tuple[pd.DataFrame, dict[str, Floats], Floats]


@dataclass(slots=True)
class Shares:
    """Time spent in named parts, what one part spends inside another counted once."""

    spent: dict[str, float] = field(default_factory=dict)
    _inside: list[float] = field(default_factory=list)

    def around(self, name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        def timed(*arguments: Any, **named: Any) -> Any:
            self._inside.append(0.0)
            began = time.process_time()
            try:
                return work(*arguments, **named)
            finally:
                whole = time.process_time() - began
                self.spent[name] = self.spent.get(name, 0.0) + whole - self._inside.pop()
                if self._inside:
                    self._inside[-1] += whole

        return timed


def site_text(every_s: float) -> str:
    arrays = "".join(
        f'[[array]]\nid = "{id}"\ntilt_deg = {tilt}\nazimuth_deg = {azimuth}\npeak_power_w = {peak}\n'
        f'input = "inverter-1.input-{number}"\nmodules_in_series = 5\n[array.module]\nvmp_v = 31.3\n\n'
        for number, (id, (tilt, azimuth, peak)) in enumerate(ARRAYS.items(), 1)
    )
    sources = "".join(
        f'[[source]]\nkind = "file"\ndevice = "{device}"\naddress = "bench"\nevery_s = {every_s}\n\n'
        for device in ("inverter-1", "meter-1")
    )
    return (
        f'[site]\nname = "Bench"\nlatitude_deg = {LATITUDE_DEG}\nlongitude_deg = {LONGITUDE_DEG}\n'
        f'altitude_m = {ALTITUDE_M}\nzone = "Europe/London"\n\n{arrays}'
        '[[inverter]]\nid = "inverter-1"\nac_limit_w = 3680\n\n'
        '[[meter]]\nid = "meter-1"\nrole = "generation"\ncovers = ["inverter-1"]\n\n'
        f'{sources}[[source]]\nkind = "weather"\ndevice = "weather-nowcast"\naddress = "https://weather.example.org"\n'
        'every_s = 900\nperiod_s = 900\nlabel = "mean-ending"\n\n'
        '[[contact]]\nrole = "owner"\nemail = "owner@example.org"\n'
    )


def bare_chain(times: pd.DatetimeIndex) -> tuple[pd.DataFrame, dict[str, Floats], Floats]:
    """The bare model chain: sun, clear sky, a broken sky, its split, both planes, both cells, DC and AC."""
    place = pvlib.location.Location(LATITUDE_DEG, LONGITUDE_DEG, altitude=ALTITUDE_M)
    sun = pvlib.solarposition.spa_python(times, LATITUDE_DEG, LONGITUDE_DEG, ALTITUDE_M)
    clear = place.get_clearsky(times, model="ineichen", solar_position=sun)
    hours = (times.asi8 - times.asi8[0]) / pd.Timedelta("1h").value
    cloud = 0.65 + 0.35 * np.sin(hours / 7.3) * np.sin(hours / 31.0)
    ghi = clear["ghi"] * cloud
    parts = pvlib.irradiance.erbs(ghi, sun["zenith"], times)
    extra = pvlib.irradiance.get_extra_radiation(times)
    airmass = pvlib.atmosphere.get_relative_airmass(sun["apparent_zenith"])
    thermal = pvlib.temperature.TEMPERATURE_MODEL_PARAMETERS["sapm"]["close_mount_glass_glass"]
    dc = {}
    for id, (tilt, azimuth, peak) in ARRAYS.items():
        poa = pvlib.irradiance.get_total_irradiance(
            tilt, azimuth, sun["apparent_zenith"], sun["azimuth"], parts["dni"], ghi, parts["dhi"],
            dni_extra=extra, airmass=airmass, model="perez",
        )["poa_global"].fillna(0.0)  # fmt: skip
        cell = pvlib.temperature.sapm_cell(poa, 12.0, 2.0, **thermal)
        dc[id] = np.asarray(pvlib.pvsystem.pvwatts_dc(poa, cell, peak, -0.0037)) * 0.86
    ac = np.asarray(pvlib.inverter.pvwatts(sum(dc.values()), 3680.0 / 0.96))
    return pd.DataFrame({"ghi": ghi}), dc, ac


def readings(days: int, every_ms: int, light: pd.DataFrame, dc: dict[str, Floats], ac: Floats) -> Iterator[Reading]:
    """20 channels: 17 polled, 3 from the weather service every quarter of an hour."""
    polls = np.arange(0, days * DAY_MS, every_ms, dtype=np.int64)
    at = polls // GRID_MS
    hours = every_ms / 3_600_000
    power = ac[at]
    made = np.floor(np.cumsum(power * hours))
    columns: dict[str, Floats] = {
        "inverter-1.ac_power": np.round(power),
        "inverter-1.ac_energy": 18_000_000 + made,
        "inverter-1.l1.ac_voltage": np.round(240 + 4 * np.sin(polls / 1e7), 1),
        "inverter-1.l1.ac_current": np.round(power / 240, 2),
        "inverter-1.frequency": np.round(50 + 0.05 * np.sin(polls / 3e6), 2),
        "inverter-1.temp_heatsink": np.round(20 + power / 150, 1),
        "inverter-1.operating_state": np.where(power > 0, 4.0, 2.0),
        "inverter-1.insulation_resistance": np.full(len(at), 2e6),
        "inverter-1.dc_power": np.round(sum(dc.values())[at]),
        "meter-1.energy_index": 18_400_000 + np.floor(made / 100) * 100,
        "meter-1.energy_import": 41_200 + np.floor(polls / 1e9) * 100,
    }
    for number, one in enumerate(dc.values(), 1):
        volts = np.where(one[at] > 0, 150 + 6 * np.sin(polls / 2e7), 0.0)
        columns[f"inverter-1.input-{number}.dc_voltage"] = np.round(volts, 1)
        columns[f"inverter-1.input-{number}.dc_power"] = np.round(one[at])
        columns[f"inverter-1.input-{number}.dc_current"] = np.round(one[at] / np.maximum(volts, 1.0), 2)
    for channel, values in columns.items():
        for time_ms, value in zip((BEGIN_MS + polls).tolist(), values.tolist(), strict=True):
            yield Reading(channel, time_ms, value)
    quarters = BEGIN_MS + np.arange(1, days * 96 + 1, dtype=np.int64) * 15 * MINUTE_MS
    ghi = light["ghi"].to_numpy()[: days * 288].reshape(-1, 3).mean(axis=1)
    for time_ms, value in zip(quarters.tolist(), np.round(ghi, 1).tolist(), strict=True):
        yield Reading("weather-nowcast.ghi", time_ms, value)
        yield Reading("weather-nowcast.temp_air", time_ms, 12.0)
        yield Reading("weather-nowcast.wind_speed", time_ms, 2.0)


@contextmanager
def measured(shares: Shares, store: SqliteReadings) -> Iterator[None]:
    """The parts of a replay timed by wrapping them where they are called."""
    parts: list[tuple[Any, str, str]] = [
        (watcher.evaluate, "build_window", "align"),
        (watcher.evaluate, "_joined", "align"),
        (watcher.evaluate, "_expected", "expect"),
        (watcher.evaluate, "detect", "detect"),
        (watcher.evaluate, "walk", "lifecycle, ledger"),
        (watcher.evaluate, "runs", "lifecycle, ledger"),
        (watcher.evaluate, "_settled", "settled days"),
        (Ledger, "commit", "lifecycle, ledger"),
        (Ledger, "events", "lifecycle, ledger"),
        (Ledger, "standing_alerts", "lifecycle, ledger"),
        (Ledger, "versions", "lifecycle, ledger"),
        (Ledger, "evaluated_until", "lifecycle, ledger"),
        (SqliteReadings, "window", "store"),
        (SqliteReadings, "late", "store"),
    ]
    with ExitStack() as stack:
        for owner, name, part in parts:
            work = getattr(owner, name)
            timed = shares.around(part, work if name != "_settled" else lambda *a, _w=work: list(_w(*a)))
            stack.enter_context(patch.object(owner, name, timed))
        yield


def chain_times(times: pd.DatetimeIndex, count: int = 3) -> list[float]:
    took = []
    for _ in range(count):
        began = time.process_time()
        bare_chain(times)
        took.append(time.process_time() - began)
    return took


def one_year(days: int, every_ms: int, times: pd.DatetimeIndex, made: Made) -> float:
    text, chain = site_text(every_ms / 1000), chain_times(times)
    with SqliteReadings(":memory:") as store:
        rows = store.append_history(SITE, readings(days, every_ms, *made), BEGIN_MS + (days + 2) * DAY_MS).new
        shares = Shares()
        with measured(shares, store), Ledger("sqlite://") as recorded:
            began = time.process_time()
            fresh = replay(SITE, store, recorded, lambda text: load_site(text, "bench", SITE), text=text)
            whole = time.process_time() - began
        with fresh:
            alerts = [alert.id for alert in fresh.alerts(SITE) if alert.opened_ms is not None]
            settled = len(fresh.days(SITE))
    print(f"polls every {every_ms // 1000} s: {rows} rows, {settled} settled days, alerts {alerts or 'none'}")
    chain_s = median([*chain, *chain_times(times)])
    print(f"  bare chain {chain_s:.2f} s for {len(times)} intervals")
    print(f"  replay {whole:.2f} s, {1000 * whole / days:.1f} ms a day, {whole / chain_s:.1f} times the bare chain")
    for part, spent in sorted(shares.spent.items(), key=lambda item: -item[1]):
        print(f"  {part:18} {spent:6.2f} s  {100 * spent / whole:4.1f} %")
    rest = whole - sum(shares.spent.values())
    print(f"  {'the rest':18} {rest:6.2f} s  {100 * rest / whole:4.1f} %")
    return whole / chain_s


def main() -> None:
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 365
    middles = BEGIN_MS + GRID_MS // 2 + np.arange(days * DAY_MS // GRID_MS, dtype=np.int64) * GRID_MS
    times = pd.DatetimeIndex(pd.to_datetime(middles, unit="ms", utc=True))
    made = bare_chain(times)  # what is loaded once is not the chain's
    ratio = one_year(days, 5 * MINUTE_MS, times, made)
    print(f"goal: at most {GOAL:.0f} times the bare chain; {'met' if ratio <= GOAL else 'missed'} at 5-minute polls")
    one_year(days, MINUTE_MS, times, made)


if __name__ == "__main__":
    main()

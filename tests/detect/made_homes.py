"""Homes of made readings: a sky, what the plant could make under it, and what its devices said.

Rule: the sky is given as readings of a sensor on site and goes through the real grid and the real expectation, so that
"half of what was expected" tests the rule and not the solar model. Readings are what a poll in the middle of each
grid interval finds; a test bends the columns of a home before it asks for its readings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from zoneinfo import ZoneInfo

import numpy as np

from watcher.alert.policy import POLICY
from watcher.align.build import build_window
from watcher.align.window import Bools, Floats, Ints
from watcher.domain.alert import AlertClass
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, MINUTE_MS, POINTS_A_DAY, parse_iso
from watcher.domain.neighbours import NEIGHBOURS, QUARTER_MS, SETTLE_MS
from watcher.domain.quantity import BOARD
from watcher.domain.reading import Samples
from watcher.domain.site import (
    Array,
    Contact,
    Inverter,
    Label,
    Meter,
    MeterRole,
    Role,
    Sensor,
    Site,
    SiteRecord,
    Source,
    SourceKind,
)
from watcher.expect.day import expect_day, join
from watcher.expect.expectation import Expected
from watcher.expect.geometry import sky_of_day

SENSOR = Sensor("sensor-1")
POLL_MS = GRID_MS // 2  # a poll finds the middle of its interval
EAST = Array("east", 35.0, 90.0, 2000.0, "inverter-1.input-1")
WEST = Array("west", 35.0, 270.0, 2000.0, "inverter-1.input-2")
SOUTH = Array("south", 35.0, 180.0, 4000.0, "inverter-1.input-1")
METER = Meter("meter-1", MeterRole.GENERATION, ("inverter-1",), serial="0718223")
AT_ONCE = {
    str(finding): {"home_after_days": 0.0}
    for finding, policy in POLICY.items()
    if policy.alert_class is not AlertClass.SAFETY
}
"""The home hears together with the firm, so that a case shows both letters; for who waits see alert/test_telling."""

CONTACTS = (Contact(Role.OWNER, "owner@example.org"), Contact(Role.INSTALLER, "trade@example.org"))


def polled(device: str, every_s: float = 300.0) -> Source:
    return Source(SourceKind.MODBUS_TCP, device, every_s=every_s)


def means(device: str, period_s: float, kind: SourceKind = SourceKind.WEATHER) -> Source:
    """Means labelled with the end of their period."""
    return Source(kind, device, every_s=period_s, period_s=period_s, label=Label.MEAN_ENDING)


ASKS_NEIGHBOURS = Source(SourceKind.NEIGHBOURS, NEIGHBOURS)


def home_site(*arrays: Array, **facts: object) -> Site:
    """The reference site of the field cases (53.5 N, 2.2 W), or with the facts given."""
    whole: dict[str, object] = {
        "id": "home-1",
        "name": "Home",
        "latitude_deg": 53.5,
        "longitude_deg": -2.2,
        "altitude_m": 50.0,
        "zone": ZoneInfo("Europe/London"),
        "arrays": arrays or (SOUTH,),
        "inverters": (Inverter("inverter-1", 3680.0),),
        "meters": (METER,),
        "sensors": (SENSOR,),
        "sources": (polled("inverter-1"), polled("meter-1")),
        "contacts": CONTACTS,
        "policy": AT_ONCE,
        **facts,
    }
    return Site(**whole)  # type: ignore[arg-type]


def record_of(site: Site) -> SiteRecord:
    return SiteRecord(site, site.arrays, site.inverters, site.meters, site.sensors)


def broken(points: int, seed: int, *, level: float = 0.7, spread: float = 0.35) -> Floats:
    """Clearness of a sky of passing clouds: quarter-hours of sun and shade, no two days alike."""
    chance = np.random.default_rng(seed)
    spells = chance.uniform(level - spread, level + spread, -(-points // 3))
    return np.repeat(spells, 3)[:points]


def by_day(*clearness: float) -> Floats:
    return np.repeat(np.asarray(clearness, dtype=np.float64), POINTS_A_DAY)


def _possible(site: Site, start_ms: int, days: int, clearness: Floats, temp_air: float) -> tuple[Expected, Floats]:
    starts = [start_ms + DAY_MS * day for day in range(days)]
    place = (site.latitude_deg, site.longitude_deg, site.altitude_m)
    ghi = np.concatenate([sky_of_day(*place, start).ghi for start in starts]) * clearness
    times = start_ms + POLL_MS + GRID_MS * np.arange(len(ghi), dtype=np.int64)
    raw = {
        f"{SENSOR.id}.ghi": samples(times, ghi),
        f"{SENSOR.id}.temp_air": samples(times, np.full(len(ghi), temp_air)),
    }
    window = build_window(site, raw, (), start_ms, len(ghi))
    return join([expect_day(site, window, start) for start in starts]), ghi


def samples(times: Ints, column: Floats) -> Samples:
    """Samples that came on time; NaN stands for no reading."""
    there = np.isfinite(column)
    return Samples.of(zip(times[there].tolist(), column[there].tolist(), strict=True))


@dataclass
class Home:
    """A site over whole UTC days. Columns have one entry a grid interval and may be bent by the test.

    share: by input, what it makes of what it could
    voltage: by input; power and current follow
    awake: where the inverter answers
    counting: the share of it that the meter's register counts; speaking: where the meter answers
    listening: where our own board was there
    """

    site: Site
    start_ms: int
    days: int
    clearness: Floats | float = 1.0
    temp_air: float = 15.0
    seed: int = 1
    noise: float = 0.02
    share: dict[str, Floats] = field(init=False)
    voltage: dict[str, Floats] = field(init=False)
    awake: Bools = field(init=False)
    counting: Floats = field(init=False)
    speaking: Bools = field(init=False)
    listening: Bools = field(init=False)
    possible: Expected = field(init=False)
    ghi: Floats = field(init=False)

    def __post_init__(self) -> None:
        clearness = np.broadcast_to(np.asarray(self.clearness, dtype=np.float64), self.points)
        seen = replace(self.site, sensors=(SENSOR,))
        self.possible, self.ghi = _possible(seen, self.start_ms, self.days, clearness, self.temp_air)
        chance = np.random.default_rng(self.seed)
        inputs = [name for inverter in self.site.inverters for name in self.site.inputs_of(inverter.id)]
        self.share = {name: 1.0 + self.noise * chance.uniform(-1.0, 1.0, self.points) for name in inputs}
        self.voltage = {name: np.full(self.points, 350.0) for name in inputs}
        self.awake = self.possible.sun_elevation_deg > 0.0
        self.counting = np.ones(self.points)
        self.speaking, self.listening = np.ones(self.points, dtype=bool), np.ones(self.points, dtype=bool)

    @property
    def points(self) -> int:
        return self.days * POINTS_A_DAY

    @property
    def end_ms(self) -> int:
        return self.start_ms + self.days * DAY_MS

    @property
    def times(self) -> Ints:
        return self.start_ms + POLL_MS + GRID_MS * np.arange(self.points, dtype=np.int64)

    def between(self, first: str, last: str = "") -> Bools:
        """Intervals from one instant to another, as ISO texts; without the second to the end."""
        last_ms = parse_iso(last) if last else self.end_ms
        return np.asarray((self.times >= parse_iso(first)) & (self.times < last_ms))

    def input_w(self, name: str) -> Floats:
        return self.possible.by_subject[name].expected * self.share[name]

    def ac_w(self, inverter: str) -> Floats:
        """What could be made, by the shares of what its inputs make."""
        inputs = self.site.inputs_of(inverter)
        could = np.sum([self.possible.by_subject[name].expected for name in inputs], axis=0)
        does = np.sum([self.input_w(name) for name in inputs], axis=0)
        share = np.divide(does, could, out=np.zeros(self.points), where=could > 0)
        return np.asarray(self.possible.by_subject[inverter].expected * share)

    def inverter_columns(self, inverter: str = "inverter-1") -> dict[str, Floats]:
        """What a poll of the inverter finds; NaN where it does not answer."""
        power = self.ac_w(inverter)
        columns = {f"{inverter}.ac_power": power, f"{inverter}.ac_energy": 5e6 + counted_wh(power)}
        for name in self.site.inputs_of(inverter):
            volts = self.voltage[name]
            current = np.divide(self.input_w(name), volts, out=np.zeros(self.points), where=volts > 0)
            columns[f"{name}.dc_current"], columns[f"{name}.dc_voltage"] = np.round(current, 3), np.round(volts, 1)
            columns[f"{name}.dc_power"] = np.round(self.input_w(name), 1)
        return {name: np.where(self.awake, column, np.nan) for name, column in columns.items()}

    def meter_column(self, meter: str = "meter-1") -> Floats:
        """Its register, in steps of its own; NaN where it does not answer."""
        facts = self.site.meter(meter)
        power = np.sum([self.ac_w(name) for name in facts.covers], axis=0)
        step_wh = facts.resolution_wh
        index = np.floor((18_452_300.0 + counted_wh(self.counting * power)) / step_wh) * step_wh
        return np.where(self.speaking, index, np.nan)

    def raw(self) -> dict[str, Samples]:
        """All that was read, on time, polled once in every grid interval."""
        columns = {f"{BOARD}.uptime": np.arange(self.points, dtype=np.float64) * 300.0}
        for inverter in self.site.inverters:
            columns |= self.inverter_columns(inverter.id)
        columns |= {f"{meter.id}.energy_index": self.meter_column(meter.id) for meter in self.site.meters}
        if self.site.sensors:
            columns |= {f"{SENSOR.id}.ghi": self.ghi, f"{SENSOR.id}.temp_air": np.full(self.points, self.temp_air)}
        heard = {name: np.where(self.listening, column, np.nan) for name, column in columns.items()}
        return {name: samples(self.times, column) for name, column in heard.items()}

    def weather(self, device: str, minutes: int, *, error: float = 0.0) -> dict[str, Samples]:
        """What a weather device says of this sky: means labelled with the end of their period, each off by a bit."""
        per = minutes * 60_000 // GRID_MS
        mean = self.ghi.reshape(-1, per).mean(axis=1)
        chance = np.random.default_rng(self.seed + 1)
        mean = mean * np.exp(error * chance.standard_normal(len(mean)))
        labels = self.start_ms + per * GRID_MS * np.arange(1, len(mean) + 1, dtype=np.int64)
        return {
            f"{device}.ghi": samples(labels, mean),
            f"{device}.temp_air": samples(labels, np.full(len(mean), self.temp_air)),
        }

    def neighbours(self, dark: Bools, *, sites: int = 8, share: Floats | float = 1.0) -> dict[str, Samples]:
        """What neighbours under this sky tell, a quarter of an hour each, reckoned six minutes after it was over.

        dark: intervals in which all but one of them make nothing. share: what the others make of this light
        """
        lit = self.possible.sun_elevation_deg.reshape(-1, 3).min(axis=1) > 8.0
        all_dark = dark.reshape(-1, 3).all(axis=1)
        light = (self.ghi * share).reshape(-1, 3).mean(axis=1)
        labels = self.start_ms + QUARTER_MS * np.arange(1, len(lit) + 1, dtype=np.int64) + SETTLE_MS + MINUTE_MS
        columns = {
            "sites_near": np.where(lit, float(sites), np.nan),
            "sites_dark": np.where(lit, np.where(all_dark, sites - 1.0, 0.0), np.nan),
            "ghi": np.where(lit & ~all_dark, light, np.nan),
        }
        return {f"{NEIGHBOURS}.{name}": samples(labels, column) for name, column in columns.items()}


def counted_wh(power_w: Floats) -> Floats:
    """What a counter that counts this power shows in the middle of each interval, from 0."""
    energy = np.nan_to_num(power_w) * (GRID_MS / HOUR_MS)
    return np.asarray(np.cumsum(energy) - energy / 2)


def every(found: Mapping[str, Samples], every_ms: int, *devices: str) -> dict[str, Samples]:
    """The readings with those of some devices thinned to one in so many milliseconds."""
    thinned = dict(found)
    for name, column in found.items():
        if name.partition(".")[0] in devices:
            rows = zip(column.time_ms, column.value, strict=True)
            thinned[name] = Samples.of((at, value) for at, value in rows if at % every_ms < GRID_MS)
    return thinned

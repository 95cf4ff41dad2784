"""Made days that every detector is examined on: well and ill, polled and averaged, with gaps, at odd places and dates.

Each is a home with the readings it gave. They are built once and never changed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from itertools import groupby
from zoneinfo import ZoneInfo

import numpy as np

from tests.detect.made_homes import (
    ASKS_NEIGHBOURS,
    EAST,
    METER,
    SOUTH,
    WEST,
    Home,
    broken,
    by_day,
    every,
    home_site,
    means,
    polled,
    samples,
)
from tests.detect.made_storage import StorageHome
from watcher.alert.policy import policies
from watcher.align.build import build_window
from watcher.detect.scene import FAULT, Judgement
from watcher.domain.day import Past
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import (
    DAY_MS,
    GRACE_MS,
    HOUR_MS,
    MINUTE_MS,
    POINTS_A_DAY,
    floor_day,
    local_day_of,
    parse_iso,
)
from watcher.domain.reading import Samples
from watcher.domain.site import Array, Inverter, SourceKind, Storage
from watcher.evaluate import detect
from watcher.expect.day import expect_day, join
from watcher.expect.expectation import Expected
from watcher.settle import settlements

HOURLY = (polled("inverter-1"), polled("meter-1"), means("weather-nowcast", 3600.0))
TWO_STRINGS = replace(SOUTH, parallel_strings=2)
JUNE = parse_iso("2026-06-10T00:00:00Z")
Raw = Mapping[str, Samples]
Judged = dict[tuple[Finding, str], Judgement]


@dataclass(frozen=True, eq=False)
class MadeDays:
    home: Home
    raw: Raw
    events: tuple[Event, ...] = ()

    @cache  # noqa: B019  made once for the whole run
    def expected_by_day(self) -> tuple[Expected, ...]:
        home = self.home
        window = build_window(home.site, self.raw, self.events, home.start_ms, home.points)
        return tuple(expect_day(home.site, window, start) for start in range(home.start_ms, home.end_ms, DAY_MS))

    @cache  # noqa: B019
    def judged(self) -> Judged:
        return self.judged_at(self.home.end_ms)

    def judged_at(self, point_ms: int, past: Past | None = None, asked_from: int = 0) -> Judged:
        """All detectors over the whole window, with what was there for the evaluation of a grid point."""
        home, site = self.home, self.home.site
        raw = {name: _before(column, point_ms + GRACE_MS) for name, column in self.raw.items()}
        events = tuple(event for event in self.events if event.received_ms < point_ms + GRACE_MS)
        window = build_window(site, raw, events, home.start_ms, home.points)
        today = (floor_day(point_ms - 1) - home.start_ms) // DAY_MS
        days = list(self.expected_by_day()[:today])
        days += [expect_day(site, window, home.start_ms + day * DAY_MS) for day in range(today, home.days)]
        zone = site.zone
        settling = settlements(site, (), local_day_of(home.start_ms, zone), local_day_of(point_ms, zone), home.end_ms)
        return detect(site, window, join(days), policies({}), events, settling, past, asked_from)


def _before(column: Samples, at_ms: int) -> Samples:
    count = sum(time_ms < at_ms for time_ms in column.time_ms)
    return Samples(column.time_ms[:count], column.value[:count], column.known_ms[:count])


def all_well() -> MadeDays:
    home = Home(home_site(EAST, WEST), JUNE, 3)
    return MadeDays(home, home.raw())


def input_dead_under_hourly_weather() -> MadeDays:
    home = Home(home_site(EAST, WEST, sensors=(), sources=HOURLY), JUNE, 3, broken(3 * POINTS_A_DAY, 5))
    dead = home.between("2026-06-11T11:20:00Z", "2026-06-12T12:35:00Z")
    home.share["inverter-1.input-2"][dead], home.voltage["inverter-1.input-2"][dead] = 0.0, 425.0
    return MadeDays(home, home.raw() | home.weather("weather-nowcast", 60, error=0.1))


def one_of_two_strings_gone() -> MadeDays:
    home = Home(home_site(TWO_STRINGS), JUNE, 3, by_day(1.0, 1.0, 0.9))
    home.share["inverter-1.input-1"][home.between("2026-06-11T10:15:00Z", "2026-06-12T13:00:00Z")] *= 0.5
    return MadeDays(home, home.raw())


def both_strings_gone_under_hourly_weather() -> MadeDays:
    arrays = (replace(EAST, parallel_strings=2), replace(WEST, parallel_strings=2))
    home = Home(home_site(*arrays, sensors=(), sources=HOURLY), JUNE, 3)
    for first, last in (("11T10:20", "11T13:10"), ("11T14:35", "12T09:50")):
        gone = home.between(f"2026-06-{first}:00Z", f"2026-06-{last}:00Z")
        home.share["inverter-1.input-2"][gone], home.voltage["inverter-1.input-2"][gone] = 0.0, 0.0
    half = home.between("2026-06-12T10:40:00Z")
    home.share["inverter-1.input-2"][half] *= 0.5
    return MadeDays(home, home.raw() | home.weather("weather-nowcast", 60))


def switched_off_under_hourly_weather() -> MadeDays:
    home = Home(home_site(EAST, WEST, sensors=(), sources=HOURLY), JUNE, 3, 0.8, temp_air=4.1)
    off = home.between("2026-06-11T09:50:00Z", "2026-06-12T12:00:00Z")
    for name in home.share:
        home.share[name][off] = 0.0
    weather = home.weather("weather-nowcast", 60)
    cold = weather["weather-nowcast.temp_air"]
    for place in range(0, len(cold), 2):  # swings about the limit below which snow may lie
        cold.value[place] = 3.8
    return MadeDays(home, home.raw() | weather)


def meter_stalled_read_hourly() -> MadeDays:
    sources = (polled("inverter-1"), polled("meter-1", 3600.0))
    home = Home(home_site(SOUTH, sources=sources), JUNE, 3)
    home.counting[home.between("2026-06-11T10:30:00Z", "2026-06-12T11:00:00Z")] = 0.0
    home.speaking[home.between("2026-06-12T12:30:00Z")] = False
    return MadeDays(home, every(home.raw(), HOUR_MS, "meter-1"))


def meter_runs_backwards_and_is_put_right() -> MadeDays:
    home = Home(home_site(SOUTH), JUNE, 3, broken(3 * POINTS_A_DAY, 9))
    home.counting[home.between("2026-06-11T10:30:00Z", "2026-06-12T11:00:00Z")] = -1.0
    return MadeDays(home, home.raw())


def counters_alone_every_ten_minutes() -> MadeDays:
    sources = (polled("inverter-1", 600.0), polled("meter-1", 600.0))
    home = Home(home_site(SOUTH, sources=sources), JUNE, 3, broken(3 * POINTS_A_DAY, 11))
    home.share["inverter-1.input-1"][home.between("2026-06-11T11:00:00Z", "2026-06-11T15:00:00Z")] = 0.0
    chance = np.random.default_rng(3)
    home.awake &= chance.uniform(size=home.points) > 0.2
    raw = every(home.raw(), 10 * MINUTE_MS, "inverter-1", "meter-1")
    kept = ("ac_energy", "energy_index", "uptime", "ghi", "temp_air")
    return MadeDays(home, {name: column for name, column in raw.items() if name.endswith(kept)})


def clock_an_hour_behind_after_a_fortnight() -> MadeDays:
    days = 18
    home = Home(home_site(EAST, WEST, meters=()), JUNE, days, broken(days * POINTS_A_DAY, 13, level=0.8))
    kept = {name: column for name, column in home.raw().items() if ".input" not in name}
    return MadeDays(home, clock_moved(kept, JUNE + 14 * DAY_MS, home.end_ms, -HOUR_MS))


def clock_moved(raw: Raw, from_ms: int, until_ms: int, by_ms: int) -> Raw:
    """What an inverter's own log says whose clock is off for a while."""
    found = dict(raw)
    for name, column in raw.items():
        if name.startswith("inverter-1."):
            pairs = {
                (at_ms + by_ms if from_ms <= at_ms < until_ms else at_ms): value
                for at_ms, value in zip(column.time_ms, column.value, strict=True)
            }
            found[name] = Samples.of(sorted(pairs.items()))
    return found


def gaps_everywhere() -> MadeDays:
    home = Home(home_site(EAST, WEST), JUNE, 3, broken(3 * POINTS_A_DAY, 7))
    chance = np.random.default_rng(4)
    raw = {}
    for name, column in home.raw().items():
        spells = np.repeat(chance.uniform(size=home.points // 9) > 0.3, 9)
        there = dict(zip(home.times.tolist(), spells.tolist(), strict=True))
        rows = zip(column.time_ms, column.value, strict=True)
        raw[name] = Samples.of((at, value) for at, value in rows if there[at])
    return MadeDays(home, raw)


def quarter_hour_means_from_a_file() -> MadeDays:
    sources = (means("inverter-1", 900.0, SourceKind.FILE), polled("meter-1", 900.0))
    home = Home(home_site(TWO_STRINGS, sources=sources), JUNE, 3)
    home.share["inverter-1.input-1"][home.between("2026-06-11T10:40:00Z", "2026-06-12T10:05:00Z")] *= 0.5
    home.share["inverter-1.input-1"][home.between("2026-06-12T11:05:00Z")] = 0.0
    raw = every(home.raw(), 15 * MINUTE_MS, "meter-1")
    for name in [name for name in raw if name.startswith("inverter-1")]:
        if name.endswith("ac_energy"):
            del raw[name]
        else:
            raw[name] = _quarters(raw[name])
    return MadeDays(home, raw)


def _quarters(column: Samples) -> Samples:
    by_label = groupby(
        zip(column.time_ms, column.value, strict=True), key=lambda row: row[0] // (15 * MINUTE_MS) * 15 * MINUTE_MS
    )
    means_of = ((start + 15 * MINUTE_MS, [value for _, value in rows]) for start, rows in by_label)
    return Samples.of((label, sum(values) / len(values)) for label, values in means_of)


def polar_night() -> MadeDays:
    site = home_site(SOUTH, latitude_deg=69.6, longitude_deg=19.0, zone=ZoneInfo("Europe/Oslo"))
    home = Home(site, parse_iso("2025-12-19T00:00:00Z"), 3, temp_air=-6.0)
    home.awake[:] = True
    return MadeDays(home, home.raw())


def polar_day() -> MadeDays:
    site = home_site(SOUTH, latitude_deg=69.6, longitude_deg=19.0, zone=ZoneInfo("Europe/Oslo"))
    home = Home(site, JUNE, 3)
    home.share["inverter-1.input-1"][home.between("2026-06-11T22:00:00Z", "2026-06-12T08:00:00Z")] = 0.0
    return MadeDays(home, home.raw())


def clocks_go_forward() -> MadeDays:
    home = Home(home_site(SOUTH), parse_iso("2026-03-27T00:00:00Z"), 4)
    home.share["inverter-1.input-1"][home.between("2026-03-28T07:00:00Z")] *= 0.6
    return MadeDays(home, home.raw())


def clocks_go_back() -> MadeDays:
    home = Home(home_site(SOUTH), parse_iso("2026-10-23T00:00:00Z"), 4)
    home.share["inverter-1.input-1"][home.between("2026-10-24T07:00:00Z")] *= 0.6
    return MadeDays(home, home.raw())


def two_inverters_one_meter() -> MadeDays:
    other = Array("shed", 20.0, 200.0, 3000.0, "inverter-2.input-1")
    site = home_site(
        SOUTH,
        other,
        inverters=(Inverter("inverter-1", 3680.0), Inverter("inverter-2", 3000.0)),
        meters=(replace(METER, covers=("inverter-1", "inverter-2")),),
        sources=(polled("inverter-1"), polled("inverter-2"), polled("meter-1")),
    )
    home = Home(site, JUNE, 3)
    home.share["inverter-2.input-1"][home.between("2026-06-11T07:00:00Z", "2026-06-12T10:00:00Z")] = 0.0
    return MadeDays(home, home.raw())


def inverter_silent_while_the_meter_moves() -> MadeDays:
    home = Home(home_site(SOUTH), JUNE, 3)
    home.awake &= ~home.between("2026-06-11T10:15:00Z", "2026-06-11T14:00:00Z")
    home.listening &= ~home.between("2026-06-12T09:00:00Z", "2026-06-12T11:00:00Z")
    return MadeDays(home, home.raw())


def meter_counts_too_little() -> MadeDays:
    home = Home(home_site(SOUTH), JUNE, 5)
    home.counting[home.between("2026-06-11T00:00:00Z", "2026-06-13T00:00:00Z")] = 0.8
    return MadeDays(home, home.raw())


def meter_counts_at_night_and_begins_anew() -> MadeDays:
    home = Home(home_site(SOUTH), JUNE, 6)
    raw = dict(home.raw())
    nights = [home.between(f"2026-06-{day}T23:00:00Z", f"2026-06-{day + 1}T01:30:00Z") for day in (11, 12)]
    added = np.cumsum(np.where(nights[0] | nights[1], 100.0, 0.0))
    began_ms = parse_iso("2026-06-14T11:00:00Z")
    rows = zip(home.times.tolist(), (home.meter_column() + added).tolist(), strict=True)
    raw["meter-1.energy_index"] = Samples.of((at, value % 1e6 if at >= began_ms else value) for at, value in rows)
    return MadeDays(home, raw)


def low_for_some_days_and_well_again() -> MadeDays:
    home = Home(home_site(SOUTH), JUNE, 8)
    home.share["inverter-1.input-1"][home.between("2026-06-11T00:00:00Z", "2026-06-14T00:00:00Z")] *= 0.6
    raw = home.raw()
    return MadeDays(home, {name: column for name, column in raw.items() if ".input" not in name})


def dangers_said() -> MadeDays:
    """Every word of danger there is, here and there, from an inverter beside a battery."""
    site = home_site(EAST, WEST, inverters=(Inverter("inverter-1", 3680.0, storage=Storage.AC),))
    home = Home(site, JUNE, 3)
    home.awake[:] = True
    words = np.zeros(home.points)
    for at, bit in (("11T07:00", 0), ("11T12:00", 7), ("11T23:30", 10), ("12T09:00", 16), ("12T16:10", 17)):
        words[np.flatnonzero(home.between(f"2026-06-{at}:00Z"))[:2]] = float(1 << bit)
    words[home.between("2026-06-12T18:00:00Z", "2026-06-12T20:00:00Z")] = np.nan
    return MadeDays(home, home.raw() | {"inverter-1.event_bits": samples(home.times, words)})


def trips_late_mornings_and_frozen_values() -> MadeDays:
    """Two days with both, one on which values stand still, and days that are well."""
    home = Home(home_site(EAST, WEST, meters=()), JUNE, 6)
    state = np.where(home.ac_w("inverter-1") > 0.0, 4.0, 2.0)
    volts = np.full(home.points, 243.0)
    for day in ("11", "12"):
        late = home.between(f"2026-06-{day}T04:00:00Z", f"2026-06-{day}T07:30:00Z")
        for name in home.share:
            home.share[name][late] = 0.0
        state[late] = 3.0
        for at in ("11:00", "12:10", "13:35"):
            off = np.flatnonzero(home.between(f"2026-06-{day}T{at}:00Z"))[:3]
            state[off], volts[off] = 7.0, 256.0
            for name in home.share:
                home.share[name][off] = 0.0
    volts += np.random.default_rng(29).normal(0.0, 1.0, home.points)
    told = {f"inverter-1.{name}": one for name, one in (("operating_state", state), ("l1.ac_voltage", volts))}
    told |= home.inverter_columns()
    stuck = home.between("2026-06-13T12:00:00Z", "2026-06-13T16:00:00Z")
    for name in ("inverter-1.ac_power", "inverter-1.l1.ac_voltage"):
        told[name][stuck] = told[name][np.flatnonzero(stuck)[0]]
    said = {name: samples(home.times, np.where(home.awake, one, np.nan)) for name, one in told.items()}
    return MadeDays(home, home.raw() | said)


def a_row_that_breaks_off_and_rows_that_lose_voltage() -> MadeDays:
    alike = [
        replace(
            SOUTH, id=f"south-{number}", input=f"inverter-1.input-{number}", peak_power_w=1800.0, modules_in_series=8
        )
        for number in (1, 2)
    ]
    home = Home(home_site(*alike, meters=()), JUNE, 20, broken(20 * POINTS_A_DAY, 19, level=0.85, spread=0.15))
    first, second = "inverter-1.input-1", "inverter-1.input-2"
    loose = home.between("2026-06-11T00:00:00Z", "2026-06-14T00:00:00Z") & (home.input_w(second) > 700.0)
    home.share[second][loose], home.voltage[second][loose] = 0.0, 430.0
    for name, days, share in ((second, ("20T00", "22T12"), 0.75), (first, ("27T00", "29T12"), 1.0 - 2.0 / 24.0)):
        fell = home.between(*(f"2026-06-{at}:00:00Z" for at in days))
        home.share[name][fell] *= share
        home.voltage[name][fell] *= share
    return MadeDays(home, home.raw())


def a_row_at_six_tenths_of_its_current() -> MadeDays:
    home = Home(home_site(EAST, WEST, meters=()), JUNE, 26, broken(26 * POINTS_A_DAY, 23, level=0.8))
    home.share["inverter-1.input-2"][home.between("2026-07-02T00:00:00Z")] *= 0.6
    return MadeDays(home, home.raw())


def held_at_one_level_for_some_days() -> MadeDays:
    home = Home(home_site(EAST, WEST, meters=()), JUNE, 10)
    free = home.ac_w("inverter-1")
    held = home.between("2026-06-12T00:00:00Z", "2026-06-15T10:00:00Z") & (free > 1500.0)
    for name in home.share:
        home.share[name] = np.where(held, home.share[name] * 1500.0 / np.maximum(free, 1.0), home.share[name])
    state = np.where(home.awake, np.where(held, 5.0, 4.0), np.nan)
    return MadeDays(home, home.raw() | {"inverter-1.operating_state": samples(home.times, state)})


def most_of_the_house_unmetered_beside_a_battery() -> MadeDays:
    stored = StorageHome(JUNE, 8, 0.8, cheap_wh=5000.0)
    raw = stored.raw()
    column = raw["meter-house.energy_index"]
    since_ms, began = JUNE + 4 * DAY_MS, column.value[4 * POINTS_A_DAY]
    rows = zip(column.time_ms, column.value, strict=True)
    raw["meter-house.energy_index"] = Samples.of(
        (at, began + round((one - began) / 40.0) * 10.0 if at >= since_ms else one) for at, one in rows
    )
    return MadeDays(stored.home, raw)


def sensor_silent_for_a_day() -> MadeDays:
    home = Home(home_site(SOUTH), JUNE, 3, 0.9)
    gone = parse_iso("2026-06-11T08:00:00Z"), parse_iso("2026-06-12T09:00:00Z")
    raw = dict(home.raw())
    for name in [name for name in raw if name.startswith("sensor-1.")]:
        rows = zip(raw[name].time_ms, raw[name].value, strict=True)
        raw[name] = Samples.of((at, value) for at, value in rows if not gone[0] <= at < gone[1])
    return MadeDays(home, raw)


def sensor_says_less_after_ten_days() -> MadeDays:
    home = Home(home_site(SOUTH, meters=()), JUNE, 15, noise=0.01)
    raw = {name: column for name, column in home.raw().items() if ".input" not in name}
    since_ms = JUNE + 10 * DAY_MS
    rows = zip(raw["sensor-1.ghi"].time_ms, raw["sensor-1.ghi"].value, strict=True)
    raw["sensor-1.ghi"] = Samples.of((at, value * (0.75 if at >= since_ms else 1.0)) for at, value in rows)
    return MadeDays(home, raw)


def one_plane_of_two_on_file_the_wrong_way() -> MadeDays:
    other = replace(SOUTH, id="shed", input="inverter-2.input-1")
    inverters = (Inverter("inverter-1", 3680.0), Inverter("inverter-2", 3680.0))
    sources = (polled("inverter-1"), polled("inverter-2"))
    site = home_site(SOUTH, other, inverters=inverters, meters=(), sources=sources)
    home = Home(site, JUNE, 23, broken(23 * POINTS_A_DAY, 17, level=0.8))
    raw = dict(home.raw())
    home.site = replace(site, arrays=(SOUTH, replace(other, azimuth_deg=260.0)))
    wanders = raw["inverter-2.input-1.dc_current"]  # a sensor, in the last week
    since_ms = JUNE + 16 * DAY_MS
    rows = zip(wanders.time_ms, wanders.value, strict=True)
    raw["inverter-2.input-1.dc_current"] = Samples.of((at, 1.06 * one if at >= since_ms else one) for at, one in rows)
    return MadeDays(home, raw)


def mains_off_in_the_street_and_snow_all_over() -> MadeDays:
    """A cut of the supply, one after which the home stays off, and a day on which everybody makes little."""
    site = home_site(EAST, WEST, sources=(polled("inverter-1"), polled("meter-1"), ASKS_NEIGHBOURS))
    home = Home(site, JUNE, 4, broken(4 * POINTS_A_DAY, 31, level=0.8))
    cut = home.between("2026-06-11T10:50:00Z", "2026-06-11T13:20:00Z")
    again = home.between("2026-06-12T09:10:00Z", "2026-06-12T10:30:00Z")
    stays = home.between("2026-06-12T09:10:00Z", "2026-06-12T13:05:00Z")
    snow = home.between("2026-06-13T00:00:00Z")
    for name in home.share:
        home.share[name][cut | stays] = 0.0
        home.share[name][snow] *= 0.2
    home.speaking &= ~cut
    home.awake &= ~stays
    return MadeDays(home, home.raw() | home.neighbours(cut | again, share=np.where(snow, 0.2, 1.0)))


def a_display_that_people_read() -> MadeDays:
    """Their readings drift off, one is a slip, one finds the display dark; and its certificate comes to its end."""
    home = Home(home_site(SOUTH), JUNE, 12, broken(12 * POINTS_A_DAY, 37, level=0.85, spread=0.15))
    index_wh = home.meter_column()

    def said(day: float, kind: EventKind, **values: str | float) -> Event:
        at_ms = JUNE + round(day * DAY_MS)
        return Event("home-1", kind, "meter-1", at_ms, at_ms + HOUR_MS, values)

    def read(day: float, off_wh: float) -> Event:
        shown_wh = float(index_wh[round(day * POINTS_A_DAY)])
        return said(day, EventKind.TYPED_READING, energy_index=shown_wh // 1000.0 * 1000.0 + off_wh)

    words = (
        said(0.3, EventKind.SEEN, what="certified", certified_until="2026-09-12"),  # 90 days before is the fourth day
        *(read(day, off_wh) for day, off_wh in ((0.6, 0.0), (3.6, 4e3), (6.6, 8e3), (8.6, 1e5), (10.6, 12e3))),
        said(5.4, EventKind.TYPED_READING, unreadable=1.0),
    )
    return MadeDays(home, home.raw(), tuple(sorted(words, key=lambda event: event.at_ms)))


MADE: tuple[Callable[[], MadeDays], ...] = (
    a_display_that_people_read,
    all_well,
    input_dead_under_hourly_weather,
    one_of_two_strings_gone,
    both_strings_gone_under_hourly_weather,
    switched_off_under_hourly_weather,
    meter_stalled_read_hourly,
    meter_runs_backwards_and_is_put_right,
    counters_alone_every_ten_minutes,
    gaps_everywhere,
    quarter_hour_means_from_a_file,
    polar_night,
    polar_day,
    clocks_go_forward,
    clocks_go_back,
    two_inverters_one_meter,
    inverter_silent_while_the_meter_moves,
    meter_counts_too_little,
    meter_counts_at_night_and_begins_anew,
    low_for_some_days_and_well_again,
    clock_an_hour_behind_after_a_fortnight,
    dangers_said,
    trips_late_mornings_and_frozen_values,
    held_at_one_level_for_some_days,
    most_of_the_house_unmetered_beside_a_battery,
    sensor_silent_for_a_day,
    sensor_says_less_after_ten_days,
    one_plane_of_two_on_file_the_wrong_way,
    a_row_that_breaks_off_and_rows_that_lose_voltage,
    a_row_at_six_tenths_of_its_current,
    mains_off_in_the_street_and_snow_all_over,
)


@cache
def made(build: Callable[[], MadeDays]) -> MadeDays:
    return build()


def faults(judgement: Judgement) -> list[int]:
    return np.flatnonzero(judgement.verdict == FAULT).tolist()

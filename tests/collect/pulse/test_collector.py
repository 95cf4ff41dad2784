"""The count in the store: over restarts, kills, lines that go away and light that floods the sensor."""

from __future__ import annotations

import asyncio
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from tests.collect.pulse.count_until_killed import PULSES, STORED_EVERY, whole_lines
from tests.detect.made_homes import METER, SOUTH, home_site
from watcher.collect.collectors import Collected
from watcher.collect.pulse.collector import PulseCollector
from watcher.collect.pulse.desk import collector, timing_of
from watcher.collect.pulse.recorded import edges_in
from watcher.collect.pulse.train import FLOOD_NS, MARGIN, MS, Edge, Timing
from watcher.domain.pulse_line import Level
from watcher.domain.reading import Reading
from watcher.domain.site import Source, SourceKind
from watcher.store.readings import SqliteReadings

REPO = Path(__file__).resolve().parents[3]
NAME = "meter-1.pulse_count"
SOURCE = Source(SourceKind.PULSE, "meter-1", "gpio:/dev/gpiochip0/17")


class Wire:
    """A line in memory: edges that were put on it since it was last listened to."""

    def __init__(self) -> None:
        self.refused: Counter[str] = Counter()
        self.edges: list[Edge] = []
        self.at_ns = 0
        self.broken = ""

    def open(self) -> None:
        if self.broken:
            raise OSError(self.broken)

    def take(self) -> tuple[Sequence[Edge], int | None]:
        taken, self.edges = self.edges, []
        return taken, self.at_ns

    def close(self) -> None:
        self.edges.clear()

    def put(self, *lengths_ms: int, level: int = 0) -> None:
        for length_ms in lengths_ms:
            self.edges.append(Edge(self.at_ns, level))
            self.at_ns, level = self.at_ns + length_ms * MS, 1 - level

    def pulses(self, count: int) -> None:
        self.put(*(50, 950) * count)


def turn(collector: PulseCollector, second: int) -> Collected:
    return asyncio.run(collector.collect(second * 1000, float(second)))


def count_in(collected: Collected) -> float | None:
    return next((reading.value for reading in collected.readings if reading.channel == NAME), None)


def test_each_turn_tells_the_stored_count_and_what_came_since() -> None:
    wire = Wire()
    collector = PulseCollector("home-1", SOURCE, wire, Timing(), 4210.0)
    assert count_in(turn(collector, 0)) == 4210
    wire.pulses(7)
    assert count_in(turn(collector, 60)) == 4217
    assert count_in(turn(collector, 120)) == 4217


def test_the_active_level_is_the_sites() -> None:
    wire = Wire()
    high = Source(SourceKind.PULSE, "meter-1", "gpio:/dev/gpiochip0/17", active=Level.HIGH)
    collector = PulseCollector("home-1", high, wire, Timing(), 0.0)
    wire.put(*(50, 950) * 3, level=1)
    assert count_in(turn(collector, 60)) == 3


def test_once_an_interval_it_says_that_the_line_was_heard_and_since_when() -> None:
    wire = Wire()
    collector = PulseCollector("home-1", SOURCE, wire, Timing(), 0.0)
    heard = [
        (second, reading.value)
        for second in range(0, 1800, 60)
        for reading in turn(collector, second).readings
        if reading.channel == "board.meter-1.uptime"
    ]
    assert heard == [(0, 0), (300, 300), (600, 600), (900, 900), (1200, 1200), (1500, 1500)]


def test_a_line_that_is_away_gives_no_reading_and_is_said_and_the_count_goes_on() -> None:
    wire = Wire()
    collector = PulseCollector("home-1", SOURCE, wire, Timing(), 10.0)
    wire.pulses(2)
    assert count_in(turn(collector, 60)) == 12
    wire.broken = "No such device"
    assert turn(collector, 120).readings == turn(collector, 180).readings == ()
    assert collector.trouble is not None
    assert (collector.trouble.since_ms, collector.trouble.why) == (120_000, "No such device")
    wire.broken = ""
    wire.pulses(3)
    assert count_in(turn(collector, 240)) == 15
    assert collector.trouble is None


def test_a_flooded_sensor_gives_no_reading_and_is_counted() -> None:
    wire = Wire()
    collector = PulseCollector("home-1", SOURCE, wire, Timing(), 10.0)
    wire.put(*(9, 11) * (4 * FLOOD_NS // (20 * MS)))
    assert turn(collector, 60).readings == ()
    assert collector.trouble is not None
    assert "shade it" in collector.trouble.why
    assert collector.refused["flooded"] == 1
    wire.at_ns += 2 * FLOOD_NS
    wire.pulses(5)
    assert count_in(turn(collector, 120)) == 15
    assert collector.trouble is None


def test_what_is_too_fast_is_counted_and_shown() -> None:
    wire = Wire()
    collector = PulseCollector("home-1", SOURCE, wire, Timing.of(30.0, 1000.0, 2000.0), 0.0)
    wire.pulses(10)  # one a second is 3.6 kW
    assert count_in(turn(collector, 60)) == 10
    assert collector.refused == {"too-fast-but-counted": 9}


def test_without_the_package_for_pins_or_without_pins_the_operator_is_told() -> None:
    source = Source(SourceKind.PULSE, METER.id, "gpio:/dev/no-such-chip/17")
    found = collector(home_site(SOUTH), source, 5.0)
    assert turn(found, 60).readings == ()
    assert found.trouble is not None
    assert "gpiod is not installed" in found.trouble.why or "No such file" in found.trouble.why


def test_a_source_says_what_its_pulses_are_worth_and_otherwise_its_meter() -> None:
    # The light and the output of a meter can differ; 3600 s / (3.6 kW * margin) for each kWh's share.
    site = home_site(SOUTH, meters=(replace(METER, pulses_per_kwh=1000.0),))
    rated_w = site.inverters[0].ac_limit_w
    own = Source(SourceKind.PULSE, METER.id, "gpio:/dev/gpiochip0/17")
    light = replace(own, pulses_per_kwh=3200.0, min_width_ms=3.0)
    assert timing_of(site, own).least_apart_ns == round(3.6e15 / (1000 * rated_w * MARGIN))
    assert timing_of(site, light).least_apart_ns == round(3.6e15 / (3200 * rated_w * MARGIN))
    assert (timing_of(site, own).width_ns, timing_of(site, light).width_ns) == (30 * MS, 3 * MS)


# Restarts

steps = st.lists(st.sampled_from(["pulses", "collect", "store", "restart"]), max_size=60)


@given(steps, st.lists(st.integers(0, 5), min_size=60, max_size=60))
def test_restarts_at_any_point_lose_only_what_was_not_stored(what: list[str], many: list[int]) -> None:
    """Beside a ledger of ours: what is stored is what was heard up to the last flush of each run, to the pulse."""
    with SqliteReadings(":memory:") as store:
        wire, waiting = Wire(), list[Reading]()
        truth = heard = coming = 0
        collector = PulseCollector("home-1", SOURCE, wire, Timing(), 0.0)
        for second, (step, number) in enumerate(zip(what, many, strict=False), start=1):
            if step == "pulses":
                wire.pulses(number)
                coming += number
            elif step == "collect":
                waiting += turn(collector, second).readings
                heard, coming = heard + coming, 0
            elif step == "store":
                store.append({"home-1": waiting}, second * 1000)
                truth = truth if not waiting else heard
                waiting.clear()
            else:
                wire.close()  # what came and was not heard is lost
                last = store.last("home-1").get(NAME)
                collector = PulseCollector("home-1", SOURCE, wire, Timing(), 0.0 if last is None else last.value)
                waiting.clear()
                heard, coming = truth, 0
            stored = store.last("home-1").get(NAME)
            assert (0.0 if stored is None else stored.value) == truth


def rows(path: Path) -> Iterator[float]:
    with SqliteReadings(path) as store:
        samples = store.window("home-1", [NAME], -(2**62), 2**62, 2**62).get(NAME)
        yield from () if samples is None else samples.value


def test_kills_never_make_the_count_fall_count_nothing_twice_and_lose_a_flush_at_most(tmp_path: Path) -> None:
    database, edges = tmp_path / "readings.sqlite", tmp_path / "edges.txt"
    chance = random.Random(20260621)
    acknowledged, at_most_lost = 0, STORED_EVERY * PULSES
    for _ in range(12):
        before = len(list(edges_in(whole_lines(edges)))) // 2
        stood = max(rows(database), default=0.0) if database.exists() else 0.0
        program = [sys.executable, "-m", "tests.collect.pulse.count_until_killed", str(database), str(edges)]
        with subprocess.Popen(program, stdout=subprocess.PIPE, text=True, cwd=REPO) as counting:
            assert counting.stdout is not None
            assert counting.stdout.readline() == "ready\n"
            time.sleep(chance.uniform(0.0, 0.1))
            counting.kill()
            said = [int(line) for line in counting.stdout.read().split("\n")[:-1]]
        acknowledged = said[-1] if said else acknowledged
        counts = list(rows(database))
        assert counts == sorted(counts)
        assert max(counts, default=0.0) >= acknowledged
        # Of the pulses this process wrote, all but those of the turns since the last flush are in its count.
        written = len(list(edges_in(whole_lines(edges)))) // 2 - before
        gained = max(counts, default=0.0) - stood
        assert written - at_most_lost - 1 <= gained <= written
    assert acknowledged > 100

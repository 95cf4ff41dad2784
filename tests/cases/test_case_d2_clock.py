"""Case D2: a computer without a clock battery starts in the past, is set late, never, or is set back while it runs."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.cases.scripted import INDEX, SITE, Kept, _nobody, letter
from watcher.clock import SteppedClock, SystemClock
from watcher.clock_sync import ClockWait, Synchronised
from watcher.collect.collectors import Collected
from watcher.daemon import Daemon, Parts
from watcher.domain.event import EventKind
from watcher.domain.instant import DAY_MS, parse_iso
from watcher.domain.reading import Reading
from watcher.held import FILE, Held
from watcher.store.opening import Stores, open_stores
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files, tell_undated

NEWEST = Reading(INDEX, parse_iso("2026-02-03T16:20:00Z"), 8_123_400.0)
BOOT_MS = parse_iso("2026-01-21T03:00:00Z")
SET_S, SET_MS = 17 * 60.0, parse_iso("2026-02-04T09:17:00Z")
"""When the clock jumps, in seconds since the start of the machine, and to what."""


class LateClock(SteppedClock):
    """Shows January until it is set; the real clock's rule says whether it is to be trusted."""

    def __init__(self, set_s: float) -> None:
        super().__init__(BOOT_MS)
        self._set_s = set_s
        self._rule = SystemClock(NEWEST.time_ms, lambda: self.monotonic() >= set_s, self._shown_ms, self.monotonic)

    def _shown_ms(self) -> int:
        elapsed_s = self.monotonic()
        return SET_MS + round((elapsed_s - self._set_s) * 1000) if elapsed_s >= self._set_s else super().now_ms()

    def now_ms(self) -> int:
        return self._rule.now_ms()

    def trusted(self) -> bool:
        return self._rule.trusted()


@dataclass
class Register:
    """A meter that is read every five minutes; each reading is stamped by us."""

    name: str = "register"
    every_s: float = 300.0
    first_s: float = 0.0
    stamps_now: bool = True
    values: list[float] = field(default_factory=lambda: [8_125_000.0, 8_125_100.0, 8_125_300.0])

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        values = [self.values.pop(0)] if self.values else []
        return Collected(SITE, tuple(Reading(INDEX, now_ms, value) for value in values))

    async def close(self) -> None:
        """Nothing to close."""


@dataclass
class Judging:
    clock: SteppedClock
    asked_s: list[float] = field(default_factory=list)

    async def judge(self, sites: object) -> None:
        self.asked_s.append(self.clock.monotonic())

    async def close(self) -> None:
        """Nothing to close."""


def opened(folder: Path) -> Stores:
    files = Files(folder)
    return open_stores(files.readings, files.ledger, NEWEST.time_ms)


def begun(folder: Path) -> None:
    """A home that has been read until 3 February."""
    stores = opened(folder)
    stores.readings.append({SITE: [NEWEST]}, NEWEST.time_ms + 1000)
    stores.readings.close()
    stores.ledger.close()


def ran(folder: Path, set_s: float, until_s: float, boot: str = "boot-1") -> tuple[list[float], Kept]:
    """Run the daemon from the start of the machine. When it was asked to judge, and what it sent."""

    async def run() -> tuple[list[float], Kept]:
        clock, stores, kept = LateClock(set_s), opened(folder), Kept()
        held, judge = Held(folder, [SITE], boot), Judging(clock)
        tell_undated(held, stores.readings, stores.ledger, clock.now_ms())
        parts = Parts(
            clock, [Register()], stores.readings, stores.ledger, judge, [kept], _nobody, [SITE],
            notices=[letter("hello")], held=held,
        )  # fmt: skip
        daemon = Daemon(parts)

        async def end() -> None:
            await clock.sleep_until(until_s)
            daemon.stop.set()
            clock.leave()

        clock.join()
        ending = asyncio.create_task(end())
        await daemon.run()
        await ending
        return judge.asked_s, kept

    return asyncio.run(run())


def stored(folder: Path) -> list[tuple[int, float]]:
    readings = opened(folder).readings
    assert isinstance(readings, SqliteReadings)
    samples = readings.window(SITE, [INDEX], 0, SET_MS + DAY_MS, SET_MS + DAY_MS)[INDEX]
    readings.close()
    return list(zip(samples.time_ms, samples.value, strict=True))


EXACT = [
    (NEWEST.time_ms, NEWEST.value),
    (parse_iso("2026-02-04T09:00:00Z"), 8_125_000.0),
    (parse_iso("2026-02-04T09:05:00Z"), 8_125_100.0),
    (parse_iso("2026-02-04T09:10:00Z"), 8_125_300.0),
]


def test_case_d2_readings_before_the_clock_was_set_are_dated_once_it_is(tmp_path: Path) -> None:
    begun(tmp_path)
    judged_s, kept = ran(tmp_path, SET_S, 3600.0)
    assert stored(tmp_path) == EXACT
    assert judged_s
    assert min(judged_s) >= SET_S
    assert len(kept.letters) == 1
    assert not (tmp_path / FILE).exists()


def test_case_d2_until_then_nothing_is_stored_judged_or_sent_and_all_is_on_the_disk(tmp_path: Path) -> None:
    begun(tmp_path)
    assert ran(tmp_path, SET_S, SET_S - 60.0) == ([], Kept())
    assert stored(tmp_path) == EXACT[:1]
    assert (tmp_path / FILE).stat().st_size


def test_case_d2_never_set_and_power_off_readings_are_kept_told_and_never_dated(tmp_path: Path) -> None:
    begun(tmp_path)
    ran(tmp_path, 1e9, 3 * 3600.0)
    ran(tmp_path, SET_S, 3600.0, boot="boot-2")
    assert stored(tmp_path) == EXACT  # those of the second start alone
    events, _ = opened(tmp_path).ledger.events(SITE, SET_MS + DAY_MS)
    (told,) = [event for event in events if event.kind is EventKind.UNDATED]
    assert (told.subject, told.at_ms) == ("meter-1", NEWEST.time_ms)
    assert told.values == {"readings": 3, f"first {INDEX}": 8_125_000.0, f"last {INDEX}": 8_125_300.0}
    assert "8125100.0" in (tmp_path / "undated-1.jsonl").read_text()


def test_case_d2_a_crash_after_dating_gives_the_same_instants_again(tmp_path: Path) -> None:
    marks = [Reading(INDEX, 5_000, 1.0), Reading(INDEX, 6_000, 2.0)]
    before = Held(tmp_path, [SITE], "boot-1")
    before.add(SITE, marks, 5_000, 5.0)
    before.keep()
    first = before.date(SET_MS)
    assert Held(tmp_path, [SITE], "boot-1").date(SET_MS + 37) == first
    assert Held(tmp_path, [SITE], "boot-2").date(SET_MS + 99) == first


@given(cut=st.integers(min_value=0, max_value=400))
def test_case_d2_a_file_cut_anywhere_loses_its_last_line_at_most(
    tmp_path_factory: pytest.TempPathFactory, cut: int
) -> None:
    folder = tmp_path_factory.mktemp("held")
    held = Held(folder, [SITE], "boot-1")
    ends = [0]
    for number in range(4):
        held.add(SITE, [Reading(INDEX, number * 1000, float(number))], 0, 0.0)
        held.keep()
        ends.append((folder / FILE).stat().st_size - 1)  # but for the end of the line
    content = (folder / FILE).read_bytes()[:cut]
    (folder / FILE).write_bytes(content)
    held.add(SITE, [Reading(INDEX, 9_000, 9.0)], 0, 0.0)
    held.keep()
    whole = sum(end <= len(content) for end in ends[1:])
    assert [one.value for one in held.date(0)[SITE]] == [*map(float, range(whole)), 9.0]


@given(steps=st.lists(st.tuples(st.floats(min_value=0.1, max_value=120.0), st.integers(-40_000, 40_000)), max_size=60))
def test_case_d2_stamps_rise_strictly_however_the_clock_is_set(steps: list[tuple[float, int]]) -> None:
    elapsed, wall = [0.0], [NEWEST.time_ms]
    clock = SystemClock(0, wall_ms=lambda: wall[0], monotonic=lambda: elapsed[0])
    stamps = [clock.now_ms()]
    for seconds, step_ms in steps:
        elapsed[0] += seconds
        wall[0] += round(seconds * 1000) + step_ms
        stamps.append(clock.now_ms())
    assert all(later > earlier for earlier, later in pairwise(stamps))


def test_case_d2_set_back_by_forty_seconds_our_time_runs_slower_and_agrees_again() -> None:
    elapsed, back_ms = [0.0], [0]
    clock = SystemClock(
        0, wall_ms=lambda: NEWEST.time_ms + round(elapsed[0] * 1000) - back_ms[0], monotonic=lambda: elapsed[0]
    )
    stamps = [clock.now_ms()]
    back_ms[0] = 40_000
    for _ in range(60):
        elapsed[0] += 10.0
        stamps.append(clock.now_ms())
        assert clock.trusted()
    assert {later - earlier for earlier, later in pairwise(stamps)} == {9_000, 10_000}
    assert stamps[-1] == NEWEST.time_ms + 600_000 - 40_000


@pytest.mark.parametrize(
    ("wait", "told", "served", "trusted"),
    [
        pytest.param(ClockWait.IF_SERVED, False, True, False, id="a time service runs and has not spoken yet"),
        pytest.param(ClockWait.IF_SERVED, False, False, True, id="nobody will ever say"),
        pytest.param(ClockWait.ALWAYS, False, False, False, id="asked to wait"),
        pytest.param(ClockWait.ALWAYS, True, False, True, id="told"),
        pytest.param(ClockWait.NEVER, False, True, True, id="asked not to wait"),
    ],
)
def test_whether_a_clock_was_set(tmp_path: Path, wait: ClockWait, told: bool, served: bool, trusted: bool) -> None:
    assert Synchronised(wait, tmp_path / "set", lambda: told, lambda: served, "boot-1")() is trusted


@pytest.mark.parametrize(("boot", "trusted"), [("boot-1", True), ("boot-2", False)])
def test_a_clock_once_set_stays_so_until_the_machine_starts_anew(tmp_path: Path, boot: str, trusted: bool) -> None:
    assert Synchronised(ClockWait.ALWAYS, tmp_path / "set", lambda: True, lambda: True, "boot-1")()
    assert Synchronised(ClockWait.ALWAYS, tmp_path / "set", lambda: False, lambda: True, boot)() is trusted

"""What is wrong with the watcher, from what it says of itself: one judgement for the watchdog and for the command."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.health import (
    DEADLY,
    DeviceState,
    LoopState,
    MailState,
    SiteState,
    SourceState,
    StoreState,
    WatcherState,
    Wrong,
    deadly,
    judged,
    lasting,
)

NOW = parse_iso("2026-06-21T12:00:00Z")
LOOP = LoopState("flush", 60.0, 300.0, turns=10, quiet_s=30.0)
DEVICE = DeviceState("inverter-1", heard_ms=NOW - MINUTE_MS)
SOURCE = SourceState("home-1/192.0.2.7:502", "home-1", devices=(DEVICE,))
WELL = WatcherState(
    at_ms=NOW,
    process_id=4711,
    started_ms=NOW - DAY_MS,
    loops=(LOOP,),
    sources=(SOURCE,),
    sites=(SiteState("home-1", NOW - 10 * MINUTE_MS),),
    store=StoreState(stored_ms=NOW - MINUTE_MS),
)


def with_loop(**changes: object) -> WatcherState:
    return replace(WELL, loops=(replace(LOOP, **changes),))  # type: ignore[arg-type]


def with_device(since_ms: int | None, heard_ms: int | None, remedy: str = "retry") -> WatcherState:
    device = DeviceState("inverter-1", heard_ms, since_ms, remedy, "inverter-1: reading failed: no connection")
    return replace(WELL, sources=(replace(SOURCE, devices=(device,)),))


def test_all_is_well() -> None:
    assert judged(WELL, True, NOW) == []
    assert deadly(WELL) == []


@pytest.mark.parametrize(
    ("state", "wrong", "words"),
    [
        pytest.param(with_loop(quiet_s=301.0), Wrong.STALLED, "flush: no sign of life for 5 min", id="stalled"),
        pytest.param(
            with_loop(quiet_s=301.0, error="OSError: x"),
            Wrong.STALLED,
            "flush: no sign of life for 5 min; OSError: x",
            id="stalled, and why",
        ),
        pytest.param(
            with_loop(quiet_s=9000.0, blocked="disk-full"),
            Wrong.BLOCKED,
            "flush: disk-full: readings wait in memory until there is room",
            id="a state with a name, however long",
        ),
        pytest.param(with_loop(blocked="odd"), Wrong.BLOCKED, "flush: odd", id="a state that has no words yet"),
        pytest.param(
            with_loop(failing=1, error="ValueError: y"), Wrong.FAILING, "flush: failed once; ValueError: y", id="failed"
        ),
        pytest.param(
            with_loop(failing=7, error="ValueError: y"),
            Wrong.FAILING,
            "flush: failed 7 times in a row; ValueError: y",
            id="fails and fails",
        ),
        pytest.param(
            replace(WELL, ended=("nightly",)), Wrong.ENDED, "nightly: has ended; a new start is needed", id="ended"
        ),
        pytest.param(
            with_device(NOW - 3 * HOUR_MS, NOW - 3 * HOUR_MS),
            Wrong.NOT_HEARD,
            "home-1 inverter-1: not heard for 3 h 00 min; inverter-1: reading failed: no connection",
            id="a device not heard",
        ),
        pytest.param(
            with_device(NOW - HOUR_MS, None),
            Wrong.NOT_HEARD,
            "home-1 inverter-1: not heard since the start; inverter-1: reading failed: no connection",
            id="a device never heard",
        ),
        pytest.param(
            with_device(NOW - 1000, NOW - 1000, "fix-setup"),
            Wrong.NOT_HEARD,
            "home-1 inverter-1: not heard for 1 s; inverter-1: reading failed: no connection (fix-setup)",
            id="what only a person can put right is told at once",
        ),
        pytest.param(
            replace(WELL, sources=(replace(SOURCE, trouble="it repeats itself", trouble_since_ms=NOW - 2 * HOUR_MS),)),
            Wrong.NO_USE,
            "home-1/192.0.2.7:502: nothing of use for 2 h 00 min; it repeats itself",
            id="a source that brings nothing of use",
        ),
        pytest.param(
            replace(WELL, store=replace(WELL.store, lost=12, lost_ms=NOW - HOUR_MS)),
            Wrong.READINGS_LOST,
            "store: 12 readings were given up, since there was no room to hold them until they could be stored",
            id="readings lost",
        ),
        pytest.param(
            replace(WELL, store=replace(WELL.store, space="1 MB of 8 MB are free")),
            Wrong.DISK_LOW,
            "store: 1 MB of 8 MB are free",
            id="little room",
        ),
        pytest.param(
            replace(WELL, mail=MailState(waiting=3, failing=2)),
            Wrong.MAIL_FAILING,
            "mail: 2 of 3 that wait were tried and did not go; the log says why",
            id="mails that do not go",
        ),
        pytest.param(
            replace(WELL, sites=(SiteState("home-1", NOW - 5 * HOUR_MS),)),
            Wrong.JUDGING_BEHIND,
            "home-1: judging is 4 h 57 min behind; the log says why",
            id="judging behind",
        ),
        pytest.param(
            replace(WELL, sites=(SiteState("home-1"),)),
            Wrong.JUDGING_BEHIND,
            "home-1: not judged yet; the log says why",
            id="never judged",
        ),
    ],
)
def test_each_thing_that_is_wrong_is_told_in_words_and_kills_only_where_a_new_start_helps(
    state: WatcherState, wrong: Wrong, words: str
) -> None:
    (fault,) = judged(state, True, NOW)
    assert (fault.wrong, str(fault)) == (wrong, words)
    assert deadly(state) == ([fault] if wrong in DEADLY else [])


@pytest.mark.parametrize(
    "state",
    [
        pytest.param(with_loop(quiet_s=None), id="a loop that has not begun"),
        pytest.param(with_device(NOW - 10 * MINUTE_MS, NOW - 11 * MINUTE_MS), id="a few missed polls"),
        pytest.param(replace(WELL, mail=MailState(waiting=3)), id="mails on their way"),
        pytest.param(
            replace(WELL, store=replace(WELL.store, lost=12, lost_ms=NOW - 2 * DAY_MS)), id="a loss that was told"
        ),
        pytest.param(
            replace(WELL, started_ms=NOW - 10 * MINUTE_MS, sites=(SiteState("home-1", NOW - 7 * DAY_MS),)),
            id="a week to catch up after a start",
        ),
        pytest.param(
            replace(WELL, sources=(replace(SOURCE, refused={"silent": 5, "moved": 2}),)),
            id="what was refused is counted",
        ),
        pytest.param(replace(WELL, store=StoreState()), id="nothing stored yet"),
    ],
)
def test_what_is_in_order_is_not_told(state: WatcherState) -> None:
    assert judged(state, True, NOW) == []


def test_an_inverter_that_sleeps_at_night_is_told_of_only_after_a_day() -> None:
    asleep = {("home-1", "inverter-1")}
    state = with_device(NOW - 16 * HOUR_MS, NOW - 16 * HOUR_MS)
    assert judged(state, True, NOW, asleep) == []
    assert [fault.wrong for fault in judged(state, True, NOW)] == [Wrong.NOT_HEARD]
    longer = with_device(NOW - 25 * HOUR_MS, NOW - 25 * HOUR_MS)
    assert [fault.wrong for fault in judged(longer, True, NOW, asleep)] == [Wrong.NOT_HEARD]


@pytest.mark.parametrize(
    ("state", "running", "words"),
    [
        pytest.param(WELL, False, "watcher: ended without a word; last heard of 3 min ago", id="killed"),
        pytest.param(replace(WELL, stopped=True), False, "watcher: stopped 3 min ago", id="stopped in order"),
        pytest.param(None, False, "watcher: not running; no such file", id="never run"),
        pytest.param(None, True, "watcher: it runs; no such file", id="running, and no report to be read"),
        pytest.param(
            replace(WELL, stopped=True),
            True,
            "watcher: it has just been started and has not reported yet",
            id="only just started",
        ),
        pytest.param(
            replace(WELL, at_ms=NOW - 20 * MINUTE_MS),
            True,
            "watcher: it runs, but has not reported for 23 min",
            id="running, and reports no more",
        ),
    ],
)
def test_without_a_fresh_report_all_is_never_well(state: WatcherState | None, running: bool, words: str) -> None:
    found = judged(state, running, NOW + 3 * MINUTE_MS, (), "no such file")
    assert [str(fault) for fault in found] == [words]


def test_what_is_deadly_is_told_first() -> None:
    state = replace(WELL, ended=("nightly",), mail=MailState(1, 1), store=replace(WELL.store, space="little"))
    assert [fault.wrong for fault in judged(state, True, NOW)] == [Wrong.ENDED, Wrong.DISK_LOW, Wrong.MAIL_FAILING]


@given(
    quiet_s=st.one_of(st.none(), st.floats(0, 1e7)),
    failing=st.integers(0, 100),
    blocked=st.sampled_from(("", "disk-full", "store-down")),
    ended=st.booleans(),
    running=st.booleans(),
    age_ms=st.integers(0, 10 * DAY_MS),
)
def test_what_starves_the_watchdog_is_always_told_by_the_command_too(
    quiet_s: float | None, failing: int, blocked: str, ended: bool, running: bool, age_ms: int
) -> None:
    state = replace(with_loop(quiet_s=quiet_s, failing=failing, blocked=blocked), ended=("nightly",) if ended else ())
    found = judged(state, running, NOW + age_ms)
    if running:
        assert set(deadly(state)) <= set(found)
    if found == []:
        assert running
        assert failing == 0 or blocked
        assert deadly(state) == []


@pytest.mark.parametrize(
    ("ms", "words"),
    [
        (-5, "0 s"),
        (40_000, "40 s"),
        (119_000, "119 s"),
        (120_000, "2 min"),
        (7_199_000, "119 min"),
        (7_200_000, "2 h 00 min"),
        (2 * DAY_MS - 1000, "47 h 59 min"),
        (2 * DAY_MS + 4 * HOUR_MS, "2 days 4 h"),
    ],
)
def test_spans_of_time_are_read_easily(ms: int, words: str) -> None:
    assert lasting(ms) == words

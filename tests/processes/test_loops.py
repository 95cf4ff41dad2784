"""Loops: restarted whatever they raise, counted, logged once, and seen to be stuck."""

from __future__ import annotations

import asyncio
import itertools
import logging
import threading
from collections.abc import Awaitable, Callable
from contextlib import suppress

import pytest

import watcher.loops
from watcher.clock import SteppedClock
from watcher.loops import MOST_LEFT_BEHIND, Loop, run_all
from watcher.threads import LeavableThreads


def run_for(loops: list[Loop], seconds: float, clock: SteppedClock | None = None) -> None:
    clock = clock if clock is not None else SteppedClock(0)

    async def run() -> None:
        # The daemon's threads, for asyncio's own would keep a test with a hang in it from ending.
        asyncio.get_running_loop().set_default_executor(LeavableThreads(4, "aside"))
        stop = asyncio.Event()

        async def end() -> None:
            await clock.sleep_until(seconds)
            stop.set()
            clock.leave()

        clock.join()
        ending = asyncio.create_task(end())
        await run_all(loops, clock, stop)
        await ending

    asyncio.run(run())


def test_a_turn_comes_every_so_often() -> None:
    async def turn() -> None:
        pass

    loop = Loop("steady", 10.0, turn)
    run_for([loop], 95.0)
    assert loop.turns == 10


def test_a_loop_that_raises_goes_on_and_says_so_once(caplog: pytest.LogCaptureFixture) -> None:
    async def turn() -> None:
        if loop.turns < 5:
            raise RuntimeError(f"the bus is gone, look {loop.turns}")

    loop = Loop("trouble", 10.0, turn)
    with caplog.at_level(logging.INFO):
        run_for([loop], 245.0)
    assert loop.failures == 5
    assert (loop.failing, loop.last_error) == (0, "")
    said = [record.message for record in caplog.records if "trouble" in record.message]
    assert len(said) == 2
    assert said[0].startswith("loop-down loop=trouble error=RuntimeError: the bus is gone")
    assert said[1] == "loop-up loop=trouble failures=5"


def test_a_loop_that_fails_is_tried_ever_more_rarely_and_at_once_at_its_pace_when_it_is_well() -> None:
    at: list[float] = []

    async def turn() -> None:
        at.append(clock.monotonic())
        if loop.turns < 9:
            raise RuntimeError("not yet")

    loop = Loop("trouble", 10.0, turn)
    clock = SteppedClock(0)
    run_for([loop], 1300.0, clock)
    pauses = [later - earlier for earlier, later in itertools.pairwise(at)]
    assert pauses[:9] == [10.0, 10.0, 20.0, 40.0, 80.0, 160.0, 300.0, 300.0, 300.0]
    assert set(pauses[9:]) == {10.0}
    assert len(pauses) > 9


def test_trouble_of_another_kind_is_another_line(caplog: pytest.LogCaptureFixture) -> None:
    async def turn() -> None:
        raise (ValueError if loop.turns < 2 else KeyError)("x")

    loop = Loop("trouble", 10.0, turn)
    run_for([loop], 95.0)
    assert [record.message.split("error=")[1] for record in caplog.records] == ["ValueError: x", "KeyError: 'x'"]


def test_one_loop_in_trouble_costs_the_others_nothing() -> None:
    async def bad() -> None:
        raise RuntimeError("always")

    async def good() -> None:
        pass

    loops = [Loop("bad", 10.0, bad), Loop("good", 10.0, good)]
    run_for(loops, 95.0)
    assert loops[0].failures == loops[0].turns > 2
    assert loops[1].turns == 10


def test_a_turn_in_progress_is_finished_before_the_end() -> None:
    done: list[str] = []

    async def run() -> None:
        clock, stop = SteppedClock(0), asyncio.Event()

        async def turn() -> None:
            stop.set()
            await asyncio.sleep(0.05)
            done.append("finished")

        await run_all([Loop("slow", 10.0, turn)], clock, stop)

    asyncio.run(run())
    assert done == ["finished"]


def hanging(how: str, release: threading.Event) -> Callable[[], Awaitable[None]]:
    """A turn that does not come back: in an await, in a thread, or deaf to being cancelled."""

    async def in_await() -> None:
        await asyncio.Event().wait()

    async def in_thread() -> None:
        await asyncio.to_thread(release.wait, 60.0)

    async def deaf() -> None:
        while not release.is_set():
            with suppress(asyncio.CancelledError):
                await asyncio.sleep(0.02)

    return {"in an await": in_await, "in a thread": in_thread, "deaf": deaf}[how]


@pytest.mark.parametrize(("how", "left"), [("in an await", 0), ("in a thread", MOST_LEFT_BEHIND), ("deaf", 3)])
def test_a_turn_that_hangs_is_abandoned_and_tried_again_and_what_hangs_is_bounded(
    how: str, left: int, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """On a stepped clock every other loop waits for the hang: its pace is the matter of the cases I2."""
    monkeypatch.setattr(watcher.loops, "CANCEL_S", 0.05)
    release, well = threading.Event(), threading.Event()
    hang = hanging(how, release)
    begun = 0
    seen: list[int] = []

    async def turn() -> None:
        nonlocal begun
        if well.is_set():
            return
        begun += 1
        await hang()

    async def look() -> None:
        seen.append(loop.left.count)
        if watching.turns == 12:
            well.set()
            release.set()
            await asyncio.sleep(0.1)  # what hung comes home

    loop, watching = Loop("hangs", 10.0, turn, limit_s=0.05), Loop("looks", 60.0, look)
    run_for([loop, watching], 1500.0)
    assert max(seen) == left
    assert begun == left if left else begun > 5
    assert loop.left.count == 0
    assert loop.failing == 0, "once it is well, it is well"
    said = [record.message.split()[0] for record in caplog.records]
    assert said == ["loop-down"], "one line, whatever the number of tries"


def test_a_cancellation_out_of_the_blue_ends_a_turn_and_not_the_loop() -> None:
    async def turn() -> None:
        if loop.turns < 2:
            gone: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            gone.cancel()
            await gone

    loop = Loop("robbed", 10.0, turn)
    run_for([loop], 95.0)
    assert loop.failures == 2
    assert loop.turns == 10


def test_a_stop_waits_only_so_long_for_a_turn_that_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watcher.loops, "LAST_TURN_S", 0.05)
    cleaned: list[str] = []

    async def run() -> None:
        clock, stop = SteppedClock(0), asyncio.Event()

        async def turn() -> None:
            stop.set()
            try:
                await asyncio.Event().wait()
            finally:
                cleaned.append("up")

        await asyncio.wait_for(run_all([Loop("hangs", 10.0, turn)], clock, stop), 30.0)

    asyncio.run(run())
    assert cleaned == ["up"]


def test_a_standstill_is_seen_unless_it_has_a_name() -> None:
    async def turn() -> None:
        pass

    loop = Loop("wedged", 60.0, turn, patience_s=1000.0)
    loop.finished_at = 0.0
    assert loop.alive(1000.0)
    assert not loop.alive(1001.0)
    loop.blocked = "disk-full"
    assert loop.alive(10_000.0)


def test_a_loop_whose_turns_all_fail_is_alive_unless_it_is_vital() -> None:
    async def turn() -> None:
        raise RuntimeError("always")

    clock = SteppedClock(0)
    loops = [Loop(name, 60.0, turn, vital=vital) for name, vital in (("ordinary", False), ("vital", True))]
    run_for(loops, 3600.0, clock)
    assert [loop.alive(clock.monotonic()) for loop in loops] == [True, False]
    loops[1].progressed()
    assert loops[1].alive(clock.monotonic()), "a site's trouble is told, and the round was carried out all the same"


@pytest.mark.parametrize("vital", [False, True])
@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0, 900.0])
@pytest.mark.parametrize("limit_s", [30.0, 120.0, 900.0])
def test_patience_outlasts_an_abandoned_turn(every_s: float, limit_s: float, vital: bool) -> None:
    async def turn() -> None:
        pass

    loop = Loop("any", every_s, turn, limit_s=limit_s, vital=vital)
    assert loop.patience_s >= limit_s + every_s
    assert vital or loop.patience_s > limit_s + max(every_s, 300.0), "it is retried that much later at the most"

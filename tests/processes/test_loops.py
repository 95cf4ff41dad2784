"""Loops: restarted whatever they raise, counted, logged once, and seen to be stuck."""

from __future__ import annotations

import asyncio
import logging

import pytest

from watcher.clock import SteppedClock
from watcher.loops import Loop, run_all


def run_for(loops: list[Loop], seconds: float) -> SteppedClock:
    async def run() -> SteppedClock:
        clock, stop = SteppedClock(0), asyncio.Event()

        async def end() -> None:
            await clock.sleep_until(seconds)
            stop.set()
            clock.leave()

        clock.join()
        ending = asyncio.create_task(end())
        await run_all(loops, clock, stop)
        await ending
        return clock

    return asyncio.run(run())


def test_a_turn_comes_every_so_often() -> None:
    async def turn() -> None:
        pass

    loop = Loop("steady", 10.0, turn)
    run_for([loop], 95.0)
    assert loop.turns == 10


def test_a_loop_that_raises_goes_on_and_says_so_once(caplog: pytest.LogCaptureFixture) -> None:
    async def turn() -> None:
        if loop.turns < 5:
            raise RuntimeError("the bus is gone")

    loop = Loop("trouble", 10.0, turn)
    with caplog.at_level(logging.INFO):
        run_for([loop], 95.0)
    assert loop.failures == 5
    assert loop.turns == 10
    said = [record.message for record in caplog.records if "trouble" in record.message]
    assert len(said) == 2
    assert "the bus is gone" in said[0]
    assert "recovered" in said[1]


def test_one_loop_in_trouble_costs_the_others_nothing() -> None:
    async def bad() -> None:
        raise RuntimeError("always")

    async def good() -> None:
        pass

    loops = [Loop("bad", 10.0, bad), Loop("good", 10.0, good)]
    run_for(loops, 95.0)
    assert [loop.turns for loop in loops] == [10, 10]


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


def test_a_standstill_is_seen_unless_it_has_a_name() -> None:
    async def turn() -> None:
        pass

    loop = Loop("wedged", 60.0, turn)
    loop.finished_at = 0.0
    assert loop.alive(300.0)
    assert not loop.alive(301.0)
    loop.blocked = "disk-full"
    assert loop.alive(10_000.0)

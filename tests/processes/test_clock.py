"""The stepped clock: time stands still while anything works and jumps to the earliest sleeper once all wait."""

from __future__ import annotations

import asyncio

from watcher.clock import SteppedClock, SystemClock
from watcher.domain.instant import parse_iso

START = parse_iso("2026-06-21T00:00:00Z")


def test_sleepers_wake_in_order_of_time_and_then_of_lying_down() -> None:
    heard: list[tuple[str, int]] = []

    async def sleeper(clock: SteppedClock, name: str, times: list[float]) -> None:
        for at in times:
            await clock.sleep_until(at)
            heard.append((name, clock.now_ms() - START))
        clock.leave()

    async def run() -> None:
        clock = SteppedClock(START)
        for _ in range(2):
            clock.join()
        await asyncio.gather(sleeper(clock, "a", [10.0, 30.0]), sleeper(clock, "b", [10.0, 20.0]))

    asyncio.run(run())
    assert heard == [("a", 10_000), ("b", 10_000), ("b", 20_000), ("a", 30_000)]


def test_time_stands_still_while_a_member_works() -> None:
    async def run() -> int:
        clock = SteppedClock(START)
        clock.join()
        clock.join()
        worked = 0

        async def worker() -> None:
            nonlocal worked
            await asyncio.sleep(0.05)  # real work, outside the clock
            worked = clock.now_ms() - START
            await clock.sleep_until(5.0)
            clock.leave()

        async def idler() -> None:
            await clock.sleep_until(1.0)
            clock.leave()

        await asyncio.gather(worker(), idler())
        return worked

    assert asyncio.run(run()) == 0


def test_the_world_is_told_of_each_new_instant_before_anyone_wakes() -> None:
    told: list[int] = []

    async def run() -> None:
        async def before_step(now_ms: int) -> None:
            told.append(now_ms - START)

        clock = SteppedClock(START, before_step)
        clock.join()
        for at in (60.0, 60.0, 120.0):  # twice the same instant is one step
            await clock.sleep_until(at)
            assert told[-1] == round(at * 1000)

    asyncio.run(run())
    assert told == [60_000, 120_000]


def test_a_cancelled_sleeper_holds_nobody_up() -> None:
    async def run() -> float:
        clock = SteppedClock(START)
        clock.join()
        clock.join()
        early = asyncio.create_task(clock.sleep_until(1.0))
        await asyncio.sleep(0)
        early.cancel()
        clock.leave()
        await asyncio.wait_for(clock.sleep_until(2.0), 5.0)
        return clock.monotonic()

    assert asyncio.run(run()) == 2.0


def test_the_machines_clock_is_trusted_only_past_the_newest_reading() -> None:
    assert SystemClock(not_before_ms=0).trusted()
    assert not SystemClock(not_before_ms=2**50).trusted()

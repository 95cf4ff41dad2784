"""Calendar work follows the wall clock, and a wall clock may step."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest

import watcher.nightly
from watcher.nightly import Nightly


async def nothing() -> None:
    """No work."""


def next_run(nightly: Nightly) -> datetime:
    return datetime.fromisoformat(nightly.next_run())


async def after_offsets(nightly: Nightly, offsets: list[float]) -> None:
    """Let the watch see these differences between wall clock and monotonic clock, one a look."""
    seen: Iterator[float] = iter(offsets)
    with pytest.raises(RuntimeError, match="StopIteration"):
        await nightly._mind_the_clock(lambda: next(seen))


def from_a_clock_that_was_ten_years_ahead(nightly: Nightly) -> None:
    """Leave the job as a scheduler does that was started while the clock said so."""
    nightly._scheduler.modify_job("upkeep", next_run_time=next_run(nightly) + timedelta(days=3650))


def within_a_day(nightly: Nightly) -> bool:
    now = datetime.now(UTC)
    return now < next_run(nightly) <= now + timedelta(hours=25)


@pytest.mark.parametrize("step_s", [-3650 * 86_400.0, -7200.0, 7200.0, 3650 * 86_400.0])
def test_after_a_step_of_the_clock_the_next_run_is_the_coming_night(
    step_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watcher.nightly, "WATCH_S", 0.0)

    async def go() -> None:
        nightly = Nightly(nothing)
        nightly.start()
        try:
            assert within_a_day(nightly)
            from_a_clock_that_was_ten_years_ahead(nightly)
            assert not within_a_day(nightly)
            await after_offsets(nightly, [100.0, 100.0 + step_s])
            assert within_a_day(nightly)
            assert (next_run(nightly).hour, next_run(nightly).minute) == (3, 20)
        finally:
            nightly.stop()

    asyncio.run(go())


def test_a_difference_that_stays_small_is_drift_and_no_step(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watcher.nightly, "WATCH_S", 0.0)

    async def go() -> None:
        nightly = Nightly(nothing)
        nightly.start()
        try:
            from_a_clock_that_was_ten_years_ahead(nightly)
            await after_offsets(nightly, [100.0, 100.001, 101.0, 101.9])
            assert not within_a_day(nightly)
        finally:
            nightly.stop()

    asyncio.run(go())


def test_two_steps_are_two_steps(monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    monkeypatch.setattr(watcher.nightly, "WATCH_S", 0.0)

    async def go() -> None:
        nightly = Nightly(nothing)
        nightly.start()
        try:
            await after_offsets(nightly, [0.0, 3600.0, 3600.0, 0.0])
        finally:
            nightly.stop()

    asyncio.run(go())
    assert [record.getMessage() for record in caplog.records if record.name == "watcher.nightly"] == [
        "clock-stepped seconds=3600",
        "clock-stepped seconds=-3600",
    ]


def test_the_work_is_done_in_the_loop_it_was_given_to() -> None:
    async def go() -> bool:
        done = asyncio.Event()

        async def work() -> None:
            done.set()

        nightly = Nightly(work)
        nightly.start()
        try:
            nightly._scheduler.modify_job("upkeep", next_run_time=datetime.now(UTC))
            await asyncio.wait_for(done.wait(), 30)
            return within_a_day(nightly)
        finally:
            nightly.stop()

    assert asyncio.run(go())

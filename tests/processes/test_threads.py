"""Threads that may be left behind: counted where they were asked for, and in nobody's way."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import threading
from concurrent.futures import CancelledError

import pytest

import watcher.threads
from watcher.threads import ASKED_BY, LeavableThreads, LeftBehind


def test_calls_give_what_they_return_or_raise() -> None:
    pool = LeavableThreads(2, "calls")
    assert pool.submit(pow, 2, 10).result(10.0) == 1024
    with pytest.raises(ZeroDivisionError):
        pool.submit(divmod, 1, 0).result(10.0)
    pool.shutdown()
    with pytest.raises(RuntimeError, match="no more calls"):
        pool.submit(pow, 2, 10)


def test_no_more_calls_are_under_way_than_allowed_and_each_has_its_turn() -> None:
    pool, lock = LeavableThreads(3, "calls"), threading.Lock()
    under_way = most = 0

    def work(number: int) -> int:
        nonlocal under_way, most
        with lock:
            under_way += 1
            most = max(most, under_way)
        threading.Event().wait(0.005)
        with lock:
            under_way -= 1
        return number

    assert [call.result(30.0) for call in [pool.submit(work, number) for number in range(40)]] == list(range(40))
    assert 1 <= most <= 3


def test_a_call_left_behind_counts_with_its_origin_until_it_comes_back_and_makes_room() -> None:
    pool, origin, release = LeavableThreads(1, "calls"), LeftBehind(), threading.Event()

    async def run() -> None:
        asyncio.get_running_loop().set_default_executor(pool)
        ASKED_BY.set(origin)
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(asyncio.to_thread(release.wait, 60.0), 0.05)
        assert origin.count == 1
        assert not pool.idle
        assert await asyncio.wait_for(asyncio.to_thread(pow, 2, 3), 30.0) == 8, "the one that hangs is in nobody's way"
        release.set()
        while origin.count:
            await asyncio.sleep(0.01)

    asyncio.run(run())
    assert pool.idle


def test_in_order_nothing_overtakes_a_call_that_hangs_and_what_was_given_up_is_never_done() -> None:
    pool, release = LeavableThreads(1, "writer", in_order=True), threading.Event()
    done: list[str] = []
    hanging = pool.submit(release.wait, 60.0)
    given_up, waiting = pool.submit(done.append, "given up"), pool.submit(done.append, "waited for")
    assert given_up.cancel()
    assert not hanging.cancel()
    assert done == []
    release.set()
    waiting.result(30.0)
    assert done == ["waited for"]
    with pytest.raises(CancelledError):
        given_up.result(0.0)


def test_a_shutdown_waits_for_what_is_waited_for_and_not_for_what_was_left(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watcher.threads, "LAST_WAIT_S", 30.0)
    pool, release = LeavableThreads(2, "calls"), threading.Event()
    left = pool.submit(release.wait, 60.0)
    left.cancel()
    short = pool.submit(threading.Event().wait, 0.05)
    pool.shutdown()
    assert short.done()
    assert not left.done(), "the shutdown came back before it"
    release.set()


PROGRAM = """if True:
    import asyncio, threading
    from watcher.threads import LeavableThreads

    async def main():
        asyncio.get_running_loop().set_default_executor(LeavableThreads(4, "aside"))
        try:
            await asyncio.wait_for(asyncio.to_thread(threading.Event().wait), 0.05)
        except TimeoutError:
            print("given up", flush=True)

    asyncio.run(main())
    print("ended", flush=True)
"""


def test_a_call_that_never_comes_back_does_not_keep_the_process_from_ending() -> None:
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.split("\n")[:2] == ["given up", "ended"]

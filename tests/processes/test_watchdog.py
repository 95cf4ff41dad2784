"""The thread that ends a process which makes no progress, in processes of its own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

PROGRAM = """if True:
    import asyncio, os, signal, sys, threading, time
    from watcher.clock import SystemClock
    from watcher.loops import Loop, run_all
    from watcher.watchdog import Guard

    how = sys.argv[1]
    guard = Guard({"well": 8.0, "blocked": 1.0, "halted": 2.0}[how])

    async def turn():
        if how == "blocked" and loop.turns == 3:
            time.sleep(60.0)

    async def feed():
        guard.feed()

    loop = Loop("work", 0.05, turn)

    async def main():
        stop = asyncio.Event()
        asyncio.get_running_loop().call_later(3.0, stop.set)
        await run_all([loop, Loop("watchdog", guard.every_s, feed)], SystemClock(), stop)

    guard.start()
    if how == "halted":
        # A shell's ^Z, a machine put to sleep: everything stands, this thread too.
        threading.Timer(0.5, os.kill, (os.getpid(), signal.SIGSTOP)).start()
    asyncio.run(main())
    guard.stop()
    print("ended in order")
"""


def ended(how: str) -> tuple[int, str, str]:
    done = subprocess.run([sys.executable, "-c", PROGRAM, how], capture_output=True, text=True, timeout=60)
    return done.returncode, done.stdout, done.stderr


def test_a_process_that_makes_progress_is_left_alone() -> None:
    assert ended("well") == (0, "ended in order\n", "")


def test_an_event_loop_held_up_by_a_call_ends_the_process_which_says_where_it_stood() -> None:
    code, out, err = ended("blocked")
    assert (code, out) == (1, "")
    assert err.startswith("no progress for 1 s: the watcher ends itself so that it can be started anew\n")
    assert "in turn" in err, "the stack shows the call that did not return"


@pytest.mark.slow
def test_a_process_that_was_halted_as_a_whole_is_not_taken_for_one_that_hangs() -> None:
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM, "halted"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as child:
        try:
            _, status = os.waitpid(child.pid, os.WUNTRACED)
            assert os.WIFSTOPPED(status)
            with pytest.raises(subprocess.TimeoutExpired):
                child.wait(4.0)
            child.send_signal(signal.SIGCONT)
            assert child.wait(60) == 0
        finally:
            if child.poll() is None:
                child.kill()
        assert child.stdout is not None
        assert child.stdout.read() == "ended in order\n"

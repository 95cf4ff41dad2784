"""The sender's loop: a server that comes and goes is said once, and what a person must see to is told."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

import pytest
from kept import POWER, T0, OnServer, everything
from real_servers import RealServer, VictoriaServer

from watcher.domain.instant import DAY_MS, MINUTE_MS
from watcher.domain.reading import Reading
from watcher.sending import Sending


def test_a_server_that_goes_and_comes_is_said_once_each_way(
    tmp_path: Path, own_server: Callable[[str], RealServer], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, logger="watcher.sending")
    server = own_server("victoria")
    with OnServer(tmp_path / "spool", server) as kept:
        sending = Sending(kept.store)
        assert sending.turn(T0) == ""
        server.kill()
        for minute in range(3):
            at = T0 + minute * MINUTE_MS
            kept.store.append({"home-1": [Reading(POWER, at, float(minute))]}, at)
            assert sending.turn(at) == "store-down"
        server.start()
        kept.restart()  # or the store would let a server that has just been away rest for some seconds
        sending = _carried_on(sending, kept)
        assert sending.turn(T0 + 3 * MINUTE_MS) == ""
        assert kept.store.waiting() == 0
        server.shows(3)
        assert len(everything(kept.store)[POWER]) == 3
    said = [record.message.split(" ")[0] for record in caplog.records]
    assert said == ["store-down", "store-up"]
    assert sending.problems() == []


def _carried_on(sending: Sending, kept: OnServer) -> Sending:
    sending._store = kept.store
    return sending


def test_what_a_person_must_see_to_is_told_once_and_a_changed_thing_again(tmp_path: Path) -> None:
    server = VictoriaServer(tmp_path / "victoria")
    server.flags = ("-retentionPeriod=100y",)
    server.start()
    try:
        with OnServer(tmp_path / "spool", server) as kept:
            sending = Sending(kept.store)
            assert sending.turn(T0) == ""
            (problem,) = sending.problems()
            assert "-dedup.minScrapeInterval=1ms" in str(problem)
            assert (sending.turn(T0 + DAY_MS), sending.problems()) == ("", [])
            server.kill()
            server.flags = ("-dedup.minScrapeInterval=1ms",)
            server.start()
            assert sending.turn(T0 + 2 * DAY_MS) == ""
            (problem,) = sending.problems()
            assert "-retentionPeriod=100y" in str(problem)
    finally:
        server.kill()

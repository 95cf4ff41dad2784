"""Live is a replay that has run out of history: the central promise, with three SIGKILLs a day."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path

import pytest

from tests.line.live_day import SITE, LiveDay, live_day
from watcher.config.site_file import load_site
from watcher.domain.finding import Finding
from watcher.domain.site import SiteRecord
from watcher.replay import KnownNow, differences, replay
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings

SEEDS = range(1, 31) if os.environ.get("CI") else range(1, 4)


def _parse(text: str) -> SiteRecord:
    return load_site(text, "recorded", SITE)


def _compared(day: LiveDay, *, known_now: bool = False) -> list[str]:
    """How a replay of the day's store differs from what was said live."""
    with Ledger(day.files.ledger_url) as recorded, SqliteReadings.open_reader(day.files.readings) as readings:
        history = KnownNow(readings) if known_now else readings
        with replay(SITE, history, recorded, _parse, through_ms=recorded.evaluated_until(SITE)) as fresh:
            return differences(SITE, recorded, fresh)


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
def test_a_live_day_with_three_kills_says_exactly_what_its_replay_says(tmp_path: Path, seed: int) -> None:
    day = asyncio.run(live_day(tmp_path, seed))

    assert sorted(day.kills) == ["batch", "commit", "mail"]
    assert _compared(day) == []
    with Ledger(day.files.ledger_url) as ledger, SqliteReadings.open_reader(day.files.readings) as readings:
        # Both faults were there to be judged, or the comparison would have compared nothing.
        opened = {alert.finding for alert in ledger.alerts(SITE) if alert.opened_ms is not None}
        assert opened >= {Finding.STRING_OPEN, Finding.METER_STALLED}
        assert ledger.waiting_mails() == 0
        # Nothing acknowledged was lost; a row is there once by the store's key.
        window = readings.window(SITE, None, 0, 2**50, 2**50)
        kept = {
            (name, time_ms, value)
            for name, column in window.items()
            for time_ms, value in zip(column.time_ms, column.value, strict=True)
        }
        assert day.stored <= kept
        assert readings.late(SITE, 0, 2**50), "no row came late: the received rule was not put to the test"
        # Every mail arrived; the one that was accepted and not marked arrived again under the same id.
        assert len(day.delivered) == len(ledger.mails(SITE))
    assert sum(day.delivered.values()) == len(day.delivered) + 1


@pytest.mark.slow
def test_the_comparison_notices_when_points_are_judged_before_their_watermark(tmp_path: Path) -> None:
    day = asyncio.run(live_day(tmp_path, 1, worker="tests.line.hasty_worker"))
    assert _compared(day) != []


@pytest.mark.slow
def test_the_comparison_notices_when_late_rows_count_as_known_all_along(tmp_path: Path) -> None:
    day = asyncio.run(live_day(tmp_path, 1))
    assert _compared(day) == []
    assert _compared(day, known_now=True) != []

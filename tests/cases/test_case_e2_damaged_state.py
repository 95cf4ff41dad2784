"""Case E2, damaged state: alerts come back as they were from the readings, and nobody is told a second time."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from tests.cases.scripted import SITE, START_MS, Device, NoJudge, Scripted
from tests.commands.conftest import Place, a_day, place
from watcher.clock import SystemClock
from watcher.daemon import Parts
from watcher.domain.event import Document, Draft, EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS
from watcher.store.ledger import Ledger
from watcher.store.opening import open_stores
from watcher.store.readings import SqliteReadings
from watcher.wiring import Files, assemble

PICTURE = Document.of("image/jpeg", b"of a display")

__all__ = ["place"]


def judged(place: Place) -> tuple[set[object], list[str], list[object]]:
    """Alerts, the ids of all mails, settled days."""
    with Ledger(place.files.ledger_url) as ledger:
        alerts = set(map(repr, ledger.alerts("home-1")))
        return alerts, [mail.id for mail in ledger.mails("home-1")], list(ledger.days("home-1"))


@pytest.fixture
def told(place: Place) -> Place:
    """A home whose stopped meter was found and told of; its owner has typed a reading."""
    place.import_power()
    place.import_meter()
    place.judge()
    with Ledger(place.files.ledger_url) as ledger:
        assert Finding.METER_STALLED in {alert.finding for alert in ledger.standing_alerts("home-1")}
        sent_ms = SystemClock().now_ms()
        for row in ledger.due_mails(sent_ms, 100):
            ledger.mark_sent(row.id, sent_ms)
        typed = Draft(EventKind.TYPED_READING, "meter-1", a_day().start, {"kwh": 1234.5})
        ledger.add_events("home-1", [typed], sent_ms, [PICTURE])
    return place


def started(place: Place) -> Parts:
    """The daemon's parts, as it has them after a start; closed again."""
    parts = assemble(place.config)
    parts.readings.close()
    parts.ledger.close()
    return parts


def random_bytes(ledger: Path) -> None:
    ledger.write_bytes(random.Random(2).randbytes(ledger.stat().st_size))


def empty(ledger: Path) -> None:
    ledger.write_bytes(b"")


def gone(ledger: Path) -> None:
    ledger.unlink()


def in_half(ledger: Path) -> None:
    """The tables' beginnings are readable, most of the rows are not."""
    ledger.write_bytes(ledger.read_bytes()[: ledger.stat().st_size // 2])


@pytest.mark.parametrize("damage", [random_bytes, empty, gone, in_half])
def test_case_e2_a_lost_ledger_is_judged_anew_and_nobody_is_told_twice(
    told: Place, damage: Callable[[Path], None]
) -> None:
    alerts, mails, days = judged(told)
    assert mails
    damage(told.files.ledger)
    parts = started(told)
    (notice,) = parts.notices
    assert notice["To"] == "operator@example.org"
    assert "ledger.sqlite" in notice.get_content()
    told.judge()
    again_alerts, again_mails, again_days = judged(told)
    assert (again_alerts, sorted(again_mails), again_days) == (alerts, sorted(mails), days)
    with Ledger(told.files.ledger_url) as ledger:
        assert ledger.waiting_mails() == 0
    asides = list(told.files.folder.glob("ledger.sqlite.damaged-*Z"))
    assert len(asides) == (0 if damage is gone else 1)
    assert list(started(told).notices) == [], "told once"


def test_case_e2_what_was_typed_and_what_was_not_yet_sent_outlive_a_damaged_page(told: Place) -> None:
    with Ledger(told.files.ledger_url) as ledger:
        waits = ledger.mails("home-1")[-1].id
        with ledger._writing("making a mail wait") as connection:
            connection.exec_driver_sql("UPDATE outbox SET sent_ms = NULL WHERE id = ?", (waits,))
        with ledger._writing("finding a page") as connection:
            page = connection.exec_driver_sql(
                "SELECT rootpage FROM sqlite_schema WHERE type = 'table' AND name = 'verdict_run'"
            ).scalar_one()
    with told.files.ledger.open("r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(random.Random(3).randbytes(4096))
    (notice,) = started(told).notices
    assert "1 site files, 1 events" in notice.get_content()
    told.judge()
    with Ledger(told.files.ledger_url) as ledger:
        events, _ = ledger.events("home-1", 2**62)
        assert [event.values for event in events if event.kind is EventKind.TYPED_READING] == [{"kwh": 1234.5}]
        assert ledger.document(PICTURE.sha256) == PICTURE
        assert [row.id for row in ledger.due_mails(2**62, 100)] == [waits], "what was never told is told now"


def test_case_e2_lost_readings_are_told_and_never_silently_empty(told: Place) -> None:
    for end in ("", "-wal", "-shm"):
        Path(f"{told.files.readings}{end}").unlink(missing_ok=True)
    (notice,) = started(told).notices
    assert "no readings are there, though 1 sites have been judged" in notice.get_content()
    with SqliteReadings.open_reader(told.files.readings) as readings:
        assert readings.sites() == []


def test_case_e2_a_deleted_log_leaves_a_store_that_opens_and_goes_on(told: Place) -> None:
    """Rows still in the log are lost with it; what is left is whole, and the watermark says how far it reaches."""
    parts = assemble(told.config)
    now_ms = SystemClock().now_ms()
    parts.readings.append({"home-1": []}, now_ms)
    log = Path(f"{told.files.readings}-wal")
    content, main = log.read_bytes(), told.files.readings.read_bytes()
    assert content, "the log is in use"
    parts.readings.close()
    parts.ledger.close()
    told.files.readings.write_bytes(main)
    assert not log.exists()
    assert list(started(told).notices) == []
    with SqliteReadings(told.files.readings) as readings:
        assert readings.count("home-1") > 0
        readings.append({"home-1": []}, now_ms + 1)
        assert readings.received_through("home-1") == now_ms + 1


def test_case_e2_damage_met_in_use_ends_the_daemon_in_order_and_is_put_right_by_the_next_start(tmp_path: Path) -> None:
    """The worker reads a packed day whose bytes have changed; no check of the engine finds that."""
    asyncio.run(Scripted(tmp_path).run(120))
    files = Files(tmp_path)
    with SqliteReadings(files.readings) as readings:
        before = readings.count(SITE)
        while readings.upkeep(START_MS + 5 * DAY_MS):
            pass
        readings._connection.execute("UPDATE chunk SET packed = zeroblob(length(packed)) WHERE id = 3")

    class Worker(NoJudge):
        async def judge(self, sites: Sequence[str]) -> None:
            with SqliteReadings.open_reader(files.readings) as readings:
                readings.window(SITE, None, 0, 2**50, 2**50)

    later_ms = START_MS + DAY_MS
    device = Device()
    daemon = asyncio.run(Scripted(tmp_path, device, start_ms=later_ms, judge=Worker()).run(600))
    assert daemon.again, "the service manager's process starts itself anew"
    assert len(device.asked) < 100, "at once"
    assert len(daemon.inbox) == 0, "and not without writing what it held"
    stores = open_stores(files.readings, files.ledger, later_ms)
    (damage,) = stores.damages
    assert "a chunk of format 0" in damage.found
    with stores.readings as readings, stores.ledger:
        # One channel's two minutes are gone, everything else is there and can be read.
        window = readings.window(SITE, None, 0, later_ms, 2**50)
        assert sum(map(len, window.values())) in (before - 121, before - 120, before - 1)

"""What becomes of rows when the server goes away, forgets, refuses or says less than the truth."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from kept import EVERYTHING, INDEX, POWER, T0, OnServer, everything
from real_servers import InfluxServer, RealServer, VictoriaServer
from send_until_killed import batch

from watcher.domain.errors import StoreError
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS
from watcher.domain.reading import Appended, Late, Reading
from watcher.store.readings import SqliteReadings
from watcher.store.server.readings import ServerReadings
from watcher.store.server.spool_queue import HOLD_MS, MOST_TRIES, RECENT_MS

BOTH = pytest.mark.parametrize("name", ["victoria", "influx"])
Start = Callable[[str], RealServer]


def minutes(count: int, start_ms: int = T0) -> list[Reading]:
    return [Reading(POWER, start_ms + i * MINUTE_MS, 1000.0 + i % 7) for i in range(count)]


@BOTH
def test_three_days_without_a_server_cost_nothing_but_room(tmp_path: Path, own_server: Start, name: str) -> None:
    server = own_server(name)
    with OnServer(tmp_path / "spool", server) as kept, SqliteReadings(":memory:") as plain:

        def hours(first: int, last: int) -> None:
            for hour in range(first, last):
                at = T0 + hour * HOUR_MS
                rows = [*minutes(60, at - HOUR_MS), *(one._replace(channel=INDEX) for one in minutes(60, at - HOUR_MS))]
                for store in (kept.store, plain):
                    store.append({"home-1": rows}, at)

        hours(0, 2)
        kept.settle()
        server.stop()  # in order: what counts as proven here is a minute old by its stamp only
        hours(2, 74)
        with pytest.raises(StoreError, match=r"(writing|reading rows) failed"):
            kept.store.send_some(kept.now_ms)
        assert kept.store.waiting() == 72 * 120
        with pytest.raises(StoreError, match="failed"):
            kept.store.window("home-1", None, *EVERYTHING)  # never fewer rows than there are
        assert kept.store.last("home-1") == plain.last("home-1")
        kept.restart()
        server.start()
        assert everything(kept.store) == everything(plain)
        kept.settle()
        assert everything(kept.store) == everything(plain)
        assert kept.store.late("home-1", *EVERYTHING[:2]) == plain.late("home-1", *EVERYTHING[:2])


@BOTH
def test_what_a_server_forgot_in_a_crash_is_sent_again(tmp_path: Path, own_server: Start, name: str) -> None:
    """VictoriaMetrics keeps what it took in the last seconds in memory; InfluxDB loses nothing."""
    server = own_server(name)
    with OnServer(tmp_path / "spool", server) as kept:
        kept.store.append_history("home-1", minutes(200), T0 + DAY_MS)
        before = everything(kept.store)
        assert kept.send() == 200
        server.kill()
        server.start()
        assert everything(kept.store) == before
        kept.now_ms += HOLD_MS
        turn = kept.store.send_some(kept.now_ms)
        assert (turn.proven, turn.again) == ((0, 200) if name == "victoria" else (200, 0))
        assert turn.sent == turn.again
        kept.server.shows(200)
        kept.settle()
        assert everything(kept.store) == before


def test_what_a_server_accepts_and_drops_stays_in_the_spool_and_is_told(tmp_path: Path) -> None:
    """VictoriaMetrics answers 204 to rows older than its retention; a month is its default."""
    server = VictoriaServer(tmp_path / "victoria")
    server.flags = ("-dedup.minScrapeInterval=1ms",)
    server.start()
    try:
        with OnServer(tmp_path / "spool", server) as kept:
            kept.store.append_history("home-1", minutes(30), T0 + DAY_MS)
            before = everything(kept.store)
            turns = []
            for _ in range(MOST_TRIES + 1):
                turns.append(kept.store.send_some(kept.now_ms))
                kept.now_ms += HOLD_MS
            assert [(turn.sent, turn.again, turn.refused) for turn in turns] == [
                (30, 0, 0), (30, 30, 0), (30, 30, 0), (0, 0, 30),
            ]  # fmt: skip
            assert kept.store.refused() == 30
            told = [str(problem) for problem in kept.store.check()]
            assert any("keeps rows for 31 days (-retentionPeriod=1)" in one for one in told)
            assert any("30 rows, which are kept in the spool: accepted, and not there" in one for one in told)
            kept.now_ms += 7 * DAY_MS
            kept.store.send_some(kept.now_ms)
            assert everything(kept.store) == before
            assert kept.store.append_history("home-1", minutes(30), T0 + DAY_MS) == Appended(0, 30, 0)

            server.stop()
            server.flags = VictoriaServer.flags
            server.start()
            kept.store.upkeep(kept.now_ms)
            kept.settle()
            assert (kept.store.refused(), kept.store.check()) == (0, [])
            assert everything(kept.store) == before
    finally:
        server.kill()


def test_a_batch_is_refused_row_by_row(tmp_path: Path, influx: InfluxServer) -> None:
    """A week in which somebody made the field a whole number has room for no other kind."""
    spoilt = T0 + 30 * DAY_MS
    influx.http.request(
        "POST",
        f"{influx.url}/api/v2/write?bucket={influx.database}&precision=ms",
        body=f"pv_watcher,site=other,channel=x.y value=1i {spoilt}",
    )
    with OnServer(tmp_path / "spool", influx) as kept:
        good = minutes(300)
        bad = [Reading(POWER, spoilt + i * MINUTE_MS, 5.0) for i in range(3)]
        kept.store.append_history("home-1", [*good[:150], *bad, *good[150:]], spoilt + DAY_MS)
        before = everything(kept.store)
        turn = kept.store.send_some(kept.now_ms)
        assert (turn.sent, turn.refused, turn.more) == (300, 3, False)
        assert any("field type conflict" in str(problem) for problem in kept.store.check())
        assert everything(kept.store) == before
        kept.now_ms += HOLD_MS
        assert kept.store.send_some(kept.now_ms).proven == 300
        assert everything(kept.store) == before


def test_a_server_that_refuses_everything_is_a_persons_business(tmp_path: Path, influx: InfluxServer) -> None:
    influx.http.request(
        "POST",
        f"{influx.url}/api/v2/write?bucket={influx.database}&precision=ms",
        body=f"pv_watcher,site=other,channel=x.y value=1i {T0}",
    )
    with OnServer(tmp_path / "spool", influx) as kept:
        kept.store.append_history("home-1", minutes(300), T0 + DAY_MS)
        with pytest.raises(StoreError, match=r"refuses row after row.*field type conflict"):
            kept.store.send_some(kept.now_ms)
        assert (kept.store.waiting(), kept.store.refused()) == (300, 0)


def test_a_lost_spool_is_begun_anew_from_what_the_server_has(tmp_path: Path, server: RealServer) -> None:
    late = Reading("weather-analysis.ghi", T0 - 2 * DAY_MS, 412.0)
    with OnServer(tmp_path / "first", server) as kept:
        kept.store.append({"home-1": [late, *minutes(5)]}, T0 + 4 * MINUTE_MS)
        before = everything(kept.store)
        lates, last = kept.store.late("home-1", *EVERYTHING[:2]), kept.store.last("home-1")
        kept.settle()
    with OnServer(tmp_path / "second", server) as kept:
        kept.now_ms = T0 + DAY_MS
        # Before it was compared, an old row at odds, a repeat and a new one come in; the server's own count.
        rows = [Reading(POWER, T0, -1.0), *minutes(5)[1:2], *minutes(6)[5:]]
        kept.store.append({"home-1": rows}, T0 + 5 * MINUTE_MS)
        for _ in range(2):
            after = everything(kept.store)
            assert after == {**before, POWER: [*before[POWER], (T0 + 5 * MINUTE_MS, 1005.0, T0 + 5 * MINUTE_MS)]}
            assert set(lates) <= set(kept.store.late("home-1", *EVERYTHING[:2]))
            assert kept.store.first("home-1") == late.time_ms
            turn = kept.store.send_some(kept.now_ms)
        assert (turn.sent, turn.conflicting) == (0, 0)
        assert kept.store.last("home-1") == {**last, POWER: Reading(POWER, T0 + 5 * MINUTE_MS, 1005.0)}
        server.shows(7)


def test_rows_of_more_sites_than_fit_a_question_are_proven_together(tmp_path: Path, server: RealServer) -> None:
    with OnServer(tmp_path / "spool", server) as kept:
        kept.store.append({f"home-{i}": [Reading(POWER, T0, float(i))] for i in range(60)}, T0)
        kept.settle()
        for i in (0, 7, 59):
            assert everything(kept.store, f"home-{i}") == {POWER: [(T0, float(i), T0)]}


@pytest.mark.parametrize(
    ("site", "channel"),
    [
        ("home 1", POWER), ("", POWER), ("home-1,x=y", POWER), ("home-1", "a'b.ac_power"), ("home-1", 'a"b.ac_power'),
        ("home-1", "inverter-1.ac_power value=1\npv_watcher"), ("-home", POWER), ("home-1", "a\\.ac_power"),
    ],
)  # fmt: skip
def test_a_name_that_could_be_read_as_something_else_is_refused(
    tmp_path: Path, server: RealServer, site: str, channel: str
) -> None:
    with OnServer(tmp_path / "spool", server) as kept:
        with pytest.raises(ValueError, match="cannot be the name"):
            kept.store.append({site: [Reading(channel, T0, 1.0)]}, T0)
        assert kept.store.waiting() == 0


def test_a_value_that_the_server_would_change_is_refused_or_rounded_before_anyone_sees_it(
    tmp_path: Path, victoria: VictoriaServer
) -> None:
    with OnServer(tmp_path / "spool", victoria) as kept:
        with pytest.raises(ValueError, match="larger than anything a server keeps exactly"):
            kept.store.append({"home-1": [Reading(POWER, T0, 1e300)]}, T0)
        kept.store.append({"home-1": [Reading(POWER, T0, 1000 / 3)]}, T0)
        kept.store.append({"home-1": [Reading(POWER, T0 + 1, 501.2 + 1e-12)]}, T0 + 1)
        rounded = [(T0, 333.33333, T0), (T0 + 1, 501.2, T0 + 1)]
        kept.always(lambda store: _is(everything(store), {POWER: rounded}))


def _is(found: object, expected: object) -> None:
    assert found == expected


def test_a_full_precision_double_comes_back_bit_for_bit(tmp_path: Path, influx: InfluxServer) -> None:
    values = [1 / 3, 0.1 + 0.2, 1e300, 5e-324, 9_007_199_254_740_993.0, -1e-7]
    with OnServer(tmp_path / "spool", influx) as kept:
        kept.store.append_history("home-1", [Reading(POWER, T0 + i, v) for i, v in enumerate(values)], T0 + DAY_MS)
        kept.always(lambda store: _is([value for _, value, _ in everything(store)[POWER]], values))


@pytest.mark.slow
@BOTH
def test_case_e2_a_sender_killed_anywhere_loses_nothing_and_doubles_nothing(
    tmp_path: Path, own_server: Start, name: str
) -> None:
    server = own_server(name)
    writer = Path(__file__).with_name("send_until_killed.py")
    command = [sys.executable, str(writer), str(tmp_path / "spool"), server.settings.kind.value, server.url]
    chance = random.Random(20260621)
    # What VictoriaMetrics shows a second late must not be asked for at once, or it would be sent again and again.
    pace = "wall" if name == "victoria" else "hours"
    for _ in range(8):
        with subprocess.Popen([*command, server.settings.bucket, pace], stdout=subprocess.PIPE, text=True) as child:
            assert child.stdout is not None
            for _ in range(chance.randint(3, 12)):
                acknowledged = int(child.stdout.readline())
            time.sleep(chance.uniform(0.0, 0.05))
            child.kill()
    with OnServer(tmp_path / "spool", server) as kept:
        kept.now_ms = 25 * time.time_ns() // 1_000_000  # later than any the killed ones had
        through = kept.store.received_through("home-1") or 0
        count = (through - T0) // SECOND_MS + 1
        expected = [(row.time_ms, row.value, row.time_ms) for number in range(count) for row in batch(number)]
        assert count > acknowledged > 20
        assert everything(kept.store) == {POWER: expected}
        kept.send()
        server.shows(len(expected))
        kept.now_ms += HOLD_MS
        assert kept.store.send_some(kept.now_ms).again == 0
        kept.now_ms += RECENT_MS
        kept.store.send_some(kept.now_ms)
        assert (kept.store.waiting(), kept.store.refused(), kept.spooled()) == (0, 0, 0)
        assert everything(kept.store) == {POWER: expected}


def test_the_receipts_of_one_instant_are_one(tmp_path: Path, server: RealServer) -> None:
    """A clock that stands still: two batches are received at one instant, as far as anyone can tell."""
    with OnServer(tmp_path / "spool", server) as kept:
        for minute in (9, 3):
            kept.store.append({"home-1": [Reading(POWER, T0 + minute * MINUTE_MS, 1.0)]}, T0 + HOUR_MS)
        expected = [Late(POWER, T0 + HOUR_MS, T0 + 3 * MINUTE_MS, T0 + 9 * MINUTE_MS)]
        kept.always(lambda store: _is(store.late("home-1", 0, 2**60), expected))


def test_a_reader_needs_no_client_library(tmp_path: Path, influx: InfluxServer) -> None:
    """It is as large as the rest of the daemon, and the worker only reads."""
    with ServerReadings(tmp_path / "spool", replace(influx.settings)) as store:
        store.append({"home-1": minutes(1)}, T0)
    program = (
        "import sys; from watcher.store.server.readings import ServerReadings as R;"
        "from watcher.store.server.settings import *;"
        f"s = R.open_reader({str(tmp_path / 'spool')!r}, ServerSettings(ServerKind.INFLUXQL, {influx.url!r}, 'x'));"
        "assert s.last('home-1'); assert not {'influxdb_client', 'numpy'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", program], check=True)

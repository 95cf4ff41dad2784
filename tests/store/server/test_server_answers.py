"""What is made of a server's answers: words where something is wrong, and never fewer rows than there are.

InfluxDB 2 and 3 cannot be had here: what is asked of them, and how, is held against a stub that answers in the shapes
of their documentation.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from kept import EVERYTHING, POWER, T0, OnServer, everything
from real_servers import InfluxServer, VictoriaServer
from stub import Answer, Asked, stub

from watcher.domain.errors import StoreError
from watcher.domain.instant import DAY_MS
from watcher.domain.reading import Reading
from watcher.store.server.readings import ServerReadings
from watcher.store.server.settings import ServerKind, ServerSettings

KINDS = pytest.mark.parametrize("kind", list(ServerKind))


def told(spool: Path, settings: ServerSettings) -> list[str]:
    with ServerReadings(spool, settings) as store:
        return [str(problem).lstrip(": ") for problem in store.check()]


def test_a_good_server_leaves_nothing_to_say(tmp_path: Path, victoria: VictoriaServer, influx: InfluxServer) -> None:
    assert told(tmp_path / "one", victoria.settings) == []
    assert told(tmp_path / "two", influx.settings) == []


@KINDS
def test_a_server_that_is_not_there_is_said_so(tmp_path: Path, kind: ServerKind) -> None:
    settings = ServerSettings(kind, "http://127.0.0.1:9", bucket="watcher")  # the discard port: nobody listens
    (problem,) = told(tmp_path / "spool", settings)
    assert problem.startswith("store.url = http://127.0.0.1:9: does not answer")


def test_victoria_metrics_is_asked_for_flags_that_would_lose_rows(tmp_path: Path) -> None:
    server = VictoriaServer(tmp_path / "victoria")
    server.flags = ("-influxMeasurementFieldSeparator=.", "-retentionPeriod=90d")
    server.start()
    try:
        problems = told(tmp_path / "spool", server.settings)
    finally:
        server.kill()
    assert [problem.partition(server.url)[2] for problem in problems] == [
        ": keeps rows for 90 days (-retentionPeriod=90d) and drops older ones without a word; 3650 are asked for: "
        "start it with -retentionPeriod=100y",
        ": keeps a row that is sent twice twice: start it with -dedup.minScrapeInterval=1ms",
        ": runs with -influxMeasurementFieldSeparator=., under which rows are stored by other names: it must be _",
    ]


def test_another_server_than_the_one_named_is_noticed(
    tmp_path: Path, victoria: VictoriaServer, influx: InfluxServer
) -> None:
    """VictoriaMetrics answers any InfluxQL with the same list of databases, and status 200."""
    other = replace(influx.settings, kind=ServerKind.VICTORIA_METRICS)
    (problem,) = told(tmp_path / "one", other)
    assert "does not answer as VictoriaMetrics does" in problem
    other = replace(victoria.settings, kind=ServerKind.INFLUXQL, bucket="watcher")
    (problem,) = told(tmp_path / "two", other)
    assert "does not answer as InfluxDB does" in problem
    with ServerReadings(tmp_path / "two", other) as store:
        store.append({"home-1": [Reading(POWER, T0, 7.0)]}, T0)
        with pytest.raises(StoreError, match="is no answer"):
            store.window("home-1", None, *EVERYTHING)


def test_influxdb_is_asked_for_database_policy_and_retention(tmp_path: Path, influx: InfluxServer) -> None:
    absent = replace(influx.settings, bucket="nowhere")
    assert "store.bucket = nowhere: is not there" in told(tmp_path / "one", absent)[0]
    policy = replace(influx.settings, bucket=f"{influx.database}/short")
    assert "has no retention policy 'short'" in told(tmp_path / "two", policy)[0]
    influx.query(f'CREATE RETENTION POLICY "short" ON "{influx.database}" DURATION 30d REPLICATION 1')
    assert "keeps rows for 30 days only; 3650 are asked for" in told(tmp_path / "three", policy)[0]
    assert told(tmp_path / "four", replace(policy, keep_days=30)) == []


def bucket_of_two(token: str = "t0ken") -> Callable[[Asked], Answer]:
    """Answers as an InfluxDB 2 or 3 with one row of one site."""

    def answer(asked: Asked) -> Answer:
        if asked.headers.get("Authorization") != f"Token {token}":
            return Answer(401, b'{"code":"unauthorized","message":"unauthorized access"}')
        if asked.path == "/api/v2/write":
            return Answer(204)
        if "SHOW" in asked.fields["q"]:
            return Answer(200, b'{"results":[{"statement_id":0,"error":"not supported"}]}\n')
        columns = ["time", "first"] if "first" in asked.fields["q"] else ["time", "value", "received"]
        values = [[T0, 5.5, None][: len(columns)]]
        series = {
            "name": "pv_watcher", "tags": {"site": "home-1", "channel": POWER}, "columns": columns, "values": values,
        }  # fmt: skip
        return Answer(200, json.dumps({"results": [{"statement_id": 0, "series": [series]}]}).encode() + b"\n")

    return answer


def test_a_bucket_is_written_and_asked_with_the_token(tmp_path: Path) -> None:
    with stub(bucket_of_two()) as server:
        settings = ServerSettings(ServerKind.INFLUXQL, server.url, "solar", "home", lambda: "t0ken")
        with ServerReadings(tmp_path / "spool", settings) as store:
            assert store.check() == []
            store.append({"home-1": [Reading(POWER, T0 + 1, 7.0)]}, T0)
            assert everything(store) == {POWER: [(T0, 5.5, T0), (T0 + 1, 7.0, T0 + 1)]}
            assert store.send_some(T0 + DAY_MS).sent == 1
    written = [asked for asked in server.asked if asked.path == "/api/v2/write"]
    read = [asked for asked in server.asked if asked.path == "/query"]
    assert [asked.fields for asked in written] == [{"org": "home", "bucket": "solar", "precision": "ms"}]
    assert written[0].headers["Content-Encoding"] == "gzip"
    assert {asked.fields["db"] for asked in read} == {"solar"}
    assert len(written) + len(read) == len(server.asked)


def test_a_token_that_is_refused_is_said_so_without_being_shown(tmp_path: Path) -> None:
    with stub(bucket_of_two()) as server:
        settings = ServerSettings(ServerKind.INFLUXQL, server.url, "solar", "home", lambda: "wr0ng")
        (problem,) = told(tmp_path / "spool", settings)
        assert problem.startswith("store.token_file: is refused by the server")
        with ServerReadings(tmp_path / "spool", settings) as store:
            store.append({"home-1": [Reading(POWER, T0, 7.0)]}, T0)
            with pytest.raises(StoreError, match="status 401") as error:
                store.send_some(T0)
            assert "wr0ng" not in problem + str(error.value)
            assert store.waiting() == 1


@KINDS
@pytest.mark.parametrize(
    "answer",
    [
        pytest.param(Answer(200, b'{"results":[{"series":[]', cut=True), id="breaks off"),
        pytest.param(Answer(200, b"<html>please log in</html>\n"), id="is another's"),
        pytest.param(Answer(200, b'{"results":[{"partial":true,"series":[]}],"metric":{}}\n'), id="is not whole"),
        pytest.param(Answer(200, b'{"results":[{"error":"timeout"}]}\n'), id="ends in an error"),
        pytest.param(Answer(503, b"starting"), id="is none"),
        pytest.param(Answer(302, b""), id="points elsewhere"),
    ],
)
def test_an_answer_that_is_not_whole_is_an_error_and_never_fewer_rows(
    tmp_path: Path, kind: ServerKind, answer: Answer
) -> None:
    with (
        stub(lambda asked: answer) as server,
        ServerReadings(tmp_path / "s", ServerSettings(kind, server.url)) as store,
    ):
        store.append({"home-1": [Reading(POWER, T0, 7.0)]}, T0)
        with pytest.raises(StoreError, match="readings server"):
            store.window("home-1", None, *EVERYTHING)
        with pytest.raises(StoreError, match="readings server"):
            store.send_some(T0)
        assert store.waiting() == 1


def test_the_network_is_not_touched_before_there_is_something_to_ask(tmp_path: Path) -> None:
    with stub(lambda asked: Answer(500)) as server:
        with ServerReadings(tmp_path / "spool", ServerSettings(ServerKind.INFLUXQL, server.url, "solar")) as store:
            store.append({"home-1": [Reading(POWER, T0, 7.0)]}, T0)
            assert store.last("home-1") == {POWER: Reading(POWER, T0, 7.0)}
            assert (store.sites(), store.received_through("home-1")) == (["home-1"], T0)
        assert server.asked == []


def test_days_before_a_sites_first_row_are_not_asked_for(tmp_path: Path, influx: InfluxServer) -> None:
    """A look-back of weeks at a new site would else be as many questions with nothing to answer."""
    with OnServer(tmp_path / "spool", influx) as kept:
        kept.store.append({"home-1": [Reading(POWER, T0, 7.0)]}, T0)
        kept.settle()
        kept.store._engine.close()
        with stub(lambda asked: Answer(500)) as elsewhere:
            gone = ServerReadings.open_reader(tmp_path / "spool", replace(influx.settings, url=elsewhere.url))
            with gone as store:
                assert store.window("home-1", None, T0 - 14 * DAY_MS, T0, 2**62) == {}
                assert store.window("home-1", None, T0 + 1, T0 + DAY_MS, 2**62) == {}
            assert elsewhere.asked == []

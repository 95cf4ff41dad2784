"""`watcher replay`: an old period or a table judged again, and held against what was said."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from tests.commands.conftest import Place, a_day, power_w
from watcher.domain.instant import HOUR_MS, iso, parse_iso


def lines(out: str) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    *alerts, summary = (json.loads(line) for line in out.splitlines())
    assert summary["type"] == "summary"
    return alerts, summary


def stalled(out: str) -> list[dict[str, Any]]:
    return [alert for alert in lines(out)[0] if alert["kind"] == "meter-stalled"]


@pytest.fixture
def judged(place: Place) -> Place:
    """A home whose meter stood still for a day, judged by the worker."""
    place.import_meter()
    place.import_power()
    place.judge()
    return place


def test_an_alert_is_one_line_and_the_summary_is_the_last(judged: Place) -> None:
    code, out, _ = judged.run("replay", "--site", "home-1")
    assert code == 0
    alerts, summary = lines(out)
    assert [(alert["device"], alert["state"]) for alert in alerts] == [("meter-1", "open")]
    assert alerts[0]["id"].startswith("home-1/meter-stalled/meter-1@")
    assert a_day().start <= parse_iso(alerts[0]["opened"]) <= a_day().start + 2 * HOUR_MS
    assert (summary["alerts"], summary["open"], summary["mails"]) == (1, 1, 1)
    assert parse_iso(summary["judged_through"]) == a_day().stop


def test_the_ledger_as_it_was_written_compares_equal(judged: Place) -> None:
    assert judged.run("replay", "--site", "home-1", "--compare")[0] == 0


def test_a_ledger_that_says_otherwise_is_told_line_by_line(judged: Place) -> None:
    with sqlite3.connect(judged.files.folder / "ledger.sqlite") as ledger:
        assert ledger.execute("DELETE FROM outbox").rowcount == 1
    ledger.close()
    code, out, err = judged.run("replay", "--site", "home-1", "--compare")
    assert code == 1
    assert len(stalled(out)) == 1
    assert err.startswith("mail home-1/meter-stalled/meter-1@")
    assert "is not there" in err
    assert len(err.splitlines()) == 1


def test_replay_writes_neither_store_nor_ledger(judged: Place) -> None:
    def content() -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in judged.files.folder.iterdir() if path.suffix == ".sqlite"}

    before = content()
    judged.run("replay", "--site", "home-1")
    judged.run("replay", "--site", "home-1", "--compare")
    assert content() == before


def test_from_and_until_bound_what_is_judged(judged: Place) -> None:
    begin, until = a_day().start + 6 * HOUR_MS, a_day().start + 9 * HOUR_MS + 61_000
    code, out, _ = judged.run("replay", "--site", "home-1", "--from", iso(begin), "--until", iso(until))
    assert code == 0
    (alert,) = stalled(out)
    assert begin < parse_iso(alert["opened"]) <= until
    assert parse_iso(lines(out)[1]["judged_through"]) == a_day().start + 9 * HOUR_MS

    code, out, _ = judged.run("replay", "--site", "home-1", "--until", iso(a_day().start + 300_000))
    assert (code, lines(out)[0]) == (0, [])


def test_a_time_with_an_offset_is_the_instant_it_names(judged: Place) -> None:
    until = a_day().start + 9 * HOUR_MS
    there = iso(until + HOUR_MS).replace("Z", "+01:00")
    here = judged.run("replay", "--site", "home-1", "--until", iso(until))
    assert judged.run("replay", "--site", "home-1", "--until", there) == here


def test_knowledge_then_does_not_see_what_came_in_later_and_now_does(place: Place) -> None:
    place.import_power()
    place.judge()
    place.import_meter()  # received today, about the day before yesterday
    then = place.run("replay", "--site", "home-1", "--until", iso(a_day().stop))
    now = place.run("replay", "--site", "home-1", "--until", iso(a_day().stop), "--knowledge", "now")
    assert (then[0], now[0]) == (0, 0)
    assert stalled(then[1]) == []
    assert len(stalled(now[1])) == 1


def test_a_table_is_judged_without_a_store(place: Place) -> None:
    table = place.table("power", ((at, power_w(at)) for at in a_day()))
    columns = place.map("power", "inverter-1.ac_power", "W")
    code, out, err = place.run("replay", "--site", "home-1", "--csv", table, "--columns", columns)
    assert code == 0
    _, summary = lines(out)
    assert parse_iso(summary["judged_through"]) == a_day().stop
    assert err == ""
    assert not place.files.folder.exists()


def test_what_a_table_was_refused_is_said_beside_the_lines_and_not_among_them(place: Place) -> None:
    table = place.table("power", [(a_day()[0], 10), (a_day()[1], "?")])
    columns = place.map("power", "inverter-1.ac_power", "W")
    code, out, err = place.run("replay", "--site", "home-1", "--csv", table, "--columns", columns)
    assert code == 0
    assert lines(out)[0] == []
    assert f'{table}:3: value = "?"' in err


TABLE, COLUMNS = ("--csv", "t.csv"), ("--columns", "m.toml")


@pytest.mark.parametrize(
    ("options", "key"),
    [
        pytest.param(("--from", "yesterday"), "--from = yesterday", id="words"),
        pytest.param(("--until", "2026-06-01T10:00:00"), "--until = 2026-06-01T10:00:00", id="no offset"),
        pytest.param(("--from", "2026-06-31T10:00Z"), "--from = 2026-06-31T10:00Z", id="no such day"),
        pytest.param(TABLE, "--csv", id="a table without a map"),
        pytest.param(COLUMNS, "--csv", id="a map without a table"),
        pytest.param((*TABLE, *COLUMNS, "--compare"), "--compare", id="a table against the ledger"),
        pytest.param(("--compare", "--knowledge", "now"), "--compare", id="today's knowledge against the ledger"),
        pytest.param(("--compare", "--from", "2026-06-01T10:00Z"), "--compare", id="a part against the ledger"),
    ],
)
def test_options_that_make_no_sense_are_bad_input(judged: Place, options: tuple[str, ...], key: str) -> None:
    code, out, err = judged.run("replay", "--site", "home-1", *options)
    assert (code, out) == (2, "")
    assert err.startswith("command line: 1 problem\n")
    assert f"  {key}" in err


def test_all_bad_options_are_said_at_once(place: Place) -> None:
    code, _, err = place.run("replay", "--site", "home-1", "--from", "a", "--until", "b", *TABLE)
    assert code == 2
    assert err.startswith("command line: 3 problems\n")


def test_an_unknown_site_is_bad_input(judged: Place) -> None:
    code, out, err = judged.run("replay", "--site", "home-9")
    assert (code, out) == (2, "")
    assert "site = home-9" in err


def test_without_a_store_the_trouble_is_said_in_words(place: Place) -> None:
    code, out, err = place.run("replay", "--site", "home-1")
    assert (code, out) == (1, "")
    assert err.startswith("watcher: ")
    assert "Traceback" not in err
    assert not Path(place.files.folder).exists()

"""The ledger gives back what it was given, once, and lets nothing into the past of a judged point."""

from __future__ import annotations

import math
import sqlite3
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from ledger_samples import SITE, T0, alert, figure, mail, run, settled, whole_evaluation

from watcher.domain.alert import AlertState, ClosedAs, MailReason
from watcher.domain.errors import StoreError
from watcher.domain.evaluation import Evaluation
from watcher.domain.event import Document, Draft, Event, EventKind
from watcher.domain.finding import Finding, Verdict
from watcher.domain.instant import DAY_MS, GRACE_MS, GRID_MS, HOUR_MS
from watcher.store.ledger import Ledger, Superseded
from watcher.store.readings import SqliteReadings


@pytest.fixture(params=["file", "memory"])
def ledger(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(f"sqlite:///{tmp_path / 'ledger.db'}" if request.param == "file" else "sqlite://") as opened:
        yield opened


def reach(ledger: Ledger, last_ms: int, site: str = SITE) -> None:
    """Judge up to a point with nothing to say."""
    seen = ledger.events(site, last_ms + GRACE_MS)[1]
    ledger.commit(Evaluation(site, last_ms, last_ms, events_seen=seen), ledger.evaluated_until(site))


def test_everything_an_evaluation_brings_comes_back_as_it_was(ledger: Ledger) -> None:
    evaluation = whole_evaluation()
    ledger.commit(evaluation, None)
    assert ledger.evaluated_until(SITE) == evaluation.last_ms
    assert set(ledger.runs(SITE)) == set(evaluation.runs)
    assert set(ledger.last_runs(SITE)) == set(evaluation.runs)
    assert sorted(ledger.alerts(SITE), key=lambda one: one.id) == sorted(evaluation.alerts, key=lambda one: one.id)
    assert tuple(ledger.mails(SITE)) == evaluation.mails
    assert ledger.days(SITE) == sorted(evaluation.days, key=lambda one: one.day)
    assert ledger.figures(SITE, 0, evaluation.last_ms) == list(evaluation.figures)
    assert ledger.sites() == [SITE]


def test_a_site_never_heard_of_has_nothing(ledger: Ledger) -> None:
    assert ledger.evaluated_until("home-9") is None
    assert ledger.versions("home-9") == []
    assert ledger.events("home-9", 2**62) == ([], 0)
    for ask in (ledger.runs, ledger.last_runs, ledger.alerts, ledger.standing_alerts, ledger.mails, ledger.days):
        assert ask("home-9") == []
    assert (ledger.sites(), ledger.waiting_mails()) == ([], 0)


def test_a_ledger_in_a_file_is_the_same_after_a_restart(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'ledger.db'}"
    with Ledger(url) as ledger:
        ledger.put_version(SITE, "[site]", 1)
        ledger.commit(whole_evaluation(), None)
        before = ledger.alerts(SITE), ledger.runs(SITE), ledger.mails(SITE), ledger.versions(SITE)
    with Ledger(url) as ledger:
        assert (ledger.alerts(SITE), ledger.runs(SITE), ledger.mails(SITE), ledger.versions(SITE)) == before


# Versions


def test_the_first_version_holds_from_the_beginning_and_the_same_text_is_no_new_one(ledger: Ledger) -> None:
    assert ledger.put_version(SITE, "one", T0) is True
    assert ledger.put_version(SITE, "one", T0 + 1) is False
    assert ledger.put_version(SITE, "two", T0 + 2) is True
    assert ledger.put_version(SITE, "one", T0 + 3) is True
    assert ledger.versions(SITE) == [(0, "one"), (T0 + 2, "two"), (T0 + 3, "one")]
    assert ledger.versions("home-2") == []


def test_a_changed_text_never_holds_at_a_point_already_judged(ledger: Ledger) -> None:
    ledger.put_version(SITE, "one", T0)
    reach(ledger, T0 + DAY_MS)
    ledger.put_version(SITE, "two", T0)
    ledger.put_version(SITE, "three", T0 - HOUR_MS)
    begins = [valid_from_ms for valid_from_ms, _ in ledger.versions(SITE)]
    assert begins[0] == 0
    assert all(T0 + DAY_MS < begin < T0 + DAY_MS + GRID_MS for begin in begins[1:])
    assert begins == sorted(begins)
    assert ledger.versions(SITE)[-1][1] == "three"


# Events


def test_an_event_comes_back_whole_and_in_order_with_the_newest_number(ledger: Ledger) -> None:
    told = {"serial": "0012345", "firmware": "1.0 β", "index_kwh": 8123.4}
    first = ledger.add_event(SITE, EventKind.IDENTITY, "meter-1", T0 - HOUR_MS, told, T0)
    second = ledger.add_event(SITE, EventKind.SEEN, "", T0, {}, T0 + 1)
    ledger.add_event("home-2", EventKind.NOTE, "", T0, {}, T0)
    assert first == Event(SITE, EventKind.IDENTITY, "meter-1", T0 - HOUR_MS, T0, told)
    events, newest = ledger.events(SITE, T0 + 2)
    assert events == [first, second]
    before, older = ledger.events(SITE, T0 + 1)
    assert before == [first]
    assert 0 < older < newest
    assert ledger.events(SITE, T0) == ([], 0)


def test_the_newest_identity_of_a_device_counts(ledger: Ledger) -> None:
    for serial in ("A1", "B2"):
        ledger.add_event(SITE, EventKind.IDENTITY, "meter-1", T0, {"serial": serial}, T0)
    ledger.add_event(SITE, EventKind.NOTE, "meter-1", T0, {"serial": "none of that kind"}, T0)
    assert ledger.identity(SITE, "meter-1") == {"serial": "B2"}
    assert ledger.identity(SITE, "inverter-1") is None
    assert ledger.identity("home-2", "meter-1") is None


def test_what_was_said_is_taken_over_with_its_instants_and_numbers_and_nothing_judged(ledger: Ledger) -> None:
    ledger.put_version(SITE, "one", T0)
    ledger.put_version(SITE, "two", T0 + 1)
    ledger.add_event("home-2", EventKind.NOTE, "", T0, {}, T0)
    ledger.add_event(SITE, EventKind.IDENTITY, "meter-1", T0, {"serial": "0012"}, T0 + 2)
    ledger.commit(replace(whole_evaluation(), events_seen=ledger.events(SITE, 2**62)[1]), None)
    with Ledger("sqlite://") as fresh:
        fresh.copy_said(ledger, SITE)
        assert fresh.versions(SITE) == ledger.versions(SITE)
        assert fresh.events(SITE, 2**62) == ledger.events(SITE, 2**62)
        assert fresh.sites() == [SITE]
        assert fresh.evaluated_until(SITE) is None
        assert fresh.alerts(SITE) == fresh.mails(SITE) == fresh.runs(SITE) == fresh.days(SITE) == []


def test_an_event_is_never_received_before_what_is_judged_or_before_its_forerunner(ledger: Ledger) -> None:
    reach(ledger, T0)
    late = ledger.add_event(SITE, EventKind.VISIT, "", T0 - DAY_MS, {}, T0 - HOUR_MS)
    assert late.received_ms == T0 + GRACE_MS
    assert ledger.events(SITE, T0 + GRACE_MS) == ([], 0)
    later = ledger.add_event(SITE, EventKind.VISIT, "", T0, {}, T0 + HOUR_MS)
    after_a_step_back = ledger.add_event(SITE, EventKind.VISIT, "", T0, {}, T0)
    assert (later.received_ms, after_a_step_back.received_ms) == (T0 + HOUR_MS, T0 + HOUR_MS)


def test_an_event_that_was_not_seen_undoes_the_evaluation_it_belongs_to(ledger: Ledger) -> None:
    reach(ledger, T0)
    seen = ledger.events(SITE, T0 + HOUR_MS + GRACE_MS)[1]
    ledger.add_event(SITE, EventKind.METER_EXCHANGE, "meter-1", T0, {}, T0 + HOUR_MS)
    evaluation = replace(whole_evaluation(T0 + GRID_MS, T0 + HOUR_MS), events_seen=seen)
    with pytest.raises(Superseded, match="an event came in"):
        ledger.commit(evaluation, T0)
    assert ledger.evaluated_until(SITE) == T0
    assert ledger.runs(SITE) == ledger.alerts(SITE) == ledger.mails(SITE) == []
    ledger.commit(replace(evaluation, events_seen=ledger.events(SITE, T0 + HOUR_MS + GRACE_MS)[1]), T0)
    assert ledger.evaluated_until(SITE) == T0 + HOUR_MS


def test_an_event_that_belongs_to_later_points_or_another_site_undoes_nothing(ledger: Ledger) -> None:
    ledger.add_event(SITE, EventKind.VISIT, "", T0, {}, T0 + HOUR_MS + GRACE_MS)
    ledger.add_event("home-2", EventKind.VISIT, "", T0, {}, T0)
    ledger.commit(whole_evaluation(T0, T0 + HOUR_MS), None)
    assert ledger.evaluated_until(SITE) == T0 + HOUR_MS


# Progress


@pytest.mark.parametrize("stored", [None, T0], ids=["never evaluated", "evaluated"])
def test_only_one_of_two_workers_gets_its_evaluation_in(ledger: Ledger, stored: int | None) -> None:
    if stored is not None:
        reach(ledger, stored)
    first, second = whole_evaluation(T0 + GRID_MS, T0 + HOUR_MS), whole_evaluation(T0 + GRID_MS, T0 + 2 * HOUR_MS)
    ledger.commit(first, stored)
    with pytest.raises(Superseded, match="judged up to"):
        ledger.commit(second, stored)
    assert ledger.evaluated_until(SITE) == first.last_ms
    assert set(ledger.runs(SITE)) == set(first.runs)


@pytest.mark.parametrize("previous", [T0 - GRID_MS, T0 + GRID_MS], ids=["behind", "ahead"])
def test_progress_from_anywhere_but_where_the_site_stands_is_refused(ledger: Ledger, previous: int) -> None:
    reach(ledger, T0)
    with pytest.raises(Superseded):
        ledger.commit(Evaluation(SITE, T0 + HOUR_MS, T0 + HOUR_MS), previous)
    with pytest.raises(Superseded):
        ledger.commit(Evaluation("home-2", T0, T0 + HOUR_MS), previous)
    assert ledger.sites() == [SITE]


def test_going_back_is_our_own_mistake(ledger: Ledger) -> None:
    reach(ledger, T0)
    with pytest.raises(ValueError, match="judged already"):
        ledger.commit(Evaluation(SITE, T0, T0), T0)


def test_workers_of_many_threads_put_each_point_down_once(tmp_path: Path) -> None:
    points = 30
    won: list[int] = []

    def work() -> None:
        with Ledger(f"sqlite:///{tmp_path / 'ledger.db'}") as ledger:
            while (until := ledger.evaluated_until(SITE)) is None or until < T0 + points * GRID_MS:
                point = T0 + GRID_MS if until is None else until + GRID_MS
                try:
                    ledger.commit(Evaluation(SITE, point, point, runs=(run(point, point, loss_mwh=1),)), until)
                    won.append(point)
                except Superseded:
                    pass

    threads = [threading.Thread(target=work) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(won) == [T0 + GRID_MS * n for n in range(1, points + 1)]
    with Ledger(f"sqlite:///{tmp_path / 'ledger.db'}") as ledger:
        assert ledger.runs(SITE) == [run(T0 + GRID_MS, T0 + points * GRID_MS, loss_mwh=points)]


# Alerts


def test_alerts_are_changed_in_place_and_found_by_their_state(ledger: Ledger) -> None:
    suspected, opened = alert(T0, AlertState.SUSPECTED, subject="meter-1"), alert(T0, AlertState.OPEN)
    ledger.commit(Evaluation(SITE, T0, T0, alerts=(suspected, opened)), None)
    assert ledger.standing_alerts(SITE) == [opened, suspected]
    cleared = replace(
        opened, state=AlertState.CLEARED, cleared_ms=T0 + HOUR_MS, closed_as=ClosedAs.WITHDRAWN, causes=(), loss_mwh=7
    )
    ledger.commit(Evaluation(SITE, T0 + HOUR_MS, T0 + HOUR_MS, alerts=(cleared,), dropped=(suspected.id,)), T0)
    assert ledger.standing_alerts(SITE) == []
    assert ledger.alerts(SITE) == [cleared]
    assert ledger.recent_cleared(SITE, T0 + HOUR_MS) == [cleared]
    assert ledger.recent_cleared(SITE, T0 + HOUR_MS + 1) == []


def test_one_site_drops_no_suspicion_of_another(ledger: Ledger) -> None:
    mine = alert(T0, AlertState.SUSPECTED)
    ledger.commit(Evaluation(SITE, T0, T0, alerts=(mine,)), None)
    ledger.commit(Evaluation("home-2", T0, T0, dropped=(mine.id,)), None)
    assert ledger.alerts(SITE) == [mine]


# Runs and days


def test_runs_are_found_by_the_points_they_hold(ledger: Ledger) -> None:
    first, second = run(T0, T0 + HOUR_MS), run(T0 + 2 * HOUR_MS, T0 + 3 * HOUR_MS, verdict=Verdict.UNKNOWN, code="gap")
    other = run(T0, T0, finding=Finding.METER_STALLED, subject="meter-1")
    ledger.commit(Evaluation(SITE, T0, T0 + 3 * HOUR_MS, runs=(first, second, other)), None)
    assert ledger.runs(SITE) == [other, first, second]
    assert ledger.last_runs(SITE) == [other, second]
    assert ledger.runs(SITE, since_ms=T0 + HOUR_MS) == [first, second]
    assert ledger.runs(SITE, since_ms=T0 + HOUR_MS + 1) == [second]
    assert ledger.runs(SITE, until_ms=T0 + 2 * HOUR_MS) == [other, first]
    assert ledger.runs(SITE, since_ms=T0 + 1, until_ms=T0 + 2 * HOUR_MS + 1) == [first, second]


@pytest.mark.parametrize(
    "change",
    [
        pytest.param({"verdict": Verdict.UNKNOWN}, id="another verdict"),
        pytest.param({"code": "string-open.other"}, id="another code"),
        pytest.param({"causes": ("voltage-none",)}, id="another cause"),
        pytest.param({"subject": "inverter-1.input-3"}, id="another subject"),
        pytest.param({"first_ms": T0 + 2 * GRID_MS}, id="a grid point between"),
    ],
)
def test_a_run_that_says_something_else_begins_anew(ledger: Ledger, change: dict[str, object]) -> None:
    first = run(T0, T0)
    after = run(**{"first_ms": T0 + GRID_MS, "last_ms": T0 + 2 * GRID_MS, **change})  # type: ignore[arg-type]
    ledger.commit(Evaluation(SITE, T0, T0, runs=(first,)), None)
    ledger.commit(Evaluation(SITE, T0 + GRID_MS, T0 + 2 * GRID_MS, runs=(after,)), T0)
    assert ledger.runs(SITE) == [first, after]


def test_a_point_judged_twice_is_our_own_mistake_and_leaves_nothing(ledger: Ledger) -> None:
    ledger.commit(Evaluation(SITE, T0, T0, runs=(run(T0, T0),)), None)
    with pytest.raises(ValueError, match="judged already"):
        ledger.commit(Evaluation(SITE, T0, T0 + GRID_MS, runs=(run(T0, T0 + GRID_MS),)), T0)
    assert ledger.evaluated_until(SITE) == T0


def test_the_newest_revision_of_a_day_counts_and_a_revision_is_given_once(ledger: Ledger) -> None:
    other = settled(0, day=date(2026, 6, 19), generated_wh=None, expected_wh=None, coverage=0.0)
    ledger.commit(Evaluation(SITE, T0, T0, days=(settled(0), other)), None)
    better = settled(1, metered_wh=27_500.0)
    ledger.commit(Evaluation(SITE, T0 + GRID_MS, T0 + GRID_MS, days=(better,)), T0)
    assert ledger.days(SITE) == [other, better]
    with pytest.raises(StoreError, match="committing an evaluation failed"):
        ledger.commit(Evaluation(SITE, T0 + HOUR_MS, T0 + HOUR_MS, days=(better,)), T0 + GRID_MS)
    assert ledger.evaluated_until(SITE) == T0 + GRID_MS


@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_no_number_that_is_none_gets_in(ledger: Ledger, number: float) -> None:
    opened = alert(T0, AlertState.OPEN, evidence={"current_a": number})
    for evaluation in (
        Evaluation(SITE, T0, T0, runs=(run(T0, T0, observed=number),)),
        Evaluation(SITE, T0, T0, alerts=(opened,)),
        Evaluation(SITE, T0, T0, days=(settled(0, generated_wh=number),)),
        Evaluation(SITE, T0, T0, figures=(figure(1, T0, made_wh=number),)),
    ):
        with pytest.raises(ValueError, match=r"no number|no figure|not JSON compliant"):
            ledger.commit(evaluation, None)
    assert ledger.sites() == []


# Mails


def test_mails_wait_in_order_until_they_are_sent(ledger: Ledger) -> None:
    evaluation = whole_evaluation()
    ledger.commit(evaluation, None)
    now = evaluation.last_ms
    first, second = ledger.due_mails(now, 10)
    assert (first.mail, second.mail) == evaluation.mails
    assert (first.id, first.attempts) == (evaluation.mails[0].id, 0)
    assert ledger.due_mails(now, 1) == [first]
    ledger.mark_sent(first.id, now)
    ledger.mark_sent(first.id, now + 1)
    assert ledger.due_mails(now, 10) == [second]
    assert ledger.waiting_mails() == 1
    ledger.mark_failed(second.id, now + HOUR_MS, "421 try again later")
    assert ledger.due_mails(now + HOUR_MS - 1, 10) == []
    assert ledger.due_mails(now + HOUR_MS, 10) == [replace(second, attempts=1)]
    assert ledger.waiting_mails() == 1
    ledger.mark_sent(second.id, now + HOUR_MS)
    assert ledger.waiting_mails() == 0
    assert tuple(ledger.mails(SITE)) == evaluation.mails


def test_a_mail_keeps_the_alert_as_it_was_when_it_was_decided(ledger: Ledger) -> None:
    opened = alert(T0, AlertState.OPEN)
    cleared = alert(T0, AlertState.CLEARED, loss_mwh=9)
    said, unsaid = mail(opened), mail(cleared, MailReason.CLEARED)
    ledger.commit(Evaluation(SITE, T0, T0, alerts=(opened,), mails=(said,)), None)
    ledger.commit(Evaluation(SITE, T0 + HOUR_MS, T0 + HOUR_MS, alerts=(cleared,), mails=(unsaid,)), T0)
    assert ledger.mails(SITE) == [said, unsaid]


def test_the_same_mail_decided_twice_is_one_mail(ledger: Ledger) -> None:
    told = mail(alert(T0, AlertState.OPEN))
    ledger.commit(Evaluation(SITE, T0, T0, mails=(told, told)), None)
    ledger.mark_sent(told.id, T0)
    again = replace(told, alert=replace(told.alert, loss_mwh=0))
    assert again.id == told.id
    ledger.commit(Evaluation(SITE, T0 + HOUR_MS, T0 + HOUR_MS, mails=(again,)), T0)
    assert ledger.mails(SITE) == [told]
    assert ledger.waiting_mails() == 0


def test_an_unknown_mail_cannot_be_marked(ledger: Ledger) -> None:
    with pytest.raises(StoreError, match="there is no mail 'x'"):
        ledger.mark_sent("x", T0)
    with pytest.raises(StoreError, match="there is no mail 'x'"):
        ledger.mark_failed("x", T0, "")


# Opening


def test_a_newer_ledger_is_left_alone_with_words(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    Ledger(f"sqlite:///{path}").close()
    connection = sqlite3.connect(path)
    connection.execute("UPDATE meta SET schema_version = 2")
    connection.commit()
    connection.close()
    with pytest.raises(StoreError, match="tables of version 2, this program knows version 1"):
        Ledger(f"sqlite:///{path}")


def test_what_is_no_ledger_is_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "garbage.db").write_bytes(b"this is no database at all" * 100)
    SqliteReadings(tmp_path / "readings.db").close()
    for name, words in (
        ("garbage.db", "not a database"),
        ("readings.db", "no ledger"),
        ("none/ledger.db", "unable to open"),
    ):
        with pytest.raises(StoreError, match=words):
            Ledger(f"sqlite:///{tmp_path / name}")
    with pytest.raises(StoreError, match="opening failed"):
        Ledger("no address at all")


def test_a_file_is_durable_and_keeps_its_references(tmp_path: Path) -> None:
    with Ledger(f"sqlite:///{tmp_path / 'ledger.db'}") as ledger, ledger._engine.connect() as connection:
        settings = [connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in ("journal_mode", "synchronous")]
        assert settings == ["wal", 2]
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1


def test_reading_waits_for_no_writer(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    with Ledger(f"sqlite:///{path}") as ledger:
        reach(ledger, T0)
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        assert ledger.evaluated_until(SITE) == T0
        with Ledger(f"sqlite:///{path}") as another:
            assert another.alerts(SITE) == []
        other.execute("ROLLBACK")
        other.close()


def test_a_document_is_kept_once_and_with_the_events_that_name_it(ledger: Ledger) -> None:
    picture = Document.of("image/jpeg", b"\xff\xd8 digits")
    drafts = [Draft(EventKind.TYPED_READING, "meter-1", T0, {"photo": picture.sha256, "n": n}) for n in (1.0, 2.0)]
    first, second = ledger.add_events(SITE, drafts, T0, (picture,))
    ledger.add_events(SITE, drafts[:1], T0 + HOUR_MS, (picture,))
    assert first.received_ms == second.received_ms
    assert [event.values["n"] for event in ledger.events(SITE, T0 + DAY_MS)[0]] == [1.0, 2.0, 1.0]
    assert ledger.document(picture.sha256) == picture
    assert ledger.document("0" * 64) is None

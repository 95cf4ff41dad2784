"""One cause, one alert: what an alert that names the cause takes over, alike however time is cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.alert.lifecycle import Change
from watcher.alert.mailing import mails_of
from watcher.alert.policy import POLICY, Policies
from watcher.alert.takeover import Key, walk
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement
from watcher.domain.alert import Alert, AlertState, ClosedAs
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, POINTS_A_DAY, parse_iso
from watcher.domain.site import Site

T0 = parse_iso("2026-06-21T00:00:00Z")
LETTERS = {"?": UNKNOWN, "o": OK, "F": FAULT}
STRING, DEAD, LOW = Finding.STRING_OPEN, Finding.NO_GENERATION, Finding.OUTPUT_LOW
BY = {LOW: (STRING, DEAD, Finding.EARTH_FAULT), DEAD: (Finding.EARTH_FAULT,)}
BRISK = {
    finding: replace(POLICY[finding], hold_ms=hold * GRID_MS, clear_ms=2 * GRID_MS, unit_ms=GRID_MS)
    for finding, hold in ((STRING, 2), (DEAD, 0), (LOW, 2), (Finding.EARTH_FAULT, 0))
}
TABLE = Policies(BRISK)


def judgement(finding: Finding, subject: str, text: str, *, loss: float = 1000.0, back: int = 0) -> Judgement:
    """A judgement from letters; the onset lies so many points before its first fault."""
    n = len(text)
    verdict = np.array([LETTERS[letter] for letter in text], dtype=np.int8)
    fault, zero = verdict == FAULT, np.zeros(n, dtype=np.int8)
    first = int(np.argmax(fault)) if fault.any() else 0
    onset = np.full(n, T0 + GRID_MS * (first - back), dtype=np.int64)
    return Judgement(
        finding, subject, verdict, zero, ("told",), zero, ((),), np.full(n, np.nan), np.full(n, np.nan), "",
        onset, onset - GRID_MS, onset, np.where(fault, loss, 0.0), np.zeros(n), 0.2, lambda at: {"point": float(at)},
    )  # fmt: skip


def cut_walk(judged: Mapping[Key, Judgement], cuts: Sequence[int] = ()) -> tuple[dict[str, Alert], list[Change]]:
    """Alerts at the end and every change of state, the points walked piece by piece."""
    n = len(next(iter(judged.values())).verdict)
    standing: dict[Key, Alert] = {}
    alerts: dict[str, Alert] = {}
    moves: list[Change] = []
    for first, stop in pairwise(sorted({0, n, *(cut for cut in cuts if 0 < cut < n)})):
        for key, changes in walk("home-1", judged, standing, TABLE, range(first, stop), T0, BY).items():
            for change in changes:
                alerts.pop(change.id, None)
                standing.pop(key, None)
                if change.alert is not None:
                    alerts[change.id] = change.alert
                    if change.alert.state is not AlertState.CLEARED:
                        standing[key] = change.alert
                if change.alert is None or change.before is not change.alert.state:
                    moves.append(change)
    return alerts, sorted(moves, key=lambda move: (move.point_ms, move.id))


def judged_of(*rows: tuple[Finding, str, str], **more: float) -> dict[Key, Judgement]:
    return {(finding, subject): judgement(finding, subject, text) for finding, subject, text in rows}


def test_the_cause_takes_over_what_stood_before_it() -> None:
    alerts, moves = cut_walk(
        judged_of((STRING, "inverter-1.input-2", "????FFFoo"), (LOW, "inverter-1", "FFFFFFFF?")),
    )
    by_finding = {alert.finding: alert for alert in alerts.values()}
    assert set(by_finding) == {STRING, LOW}, "no second low output while the cause was known"
    low, string = by_finding[LOW], by_finding[STRING]
    assert (low.closed_as, low.cleared_ms) == (ClosedAs.REPLACED, string.opened_ms)
    assert string.onset_ms == low.onset_ms
    assert string.closed_as is ClosedAs.RECOVERED
    site = Site("home-1", "Home", 0.0, 0.0, 0.0, None)  # type: ignore[arg-type]
    (over,) = [move for move in moves if move.alert is not None and move.alert.closed_as is ClosedAs.REPLACED]
    assert list(mails_of(over, site, TABLE[LOW])) == []


def test_what_was_lost_before_the_causes_own_onset_is_added_and_nothing_twice() -> None:
    low = judgement(LOW, "inverter-1", "FFFFFFFFFF")
    string = judgement(STRING, "inverter-1.input-2", "??????FFF?")
    alerts, _ = cut_walk({(STRING, string.subject): string, (LOW, low.subject): low})
    by_finding = {alert.finding: alert for alert in alerts.values()}
    replaced_at = (by_finding[LOW].cleared_ms or 0) - by_finding[LOW].onset_ms
    before = (T0 + 6 * GRID_MS - by_finding[LOW].onset_ms) / replaced_at
    assert 0.5 < before < 1.0
    assert by_finding[STRING].loss_mwh == 3000 + round(before * by_finding[LOW].loss_mwh)
    assert by_finding[STRING].loss_low_mwh < by_finding[STRING].loss_mwh < by_finding[STRING].loss_high_mwh


def test_a_cause_that_began_earlier_counts_all_of_it_itself() -> None:
    string = judgement(STRING, "inverter-1.input-2", "????FFF???", back=40)
    low = judgement(LOW, "inverter-1", "FFFFFFFFFF")
    alerts, _ = cut_walk({(STRING, string.subject): string, (LOW, low.subject): low})
    (taken,) = [alert for alert in alerts.values() if alert.finding is STRING]
    assert (taken.loss_mwh, taken.onset_ms) == (3000, T0 + GRID_MS * (4 - 40))


@pytest.mark.parametrize(
    ("string", "low", "why"),
    [
        pytest.param("inverter-2.input-1", "FFFFFFFFF", "another device explains nothing", id="another device"),
        pytest.param("inverter-1.input-2", "?????????", "nothing to take over", id="nothing there"),
    ],
)
def test_what_is_not_explained_is_left_alone(string: str, low: str, why: str) -> None:
    alerts, _ = cut_walk(judged_of((STRING, string, "????FFFFF"), (LOW, "inverter-1", low)))
    assert {alert.closed_as for alert in alerts.values()} == {None}, why


def test_a_suspicion_of_the_cause_takes_nothing_over_and_a_suspicion_is_dropped() -> None:
    alerts, _ = cut_walk(judged_of((STRING, "inverter-1.input-2", "???F?????"), (LOW, "inverter-1", "FFFFFFFFF")))
    assert {alert.finding: alert.state for alert in alerts.values()} == {
        STRING: AlertState.SUSPECTED,
        LOW: AlertState.OPEN,
    }
    alerts, moves = cut_walk(judged_of((STRING, "inverter-1.input-2", "FF???????"), (LOW, "inverter-1", "F????????")))
    assert [alert.finding for alert in alerts.values()] == [STRING]
    assert any(move.alert is None for move in moves)


def test_when_the_cause_is_over_what_is_still_wrong_is_told_again() -> None:
    alerts, _ = cut_walk(judged_of((STRING, "inverter-1.input-2", "FFFoo????"), (LOW, "inverter-1", "FFFFFFFFF")))
    (low,) = [alert for alert in alerts.values() if alert.finding is LOW]
    assert low.state is AlertState.OPEN
    assert low.written_ms == T0 + 5 * GRID_MS


def test_causes_stand_in_a_row() -> None:
    """Low output comes of a standstill, and that of an earth fault: one alert is left."""
    text = "?" * 3
    alerts, _ = cut_walk(
        judged_of(
            (Finding.EARTH_FAULT, "inverter-1", text + "???F?????"),
            (DEAD, "inverter-1", text + "?FFFFFFFF"),
            (LOW, "inverter-1", "FFF" + "FFFFFFFFF"),
        )
    )
    ended = {alert.finding: alert.closed_as for alert in alerts.values()}
    assert ended == {Finding.EARTH_FAULT: None, DEAD: ClosedAs.REPLACED, LOW: ClosedAs.REPLACED}


def test_a_safety_alert_that_waits_for_its_inspection_does_not_explain_for_ever() -> None:
    later = "?" * (POINTS_A_DAY + 3)
    alerts, _ = cut_walk(
        judged_of((Finding.EARTH_FAULT, "inverter-1", "F" + later), (DEAD, "inverter-1", "?" * 4 + later[4:] + "F"))
    )
    assert {alert.finding: alert.state for alert in alerts.values()} == {
        Finding.EARTH_FAULT: AlertState.OPEN,
        DEAD: AlertState.OPEN,
    }


def test_what_was_taken_over_goes_on_to_whoever_takes_over_the_taker() -> None:
    judged = judged_of(
        (Finding.EARTH_FAULT, "inverter-1", "?" * 8 + "F"),
        (DEAD, "inverter-1", "??F??????"),
        (LOW, "inverter-1", "FF???????"),
    )
    whole, _ = cut_walk(judged)
    (earth,) = [alert for alert in whole.values() if alert.finding is Finding.EARTH_FAULT]
    assert earth.onset_ms == min(alert.onset_ms for alert in whole.values())
    assert cut_walk(judged, [3]) == cut_walk(judged)


letters = st.text(alphabet="?oF", min_size=24, max_size=24)


@given(string=letters, dead=letters, low=letters, earth=letters, cuts=st.lists(st.integers(1, 23), max_size=6))
def test_it_comes_out_the_same_however_time_is_cut(
    string: str, dead: str, low: str, earth: str, cuts: list[int]
) -> None:
    judged = judged_of(
        (Finding.EARTH_FAULT, "inverter-1", earth),
        (DEAD, "inverter-1", dead),
        (STRING, "inverter-1.input-2", string),
        (LOW, "inverter-1", low),
    )
    assert cut_walk(judged, cuts) == cut_walk(judged)


@given(string=letters, dead=letters, low=letters)
def test_never_two_open_at_once_where_one_explains_the_other(string: str, dead: str, low: str) -> None:
    judged = judged_of((DEAD, "inverter-1", dead), (STRING, "inverter-1.input-2", string), (LOW, "inverter-1", low))
    alerts, _ = cut_walk(judged)

    def stretches(*findings: Finding) -> list[range]:
        return [
            range(alert.opened_ms, alert.cleared_ms or 2**60)
            for alert in alerts.values()
            if alert.finding in findings and alert.opened_ms is not None
        ]

    for one in stretches(LOW):
        assert all(one.stop <= other.start or other.stop <= one.start for other in stretches(STRING, DEAD))

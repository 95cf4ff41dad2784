"""The life of an alert: every cell of the table, and the walk along a judgement however it is cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.alert.lifecycle import TRANSITIONS, Change, Rest, Signal, advance, next_state, runs
from watcher.alert.policy import POLICY, Policy
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement
from watcher.domain.alert import Alert, AlertState, ClosedAs
from watcher.domain.evaluation import continues
from watcher.domain.finding import Finding, Verdict, VerdictRun
from watcher.domain.instant import GRID_MS, parse_iso

NONE, SUSPECTED, OPEN, CLEARED = Rest.NONE, AlertState.SUSPECTED, AlertState.OPEN, AlertState.CLEARED
T0 = parse_iso("2026-06-21T00:00:00Z")
HELD = replace(POLICY[Finding.STRING_OPEN], hold_ms=3 * GRID_MS, clear_ms=2 * GRID_MS)
AT_ONCE = replace(HELD, hold_ms=0, clear_ms=GRID_MS)
LETTERS = {"?": UNKNOWN, "o": OK, "F": FAULT}


@pytest.mark.parametrize(
    ("state", "signal", "after"),
    [
        # The table of the design, typed a second time.
        (NONE, Signal.FAULT_BRIEF, SUSPECTED),
        (NONE, Signal.FAULT_HELD, OPEN),
        (NONE, Signal.OK_BRIEF, NONE),
        (NONE, Signal.OK_HELD, NONE),
        (NONE, Signal.WITHDRAWN, NONE),
        (NONE, Signal.RECORD_CHANGED, NONE),
        (NONE, Signal.INSPECTED, NONE),
        (NONE, Signal.REPLACED, NONE),
        (NONE, Signal.UNKNOWN, NONE),
        (SUSPECTED, Signal.FAULT_BRIEF, SUSPECTED),
        (SUSPECTED, Signal.FAULT_HELD, OPEN),
        (SUSPECTED, Signal.OK_BRIEF, SUSPECTED),
        (SUSPECTED, Signal.OK_HELD, NONE),
        (SUSPECTED, Signal.WITHDRAWN, NONE),
        (SUSPECTED, Signal.RECORD_CHANGED, NONE),
        (SUSPECTED, Signal.INSPECTED, NONE),
        (SUSPECTED, Signal.REPLACED, NONE),
        (SUSPECTED, Signal.UNKNOWN, SUSPECTED),
        (OPEN, Signal.FAULT_BRIEF, OPEN),
        (OPEN, Signal.FAULT_HELD, OPEN),
        (OPEN, Signal.OK_BRIEF, OPEN),
        (OPEN, Signal.OK_HELD, CLEARED),
        (OPEN, Signal.WITHDRAWN, CLEARED),
        (OPEN, Signal.RECORD_CHANGED, CLEARED),
        (OPEN, Signal.INSPECTED, CLEARED),
        (OPEN, Signal.REPLACED, CLEARED),
        (OPEN, Signal.UNKNOWN, OPEN),
    ],
)
def test_each_cell_of_the_table(state: AlertState | Rest, signal: Signal, after: AlertState | Rest) -> None:
    assert next_state(state, signal) is after


def test_the_table_has_a_cell_for_every_state_and_signal_but_the_terminal_one() -> None:
    assert set(TRANSITIONS) == {*AlertState, *Rest}
    assert {state: set(row) for state, row in TRANSITIONS.items()} == {
        state: set() if state is CLEARED else set(Signal) for state in TRANSITIONS
    }


@pytest.mark.parametrize("signal", Signal)
def test_nothing_leads_out_of_cleared(signal: Signal) -> None:
    with pytest.raises(ValueError, match="no move from cleared"):
        next_state(CLEARED, signal)


@pytest.mark.parametrize("letter", ["F", "o"])
def test_a_cleared_alert_cannot_be_moved_and_stays_as_it_was(letter: str) -> None:
    (*_, last) = walk("FFFoo", HELD)
    assert last.alert is not None
    assert last.alert.state is CLEARED
    before = replace(last.alert)
    with pytest.raises(ValueError, match="no move from cleared"):
        list(advance("home-1", last.alert, judgement(letter), HELD, range(1), T0))
    assert last.alert == before


def judgement(text: str, *, loss: Sequence[float] = (), withdrawn: Sequence[int] | None = None) -> Judgement:
    """A judgement from letters: ? unknown, o fine, F at fault."""
    n = len(text)
    verdict = np.array([LETTERS[letter] for letter in text], dtype=np.int8)
    lost = np.where(verdict == FAULT, np.array(loss) if len(loss) else np.arange(1.0, n + 1.0), 0.0)
    index = np.arange(n, dtype=np.int64)
    return Judgement(
        finding=Finding.STRING_OPEN,
        subject="inverter-1.input-2",
        verdict=verdict,
        code=verdict,
        codes=("not-judged", "fine", "at-fault"),
        cause=np.where(verdict == FAULT, index % 2, 0).astype(np.int8),
        cause_sets=((), ("voltage-none",)),
        observed=index.astype(np.float64),
        expected=np.full(n, np.nan),
        unit="W",
        onset_ms=T0 + GRID_MS * index - 1000,
        onset_low_ms=T0 + GRID_MS * index - 2000,
        onset_high_ms=T0 + GRID_MS * index,
        loss_mwh=lost,
        arrears_mwh=np.where(verdict == FAULT, 1000.0, 0.0),
        loss_share=0.2,
        evidence=lambda point: {"point": float(point)},
        withdrawn_from_ms=None if withdrawn is None else np.array(withdrawn, dtype=np.int64),
    )


def walk(text: str, policy: Policy, standing: Alert | None = None) -> list[Change]:
    return list(advance("home-1", standing, judgement(text), policy, range(len(text)), T0))


def point_ms(index: int) -> int:
    return T0 + GRID_MS * (index + 1)


@pytest.mark.parametrize(
    ("text", "moves"),
    [
        pytest.param("FFF", [(NONE, SUSPECTED, 0), (SUSPECTED, OPEN, 2)], id="held long enough"),
        pytest.param(
            "F??????F????F", [(NONE, SUSPECTED, 0), (SUSPECTED, OPEN, 12)], id="nights count for neither side"
        ),
        pytest.param("FoFoF", [(NONE, SUSPECTED, 0), (SUSPECTED, OPEN, 4)], id="one good interval is no acquittal"),
        pytest.param("Foo", [(NONE, SUSPECTED, 0), (SUSPECTED, None, 2)], id="a suspicion comes to nothing"),
        pytest.param(
            "FooF", [(NONE, SUSPECTED, 0), (SUSPECTED, None, 2), (NONE, SUSPECTED, 3)], id="and begins anew as another"
        ),
        pytest.param("FFFoFoF", [(NONE, SUSPECTED, 0), (SUSPECTED, OPEN, 2)], id="flapping clears nothing"),
        pytest.param(
            "FFFo???o", [(NONE, SUSPECTED, 0), (SUSPECTED, OPEN, 2), (OPEN, CLEARED, 7)], id="well over a night"
        ),
        pytest.param(
            "FFFooF",
            [(NONE, SUSPECTED, 0), (SUSPECTED, OPEN, 2), (OPEN, CLEARED, 4), (NONE, SUSPECTED, 5)],
            id="a fault that returns is a new alert",
        ),
        pytest.param("oo??o", [], id="nothing comes of nothing"),
        pytest.param("????", [], id="unknown opens nothing"),
    ],
)
def test_the_walk(text: str, moves: list[tuple[object, object, int]]) -> None:
    found = [
        (change.before, change.alert.state if change.alert else None, change.point_ms)
        for change in walk(text, HELD)
        if change.alert is None or change.before is not change.alert.state
    ]
    assert found == [(before, after, point_ms(index)) for before, after, index in moves]


def test_a_finding_that_need_not_hold_opens_with_its_first_point() -> None:
    (opened,) = walk("?F", AT_ONCE)
    assert opened.before is NONE
    assert opened.alert is not None
    assert (opened.alert.state, opened.alert.opened_ms, opened.alert.written_ms) == (OPEN, point_ms(1), point_ms(1))


@pytest.mark.parametrize("state", [SUSPECTED, OPEN])
def test_unknown_moves_no_alert(state: AlertState) -> None:
    (*_, last) = walk("F" if state is SUSPECTED else "FFF", HELD)
    assert last.alert is not None
    assert last.alert.state is state
    assert walk("?" * 5000, HELD, last.alert) == []


def test_an_alert_takes_its_id_and_onset_from_its_first_fault() -> None:
    first, *_, last = walk("?F?FF", HELD)
    assert first.id == last.id == "home-1/string-open/inverter-1.input-2@20260621T0010Z"
    assert last.alert is not None
    assert last.alert.written_ms == point_ms(1)
    assert last.alert.onset_ms == T0 + GRID_MS - 1000
    assert (last.alert.onset_low_ms, last.alert.onset_high_ms) == (T0 + GRID_MS - 2000, T0 + GRID_MS)


def test_evidence_time_is_counted_and_a_new_fault_takes_back_what_spoke_for_it() -> None:
    *_, last = walk("FFFo??o"[:6], HELD)
    assert last.alert is not None
    assert (last.alert.fault_ms, last.alert.ok_ms) == (3 * GRID_MS, GRID_MS)
    *_, again = walk("F", HELD, last.alert)
    assert again.alert is not None
    assert (again.alert.fault_ms, again.alert.ok_ms) == (4 * GRID_MS, 0)


def test_what_was_lost_is_what_came_before_once_and_then_each_point() -> None:
    *_, last = walk("?F?oF", HELD)
    assert last.alert is not None
    assert last.alert.loss_mwh == 1000 + 2 + 5
    assert (last.alert.loss_low_mwh, last.alert.loss_high_mwh) == (round(1007 * 0.8), round(1007 * 1.2))


def test_evidence_and_cause_are_those_of_the_latest_fault() -> None:
    *_, last = walk("FFFFo", HELD)
    assert last.alert is not None
    assert last.alert.evidence == {"point": 3.0}
    assert last.alert.causes == ("voltage-none",)
    *_, later = walk("F", HELD, last.alert)  # a point without a cause of its own
    assert later.alert is not None
    assert later.alert.causes == ("voltage-none",)


def test_better_knowledge_withdraws_what_it_reaches_back_to_and_nothing_older() -> None:
    *_, opened = walk("FFF", HELD)
    assert opened.alert is not None
    onset_ms = opened.alert.onset_ms
    for from_ms, closed_as in ((onset_ms, ClosedAs.WITHDRAWN), (onset_ms + 1, None), (0, None)):
        text = judgement("o", withdrawn=[from_ms])
        (change,) = advance("home-1", opened.alert, text, HELD, range(1), point_ms(9))
        assert change.alert is not None
        assert change.alert.closed_as is closed_as
    suspected = replace(opened.alert, state=SUSPECTED, opened_ms=None)
    (dropped,) = advance("home-1", suspected, judgement("o", withdrawn=[onset_ms]), HELD, range(1), point_ms(9))
    assert dropped.alert is None


def test_clearing_says_when_and_as_what() -> None:
    *_, cleared = walk("FFFoo", HELD)
    assert cleared.alert is not None
    assert (cleared.alert.state, cleared.alert.cleared_ms) == (CLEARED, point_ms(4))
    assert cleared.alert.closed_as is ClosedAs.RECOVERED


verdicts = st.text(alphabet="?oF", min_size=1, max_size=60)
cuts_of = st.lists(st.integers(1, 59), max_size=8)


def _walked(text: str, cuts: Sequence[int], policy: Policy) -> tuple[dict[str, Alert], list[str], list[Change]]:
    """Alerts at the end, suspicions dropped, and the changes of state, walking piece by piece."""
    found = judgement(text)
    alerts: dict[str, Alert] = {}
    dropped: list[str] = []
    moves: list[Change] = []
    standing: Alert | None = None
    edges = sorted({0, len(text), *(cut for cut in cuts if cut < len(text))})
    for first, stop in pairwise(edges):
        for change in advance("home-1", standing, found, policy, range(first, stop), T0):
            if change.alert is None:
                dropped.append(change.id)
                alerts.pop(change.id, None)
                standing = None
            else:
                alerts[change.id] = change.alert
                standing = change.alert if change.alert.state is not CLEARED else None
            if change.alert is None or change.before is not change.alert.state:
                moves.append(change)
    return alerts, dropped, moves


@given(text=verdicts, cuts=cuts_of, policy=st.sampled_from([HELD, AT_ONCE]))
def test_the_walk_is_the_same_however_it_is_cut(text: str, cuts: list[int], policy: Policy) -> None:
    assert _walked(text, cuts, policy) == _walked(text, [], policy)


@given(text=verdicts, extra=st.lists(st.integers(0, 59), max_size=20))
def test_points_of_which_nothing_is_known_change_no_outcome(text: str, extra: list[int]) -> None:
    stretched = list(text)
    for at in extra:
        stretched.insert(at % (len(stretched) + 1), "?")
    sums = []
    for letters in (text, "".join(stretched)):
        *_, (alerts, _, moves) = [_walked(letters, [], HELD)]
        states = [(move.before, move.alert.state if move.alert else None) for move in moves]
        sums.append((states, [(alert.fault_ms, alert.ok_ms) for alert in alerts.values()]))
    assert sums[0] == sums[1]


@given(text=verdicts, cuts=cuts_of)
def test_runs_join_again_at_every_cut(text: str, cuts: list[int]) -> None:
    found = judgement(text)
    edges = sorted({0, len(text), *(cut for cut in cuts if cut < len(text))})
    joined: list[VerdictRun] = []
    for first, stop in pairwise(edges):
        for run in runs("home-1", found, range(first, stop), T0):
            if joined and continues(joined[-1], run, GRID_MS):
                joined[-1] = replace(joined[-1], last_ms=run.last_ms, loss_mwh=joined[-1].loss_mwh + run.loss_mwh)
            else:
                joined.append(run)
    assert joined == list(runs("home-1", found, range(len(text)), T0))
    assert joined[0].first_ms == point_ms(0)
    assert joined[-1].last_ms == point_ms(len(text) - 1)
    assert sum(run.loss_mwh for run in joined) == int(found.loss_mwh.sum())
    assert {run.verdict for run in joined} <= set(Verdict)

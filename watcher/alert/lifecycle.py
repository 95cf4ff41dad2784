"""The life of an alert: one table, and the loop that walks a judgement along it.

Rules: unknown moves nothing. CLEARED is terminal; a fault that comes back is a new alert. Evidence time counts
only points with a verdict. The walk goes point by point, so it comes out the same however time was cut. What is of the
class safety recovers in no one's eyes but an inspector's. An alert whose cause has been told is taken over by that one.

To add a state or a signal: extend the table, `_signal`, and tests/alert/test_lifecycle.py, which checks every cell.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

import numpy as np

from watcher.alert.policy import Policy
from watcher.align.window import Bools
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement
from watcher.domain.alert import Alert, AlertClass, AlertState, ClosedAs
from watcher.domain.finding import Verdict, VerdictRun
from watcher.domain.instant import GRID_MS


class Signal(StrEnum):
    FAULT_BRIEF = "fault-brief"
    FAULT_HELD = "fault-held"
    OK_BRIEF = "ok-brief"
    OK_HELD = "ok-held"
    WITHDRAWN = "withdrawn"  # better knowledge finds that nothing was wrong
    RECORD_CHANGED = "record-changed"  # what was judged is no longer on file
    INSPECTED = "inspected"  # someone has looked at it and said so
    REPLACED = "replaced"  # another alert says what this one comes of
    UNKNOWN = "unknown"


class Rest(StrEnum):
    """Where no alert stands: nothing yet, or a suspicion that came to nothing."""

    NONE = "none"


TRANSITIONS: Mapping[AlertState | Rest, Mapping[Signal, AlertState | Rest]] = {
    Rest.NONE: {
        Signal.FAULT_BRIEF: AlertState.SUSPECTED,
        Signal.FAULT_HELD: AlertState.OPEN,
        Signal.OK_BRIEF: Rest.NONE,
        Signal.OK_HELD: Rest.NONE,
        Signal.WITHDRAWN: Rest.NONE,
        Signal.RECORD_CHANGED: Rest.NONE,
        Signal.INSPECTED: Rest.NONE,
        Signal.REPLACED: Rest.NONE,
        Signal.UNKNOWN: Rest.NONE,
    },
    AlertState.SUSPECTED: {
        Signal.FAULT_BRIEF: AlertState.SUSPECTED,
        Signal.FAULT_HELD: AlertState.OPEN,
        Signal.OK_BRIEF: AlertState.SUSPECTED,
        Signal.OK_HELD: Rest.NONE,
        Signal.WITHDRAWN: Rest.NONE,
        Signal.RECORD_CHANGED: Rest.NONE,
        Signal.INSPECTED: Rest.NONE,
        Signal.REPLACED: Rest.NONE,
        Signal.UNKNOWN: AlertState.SUSPECTED,
    },
    AlertState.OPEN: {
        Signal.FAULT_BRIEF: AlertState.OPEN,
        Signal.FAULT_HELD: AlertState.OPEN,
        Signal.OK_BRIEF: AlertState.OPEN,  # one good interval is not a repair
        Signal.OK_HELD: AlertState.CLEARED,
        Signal.WITHDRAWN: AlertState.CLEARED,
        Signal.RECORD_CHANGED: AlertState.CLEARED,
        Signal.INSPECTED: AlertState.CLEARED,
        Signal.REPLACED: AlertState.CLEARED,
        Signal.UNKNOWN: AlertState.OPEN,  # night and silence repair nothing
    },
    AlertState.CLEARED: {},
}


def next_state(state: AlertState | Rest, signal: Signal) -> AlertState | Rest:
    """The table's cell. ValueError for a move there is none for."""
    try:
        return TRANSITIONS[state][signal]
    except KeyError:
        raise ValueError(f"no move from {state} by {signal}") from None


@dataclass(frozen=True, slots=True)
class Change:
    """An alert at a moment worth writing down. point_ms: the grid point. alert None: a suspicion dropped."""

    point_ms: int
    id: str
    before: AlertState | Rest
    alert: Alert | None


def advance(
    site: str,
    standing: Alert | None,
    judgement: Judgement,
    policy: Policy,
    points: range,
    start_ms: int,
    covered: Bools | None = None,
    handed: Mapping[int, Sequence[Alert]] | None = None,
) -> Iterator[Change]:
    """Walk one subject's alert over the points (indices into the window, start_ms its start).

    covered: points at which another alert on the device says what this comes of: none opens, one that stands is taken
        over
    handed: alerts that this one takes over, by point
    Yields a change at each change of state, and one at the end where evidence was added to a standing alert.
    """
    alert, touched, latest = standing, False, -1
    verdicts = judgement.verdict
    if alert is None and not (verdicts[points.start : points.stop] == FAULT).any():
        return
    for point in points:
        verdict = int(verdicts[point])
        point_ms = start_ms + GRID_MS * (point + 1)
        if covered is not None and covered[point]:
            if alert is not None:
                yield ended(_with_evidence(alert, judgement, latest), point_ms, Signal.REPLACED)
                alert, touched, latest = None, False, -1
            continue
        if handed and point in handed and alert is not None and alert.state is AlertState.OPEN:
            alert, touched = _with_taken(alert, handed[point], point_ms), True
        if verdict == UNKNOWN or (verdict == OK and (alert is None or policy.alert_class is AlertClass.SAFETY)):
            continue
        before = alert.state if alert is not None else Rest.NONE
        if verdict == FAULT:
            alert = _with_fault(site, alert, judgement, policy, point, point_ms)
            latest = point
        elif alert is not None:
            alert = replace(alert, ok_ms=alert.ok_ms + _worth_ms(judgement, policy, point))
        assert alert is not None
        touched = True
        signal = _signal(judgement, point, alert, policy)
        after = next_state(before, signal)
        if after is before:
            continue
        if after is Rest.NONE:
            yield Change(point_ms, alert.id, before, None)
            alert, touched = None, False
            continue
        assert isinstance(after, AlertState)
        alert = _with_evidence(replace(alert, state=after), judgement, latest)
        if after is AlertState.OPEN:
            alert = replace(alert, opened_ms=point_ms)
            alert = _with_taken(alert, handed.get(point, ()), point_ms) if handed else alert
        elif after is AlertState.CLEARED:
            closed_as = ClosedAs.WITHDRAWN if signal is Signal.WITHDRAWN else ClosedAs.RECOVERED
            alert = replace(alert, cleared_ms=point_ms, closed_as=closed_as)
        yield Change(point_ms, alert.id, before, alert)
        touched, latest = False, -1
        if after is AlertState.CLEARED:
            alert = None
    if alert is not None and touched:
        yield Change(start_ms + GRID_MS * points.stop, alert.id, alert.state, _with_evidence(alert, judgement, latest))


_ENDS = {
    Signal.RECORD_CHANGED: ClosedAs.RECORD_CHANGED,
    Signal.INSPECTED: ClosedAs.INSPECTED,
    Signal.REPLACED: ClosedAs.REPLACED,
}


def ended(alert: Alert, point_ms: int, signal: Signal) -> Change:
    """What becomes of a standing alert whose end is not in the readings: its subject is no longer on file, someone has
    inspected it, or another alert has taken it over."""
    after = next_state(alert.state, signal)
    if after is Rest.NONE:
        return Change(point_ms, alert.id, alert.state, None)
    closed = replace(alert, state=AlertState.CLEARED, cleared_ms=point_ms, closed_as=_ENDS[signal])
    return Change(point_ms, alert.id, alert.state, closed)


def _with_taken(alert: Alert, taken: Sequence[Alert], point_ms: int) -> Alert:
    """The alert with what the ones it takes over had told: the earlier onset, and what was lost before its own.

    Of a loss that began before this alert's onset, the part up to that onset by time; what came after it, this alert
    counts itself.
    """
    for other in taken:
        own_ms = alert.onset_ms
        if other.onset_ms >= own_ms:
            continue
        part = min(1.0, (own_ms - other.onset_ms) / max(point_ms - other.onset_ms, GRID_MS))
        alert = replace(
            alert,
            onset_ms=other.onset_ms,
            onset_low_ms=other.onset_low_ms,
            onset_high_ms=other.onset_high_ms,
            loss_mwh=alert.loss_mwh + round(part * other.loss_mwh),
            loss_low_mwh=alert.loss_low_mwh + round(part * other.loss_low_mwh),
            loss_high_mwh=alert.loss_high_mwh + round(part * other.loss_high_mwh),
        )
    return alert


def _worth_ms(judgement: Judgement, policy: Policy, point: int) -> int:
    """How much evidence time a point's verdict is worth."""
    return policy.unit_ms * (1 if judgement.units is None else int(judgement.units[point]))


def _signal(judgement: Judgement, point: int, alert: Alert, policy: Policy) -> Signal:
    if int(judgement.verdict[point]) == FAULT:
        return Signal.FAULT_HELD if alert.fault_ms >= policy.hold_ms else Signal.FAULT_BRIEF
    if judgement.withdrawn_from_ms is not None and 0 < int(judgement.withdrawn_from_ms[point]) <= alert.onset_ms:
        return Signal.WITHDRAWN
    return Signal.OK_HELD if alert.ok_ms >= policy.clear_ms else Signal.OK_BRIEF


def _with_fault(
    site: str, alert: Alert | None, judgement: Judgement, policy: Policy, point: int, point_ms: int
) -> Alert:
    """The alert with one more interval of fault; a new suspicion where none stood."""
    causes = judgement.cause_sets[int(judgement.cause[point])]
    loss = int(judgement.loss_mwh[point])
    if alert is None:
        loss += int(judgement.arrears_mwh[point])
        alert = Alert(
            site=site,
            finding=judgement.finding,
            subject=judgement.subject,
            state=AlertState.SUSPECTED,
            written_ms=point_ms,
            onset_ms=int(judgement.onset_ms[point]),
            onset_low_ms=int(judgement.onset_low_ms[point]),
            onset_high_ms=int(judgement.onset_high_ms[point]),
        )
    total = alert.loss_mwh + loss
    if judgement.lost_mwh is not None:  # what is known of the whole of it now betters what was said by and by
        total = int(judgement.lost_mwh[point])
    share = float(np.broadcast_to(judgement.loss_share, len(judgement.verdict))[point])
    return replace(
        alert,
        causes=causes or alert.causes,
        fault_ms=alert.fault_ms + _worth_ms(judgement, policy, point),
        ok_ms=0,
        loss_mwh=total,
        loss_low_mwh=round(total * max(1.0 - share, 0.0)),
        loss_high_mwh=round(total * (1.0 + share)),
    )


def _with_evidence(alert: Alert, judgement: Judgement, point: int) -> Alert:
    """The alert with the numbers of its latest fault point, where there is a new one."""
    return alert if point < 0 else replace(alert, evidence=dict(judgement.evidence(point)))


_VERDICTS = {UNKNOWN: Verdict.UNKNOWN, OK: Verdict.OK, FAULT: Verdict.FAULT}


def runs(site: str, judgement: Judgement, points: range, start_ms: int) -> Iterable[VerdictRun]:
    """The judgement over the points as runs of the same verdict, code and causes."""
    part = slice(points.start, points.stop)
    key = np.stack([judgement.verdict[part], judgement.code[part], judgement.cause[part]])
    breaks = np.flatnonzero((key[:, 1:] != key[:, :-1]).any(axis=0)) + 1
    edges = [0, *breaks.tolist(), len(points)]
    for first, stop in pairwise(edges):
        at = points.start + first
        observed, expected = _number(judgement.observed[at]), _number(judgement.expected[at])
        yield VerdictRun(
            site=site,
            finding=judgement.finding,
            subject=judgement.subject,
            first_ms=start_ms + GRID_MS * (at + 1),
            last_ms=start_ms + GRID_MS * (points.start + stop),
            verdict=_VERDICTS[int(judgement.verdict[at])],
            code=judgement.codes[int(judgement.code[at])],
            causes=judgement.cause_sets[int(judgement.cause[at])],
            observed=observed,
            expected=expected,
            unit="" if observed is None and expected is None else judgement.unit,
            loss_mwh=int(np.sum(judgement.loss_mwh[at : points.start + stop])) if judgement.verdict[at] == FAULT else 0,
        )


def _number(value: float) -> float | None:
    """Rounded to what is worth keeping; None for none."""
    return round(float(value), 3) if np.isfinite(value) else None

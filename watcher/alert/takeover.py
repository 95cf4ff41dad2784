"""One cause, one alert: the walk of a site's alerts through a span, in which a cause takes over what it explains.

Rules: who explains stands before what it explains in the registry, so one pass in that order knows everything. While
an explaining alert is open on a device, what it explains opens no alert there, and one that stands closes as replaced
at that very point; the explaining one inherits its onset and what was lost before its own. An alert of the class
safety stands until it is inspected, so it explains only for a day after it was last said.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from watcher.alert.lifecycle import Change, advance
from watcher.alert.policy import Policies
from watcher.align.window import Bools
from watcher.detect.scene import FAULT, Judgement, last_true
from watcher.domain.alert import Alert, AlertClass, AlertState, ClosedAs
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, POINTS_A_DAY

Key = tuple[Finding, str]


def walk(
    site: str,
    judged: Mapping[Key, Judgement],
    standing: Mapping[Key, Alert],
    table: Policies,
    points: range,
    start_ms: int,
    explained_by: Mapping[Finding, Sequence[Finding]],
) -> dict[Key, list[Change]]:
    """The changes of every subject's alert over the points (indices into the window, start_ms its start).

    judged: in the registry's order. standing: alerts as they were before the first point
    """
    walked: dict[Key, list[Change]] = {}
    covered: dict[Key, Bools] = {}
    covers_of: dict[Key, dict[Key, Bools]] = {}
    handed: dict[Key, dict[int, dict[str, Alert]]] = {}

    def advanced(key: Key) -> list[Change]:
        policy, before = table[key[0]], standing.get(key)
        inherited = {at: list(alerts.values()) for at, alerts in handed.get(key, {}).items()}
        return list(advance(site, before, judged[key], policy, points, start_ms, covered.get(key), inherited or None))

    def hand_over(key: Key) -> None:
        """What of this one was taken over goes to its heirs, and from them to theirs."""
        for change in walked[key] if key in covers_of else ():
            if change.alert is None or change.alert.closed_as is not ClosedAs.REPLACED:
                continue
            at = (change.point_ms - start_ms) // GRID_MS - 1
            # Of several the first in the registry.
            heir = next(other for other, cover in covers_of[key].items() if cover[at])
            handed.setdefault(heir, {}).setdefault(at, {})[change.id] = change.alert
            walked[heir] = advanced(heir)
            hand_over(heir)

    for key in judged:
        covers = {
            other: cover
            for other in _explaining(key, walked, standing, explained_by)
            if (cover := _open(standing.get(other), walked[other], judged[other], table, points, start_ms)).any()
        }
        if covers:
            covered[key], covers_of[key] = np.logical_or.reduce(list(covers.values())), covers
        walked[key] = advanced(key)
        hand_over(key)
    return walked


def _explaining(
    key: Key,
    walked: Mapping[Key, Sequence[Change]],
    standing: Mapping[Key, Alert],
    explained_by: Mapping[Finding, Sequence[Finding]],
) -> Iterable[Key]:
    """Which alerts on the same device may explain this one, as far as there are any."""
    by = explained_by.get(key[0], ())
    for other, changes in walked.items() if by else ():
        if other[0] in by and _device(other[1]) == _device(key[1]) and (changes or other in standing):
            yield other


def _open(
    standing: Alert | None,
    changes: Iterable[Change],
    judgement: Judgement,
    table: Policies,
    points: range,
    start_ms: int,
) -> Bools:
    """By point of the window, inside the points: where a subject's alert is open."""
    found = np.zeros(len(judgement.verdict), dtype=bool)
    found[points.start : points.stop] = standing is not None and standing.state is AlertState.OPEN
    for change in changes:
        at = (change.point_ms - start_ms) // GRID_MS - 1
        found[at : points.stop] = change.alert is not None and change.alert.state is AlertState.OPEN
    if table[judgement.finding].alert_class is AlertClass.SAFETY:
        said = last_true(judgement.verdict == FAULT)
        found &= (said >= 0) & (np.arange(len(found)) - said < POINTS_A_DAY)
    return found


def _device(subject: str) -> str:
    return subject.partition(".")[0]

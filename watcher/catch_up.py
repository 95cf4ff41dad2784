"""Judges every due point of a site, span by span, each committed with its consequences.

Live and replay both end here; neither has another way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

from watcher.domain.day import PAST_DAYS, DayFigure, Past
from watcher.domain.evaluation import Evaluation
from watcher.domain.finding import Finding
from watcher.domain.instant import GRACE_MS, GRID_MS, due_through, floor_grid, from_ms
from watcher.domain.site import SiteRecord
from watcher.evaluate import History, Memo, evaluate, next_span
from watcher.store.ledger import Ledger, Superseded


@dataclass(slots=True)
class Case:
    """One site on the bench: where its facts come from and what may be kept between spans.

    parse: a site file's text to its record; texts were checked when they were recorded
    """

    site: str
    history: History
    ledger: Ledger
    parse: Callable[[str], SiteRecord]
    memo: Memo = field(default_factory=Memo)
    _records: dict[str, SiteRecord] = field(default_factory=dict)
    _figures: dict[tuple[Finding, str], dict[date, DayFigure]] = field(default_factory=dict)
    _figures_through_ms: int = -(2**62)

    def record_at(self, point_ms: int) -> tuple[SiteRecord, int | None]:
        """The site file in force at a grid point, and the first point at which another one is (None: none yet)."""
        versions = self.ledger.versions(self.site)
        current = [text for valid_from_ms, text in versions if valid_from_ms <= point_ms][-1]
        later = [valid_from_ms for valid_from_ms, _ in versions if valid_from_ms > point_ms]
        if current not in self._records:
            self._records = {current: self.parse(current)}
            self.memo = Memo()  # what was expected under the former facts is void
        return self._records[current], min(later) if later else None

    def past(self, day_ms: int) -> Past:
        """What was kept of days settled by a UTC midnight up to which all is judged. Asked for in order of time."""
        for figure in self.ledger.figures(self.site, self._figures_through_ms, day_ms):
            self._figures.setdefault((figure.finding, figure.subject), {})[figure.day] = figure
        self._figures_through_ms = max(self._figures_through_ms, day_ms)
        since = from_ms(day_ms).date() - timedelta(days=PAST_DAYS)
        for days in self._figures.values():
            for day in [day for day in days if day < since]:
                del days[day]
        return {key: [days[day] for day in sorted(days)] for key, days in self._figures.items()}


def catch_up(case: Case, through_ms: int | None = None, from_ms: int | None = None) -> Iterator[Evaluation]:
    """Judge and commit, in order, every point that is due; yields each evaluation after its commit.

    through_ms: not beyond this grid point. from_ms: where a site never judged begins (its first reading's grid
    point where not given). A commit that finds itself overtaken is judged anew from what is there now.
    """
    received_ms = case.history.received_through(case.site)
    if received_ms is None:
        return
    due_ms = due_through(received_ms)
    if through_ms is not None:
        due_ms = min(due_ms, through_ms)
    while True:
        until_ms = case.ledger.evaluated_until(case.site)
        begin_ms = until_ms if until_ms is not None else _beginning(case, from_ms, received_ms)
        if begin_ms is None:
            return
        record, next_version_ms = case.record_at(begin_ms + GRID_MS)
        end_ms = due_ms if next_version_ms is None else min(due_ms, floor_grid(next_version_ms - 1))
        events, newest = case.ledger.events(case.site, due_ms + GRACE_MS)
        standing = case.ledger.standing_alerts(case.site)
        span = next_span(record, case.history, events, standing, begin_ms, end_ms)
        if span is None:
            return
        evaluation = replace(
            evaluate(record, case.history, events, standing, span, case.memo, case.past(span.day_ms)),
            events_seen=newest,
        )
        try:
            case.ledger.commit(evaluation, until_ms)
        except Superseded:
            continue
        yield evaluation


def _beginning(case: Case, from_ms: int | None, received_ms: int) -> int | None:
    """The grid point before the first one to judge."""
    if from_ms is not None:
        return floor_grid(from_ms)
    first_ms = case.history.first(case.site)
    return None if first_ms is None else floor_grid(min(first_ms, received_ms))

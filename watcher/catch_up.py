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
from watcher.domain.model import Model
from watcher.domain.site import SiteRecord
from watcher.evaluate import History, Memo, evaluate, next_span
from watcher.expect.learned import newest
from watcher.store.ledger import Ledger, Superseded
from watcher.train import REACH_DAYS as TRAINING_DAYS
from watcher.train import Digest, subjects, train
from watcher.train import due as training_due


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
    _models: list[Model] = field(default_factory=list)
    _digest: Digest = field(default_factory=dict)

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
        since = from_ms(day_ms).date() - timedelta(days=PAST_DAYS)
        for figure in self.ledger.figures(self.site, self._figures_through_ms, day_ms):
            days = self._figures.setdefault((figure.finding, figure.subject), {})
            ascends = not days or figure.day >= next(reversed(days))
            days[figure.day] = figure
            if not ascends:  # a day that settled late
                self._figures[figure.finding, figure.subject] = dict(sorted(days.items()))
        self._figures_through_ms = max(self._figures_through_ms, day_ms)
        for days in self._figures.values():
            while days and (oldest := next(iter(days))) < since:
                del days[oldest]
        return {key: list(days.values()) for key, days in self._figures.items()}

    def models(self, day_ms: int) -> list[Model]:
        """What was learned by a UTC midnight up to which all is judged. Asked for in order of time."""
        after_ms = self._models[-1].made_ms if self._models else -(2**62)
        self._models += self.ledger.models(self.site, after_ms, day_ms)
        return self._models

    def learned(self, record: SiteRecord, until_ms: int | None, past: Past) -> tuple[Model, ...]:
        """What is to be learned at the point up to which all is judged: nothing but at certain midnights, and once."""
        if until_ms is None or not training_due(until_ms):
            return ()
        site, known = record.at(until_ms), self.models(until_ms)
        if any(model.made_ms == until_ms for model in known):
            return ()
        today = from_ms(until_ms).date()
        sheets = self.ledger.sheets(self.site, today - timedelta(days=TRAINING_DAYS), today)
        alerts, before = self.ledger.alerts(self.site), newest(known, until_ms)
        made = []
        for subject in subjects(site):
            figures = past.get((Finding.OUTPUT_LOW, subject), ())
            made.append(train(site, subject, until_ms, sheets, figures, alerts, before.get(subject), self._digest))
        return tuple(model for model in made if model is not None)


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
        events, seen = case.ledger.events(case.site, due_ms + GRACE_MS)
        standing = case.ledger.standing_alerts(case.site)
        span = next_span(record, case.history, events, standing, begin_ms, end_ms)
        if span is None:
            return
        past = case.past(span.day_ms)
        learned = case.learned(record, until_ms, past)
        models = [*case.models(span.day_ms), *learned]
        evaluation = replace(
            evaluate(record, case.history, events, standing, span, case.memo, past, models),
            models=learned,
            events_seen=seen,
        )
        try:
            case.ledger.commit(evaluation, until_ms)
        except Superseded:
            continue
        yield evaluation
        if evaluation.last_ms >= due_ms:
            return


def _beginning(case: Case, from_ms: int | None, received_ms: int) -> int | None:
    """The grid point before the first one to judge."""
    if from_ms is not None:
        return floor_grid(from_ms)
    first_ms = case.history.first(case.site)
    return None if first_ms is None else floor_grid(min(first_ms, received_ms))

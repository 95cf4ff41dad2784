"""One step of judging a site: align, expect, detect, advance, settle, remind. A pure function of what was received.

Rules that make live and replay the same:
- A span is a stretch of grid points that all see the same late rows, events, facts and site file, inside one UTC day.
- The window of every point of a UTC day starts at the same midnight, LOOKBACK_DAYS earlier, and is built whole.
- Detectors look only backwards, so a span of one point and a span of a day give the same verdicts.
- A Memo only saves time; leaving it out changes nothing.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from watcher.alert.inspection import settles
from watcher.alert.lifecycle import Change, Signal, ended, runs
from watcher.alert.mailing import mails_of, reminder_points, reminders
from watcher.alert.policy import Policies, Policy, policies
from watcher.alert.takeover import walk
from watcher.align.build import build_window
from watcher.align.days import settled_day
from watcher.align.roof_work import Away, aways, with_roof_work
from watcher.align.window import Window
from watcher.detect.output_low import EXPLAINERS
from watcher.detect.registry import DETECTORS
from watcher.detect.scene import Judgement, Scene
from watcher.domain.alert import Alert, AlertClass, Mail
from watcher.domain.day import DayFigure, DaySheet, Past, SettledDay
from watcher.domain.evaluation import Evaluation
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding, VerdictRun
from watcher.domain.instant import (
    DAY_MS,
    GRACE_MS,
    GRID_MS,
    HOUR_MS,
    ON_TIME_MS,
    POINTS_A_DAY,
    ceil_grid,
    first_point_that_sees,
    floor_day,
    local_day,
    local_day_of,
)
from watcher.domain.model import Model
from watcher.domain.reading import Late, RawWindow, Reading, Samples
from watcher.domain.site import Site, SiteRecord
from watcher.expect.choose import told
from watcher.expect.day import expect_day, join
from watcher.expect.expectation import Expected
from watcher.expect.learned import in_force
from watcher.settle import REACH_DAYS, Settlements, settlements
from watcher.sheet import day_sheet

LOOKBACK_DAYS = 14
EXPLAINED_BY: Mapping[Finding, tuple[Finding, ...]] = {
    Finding.OUTPUT_LOW: (*EXPLAINERS, Finding.EARTH_FAULT),
    Finding.NO_GENERATION: (Finding.EARTH_FAULT,),
    Finding.LATE_START: (Finding.EARTH_FAULT,),
    # An inverter that turns less of what it gets into output has lost something: what it reads need not be wrong.
    Finding.VALUES_DRIFTING: (Finding.OUTPUT_LOW,),
    Finding.ENERGY_IMBALANCE: (Finding.VALUES_DRIFTING,),
}
"""What an open alert of a finding comes of when one of these is open on the same device: one cause, one alert."""

TELLING = (EventKind.RELEASED, EventKind.MUTE)
LABEL_REACH_MS = HOUR_MS
"""A value may be labelled this long after the interval it speaks of (means over up to an hour)."""


class History(Protocol):
    """What had been received; kept by a store, or read from a file."""

    def window(
        self, site: str, channels: Collection[str] | None, start_ms: int, end_ms: int, received_by_ms: int
    ) -> Mapping[str, Samples]:
        """Rows with start_ms <= time < end_ms that came on time or were received before received_by_ms."""
        ...

    def late(self, site: str, since_ms: int, until_ms: int) -> Sequence[Late]:
        """Rows that did not come on time, received in [since_ms, until_ms)."""
        ...

    def received_through(self, site: str) -> int | None: ...

    def last(self, site: str) -> Mapping[str, Reading]: ...

    def first(self, site: str) -> int | None:
        """The time of the site's oldest row."""
        ...


@dataclass(frozen=True, slots=True)
class Span:
    """Grid points first_ms..last_ms, both included, judged in one pass."""

    first_ms: int
    last_ms: int

    @property
    def day_ms(self) -> int:
        """Midnight UTC of the day whose intervals these points judge."""
        return floor_day(self.first_ms - GRID_MS)


@dataclass(slots=True)
class Memo:
    """What may be kept from one span to the next: rows and expectations of days gone by, by their midnight."""

    raw: dict[int, RawWindow] = field(default_factory=dict)
    begun: dict[int, tuple[int, RawWindow]] = field(default_factory=dict)
    """A day that is not over: until when its rows are complete, and those rows."""
    expected: dict[int, Expected] = field(default_factory=dict)
    unsure: dict[int, tuple[bytes, tuple[str, ...], Expected]] = field(default_factory=dict)
    """Days whose sunshine may still come: what was told of it, the models, and what came of both."""
    seen_by_ms: int = 0
    away: tuple[Away, ...] = ()

    def forget_before(self, day_ms: int) -> None:
        for days in (self.raw, self.begun, self.expected, self.unsure):
            for day in [day for day in days if day < day_ms]:
                del days[day]

    def forget_late(self, lates: Iterable[Late]) -> None:
        """Days that late rows reach into, and the day before: a label just after midnight speaks of it."""
        for late in lates:
            for day in range(floor_day(late.first_ms) - DAY_MS, floor_day(late.last_ms) + DAY_MS, DAY_MS):
                self.raw.pop(day, None)
                self.begun.pop(day, None)
                self.expected.pop(day, None)


def next_span(
    record: SiteRecord,
    history: History,
    events: Sequence[Event],
    standing: Iterable[Alert],
    until_ms: int,
    through_ms: int,
) -> Span | None:
    """The longest stretch after until_ms that sees one state of knowledge; None where nothing is due.

    through_ms: the last grid point that may be judged; the caller cuts it where another site file comes into force.
    """
    first_ms = until_ms + GRID_MS
    if first_ms > through_ms:
        return None
    record = with_roof_work(record, events)
    last_ms = min(through_ms, floor_day(until_ms) + DAY_MS)
    begins = {first_point_that_sees(late.received_ms) for late in history.late(record.id, until_ms, last_ms + GRACE_MS)}
    begins |= {first_point_that_sees(event.received_ms) for event in events}
    # What an event lets someone hear is told at the point that sees it.
    begins |= {first_point_that_sees(event.received_ms) + GRID_MS for event in events if event.kind in TELLING}
    begins |= {ceil_grid(change_ms) + GRID_MS for change_ms in record.changes()}
    for alert in standing:
        site = record.at(until_ms)
        ends = reminder_points(alert, site, policies(site.policy)[alert.finding], last_ms, events)
        begins |= {point_ms + GRID_MS for point_ms in ends}
    return Span(first_ms, min([last_ms, *(point_ms - GRID_MS for point_ms in begins if point_ms > first_ms)]))


def evaluate(
    record: SiteRecord,
    history: History,
    events: Sequence[Event],
    standing: Iterable[Alert],
    span: Span,
    memo: Memo | None = None,
    past: Past | None = None,
    models: Sequence[Model] = (),
) -> Evaluation:
    """Judge the points of one span.

    events: of the site; those received too late for the span are left out
    standing: the site's suspected and open alerts as they were before the span
    past: what day detectors kept of days settled by span.day_ms. models: what was learned by then
    """
    memo = memo if memo is not None else Memo()
    events = [event for event in events if event.received_ms < span.last_ms + GRACE_MS]
    record = with_roof_work(record, events)
    if memo.away != (away := aways(events)):  # what was expected of a day may include an array that was not there
        memo.away = away
        memo.expected.clear()
        memo.unsure.clear()
    site = record.at(span.first_ms - GRID_MS)
    window = _window(record, site, history, events, span, memo)
    expected = _expected(record, window, span, memo, models)
    table = policies(site.policy)
    settling = _settling(record, site, history, span)
    judged = detect(site, window, expected, table, events, settling, past, window.index_of(span.day_ms + GRID_MS))

    points = range(window.index_of(span.first_ms), window.index_of(span.last_ms) + 1)
    before = {(alert.finding, alert.subject): alert for alert in standing}
    after = {alert.id: alert for alert in before.values()}
    changed: dict[str, Alert] = {}
    dropped: list[str] = []
    mails: list[Mail] = []
    written: list[VerdictRun] = []

    def put(changes: Iterable[Change], policy: Policy) -> None:
        for change in changes:
            mails.extend(mails_of(change, site, policy, events))
            if change.alert is None:
                dropped.append(change.id)
                after.pop(change.id, None)
                changed.pop(change.id, None)
            else:
                after[change.id] = changed[change.id] = change.alert

    for judgement in judged.values():
        written += runs(site.id, judgement, points, window.start_ms)
    inspections = [event for event in events if first_point_that_sees(event.received_ms) == span.first_ms]
    for key, alert in tuple(before.items()):
        if any(settles(event, alert, table) for event in inspections):
            put([ended(alert, span.first_ms, Signal.INSPECTED)], table[alert.finding])
            del before[key]
    for (finding, _), changes in walk(site.id, judged, before, table, points, window.start_ms, EXPLAINED_BY).items():
        put(changes, table[finding])
    for key, alert in before.items():
        # What is of the class safety waits for its inspection, device or no device.
        if key not in judged and table[alert.finding].alert_class is not AlertClass.SAFETY:
            put([ended(alert, span.first_ms, Signal.RECORD_CHANGED)], table[alert.finding])
    for alert in after.values():
        mails += reminders(alert, site, table[alert.finding], span.last_ms, events)
    settled = list(_settled(record, history, events, window, expected, span, settling, models))
    return Evaluation(
        site=site.id,
        first_ms=span.first_ms,
        last_ms=span.last_ms,
        runs=tuple(written),
        alerts=tuple(changed.values()),
        dropped=tuple(dropped),
        mails=tuple(sorted(mails, key=lambda mail: (mail.decided_ms, mail.id))),
        days=tuple(day for day, _ in settled),
        sheets=tuple(sheet for _, sheet in settled if sheet is not None),
        figures=tuple(_figures(judged.values(), span)),
    )


def detect(
    site: Site,
    window: Window,
    expected: Expected,
    table: Policies,
    events: Sequence[Event] = (),
    settling: Settlements | None = None,
    past: Past | None = None,
    asked_from: int = 0,
) -> dict[tuple[Finding, str], Judgement]:
    """Every subject of every detector judged in the registry's order; from a point on, before which none is asked."""
    judged: dict[tuple[Finding, str], Judgement] = {}
    limits = table.limits()
    shared: dict[Hashable, object] = {}
    for detector in DETECTORS:
        known = dict(judged)
        scene = Scene(
            site, window, expected, limits, known, tuple(events), settling or {}, past or {}, asked_from, shared
        )
        for subject in detector.subjects(site):
            judged[detector.name, subject] = detector.judge(scene, subject)
    return judged


def _window(
    record: SiteRecord, site: Site, history: History, events: Sequence[Event], span: Span, memo: Memo
) -> Window:
    received_by_ms = span.last_ms + GRACE_MS
    if memo.seen_by_ms:
        memo.forget_late(history.late(record.id, memo.seen_by_ms, received_by_ms))
    memo.seen_by_ms = received_by_ms
    start_ms, end_ms = span.day_ms - LOOKBACK_DAYS * DAY_MS, span.day_ms + DAY_MS
    memo.forget_before(start_ms)
    parts: list[RawWindow] = []
    for day_ms in range(start_ms, end_ms, DAY_MS):
        if day_ms not in memo.raw:
            from_ms, begun = memo.begun.pop(day_ms, (day_ms, {}))
            come = history.window(record.id, None, from_ms, day_ms + DAY_MS, received_by_ms)
            memo.raw[day_ms] = _joined([begun, come])
        parts.append(memo.raw[day_ms])
    if received_by_ms < end_ms + GRACE_MS:  # the day is not over: what lies before the last point is complete
        memo.begun[span.day_ms] = (span.last_ms, _before(memo.raw.pop(span.day_ms), span.last_ms))
    parts.append(history.window(record.id, None, end_ms, end_ms + LABEL_REACH_MS + 1, received_by_ms))
    return build_window(site, _joined(parts), events, start_ms, (LOOKBACK_DAYS + 1) * POINTS_A_DAY)


def _joined(parts: Sequence[RawWindow]) -> dict[str, Samples]:
    joined: dict[str, Samples] = {}
    for name in sorted({name for part in parts for name in part}):
        columns = array("q"), array("d"), array("q")
        for part in parts:
            if (samples := part.get(name)) is not None:
                columns[0].extend(samples.time_ms)
                columns[1].extend(samples.value)
                columns[2].extend(samples.known_ms)
        joined[name] = Samples(*columns)
    return joined


def _before(raw: RawWindow, end_ms: int) -> RawWindow:
    """The rows before an instant."""
    kept = {name: bisect_left(column.time_ms, end_ms) for name, column in raw.items()}
    return {
        name: Samples(column.time_ms[: kept[name]], column.value[: kept[name]], column.known_ms[: kept[name]])
        for name, column in raw.items()
    }


def _expected(record: SiteRecord, window: Window, span: Span, memo: Memo, models: Sequence[Model]) -> Expected:
    """Day by day, each with the facts in force on it; one whose sunshine may still come is done anew if some has."""
    complete_ms = span.last_ms + GRACE_MS - LABEL_REACH_MS - ON_TIME_MS
    days: list[Expected] = []
    for day_ms in range(window.start_ms, span.day_ms + DAY_MS, DAY_MS):
        found = memo.expected.get(day_ms)
        if found is None:
            site = record.at(max(day_ms, _begin(record)))
            told_of, learned = told(site, window, day_ms), in_force(models, day_ms, site)
            ids = tuple(model.id for model in learned.values())
            before = memo.unsure.pop(day_ms, (b"", (), None))
            found = before[2] if before[:2] == (told_of, ids) else None
            if found is None:
                found = expect_day(site, window, day_ms, models=learned)
            if day_ms + DAY_MS > complete_ms:
                memo.unsure[day_ms] = (told_of, ids, found)
            else:
                memo.expected[day_ms] = found
        days.append(found)
    return join(days)


def _begin(record: SiteRecord) -> int:
    """When the first array on file was there; a window reaching further back is given that array."""
    return min((array.from_ms for array in record.arrays), default=0)


def _settling(record: SiteRecord, site: Site, history: History, span: Span) -> Settlements:
    """When the civil days that may settle by the span's end do so, first time and again."""
    since_ms = span.day_ms - (REACH_DAYS + 2) * DAY_MS
    lates = history.late(record.id, since_ms, span.last_ms + GRACE_MS)
    first, last = local_day_of(since_ms, site.zone), local_day_of(span.last_ms, site.zone)
    return settlements(site, lates, first, last, span.last_ms)


def _settled(
    record: SiteRecord,
    history: History,
    events: Sequence[Event],
    window: Window,
    expected: Expected,
    span: Span,
    settling: Settlements,
    models: Sequence[Model],
) -> Iterable[tuple[SettledDay, DaySheet | None]]:
    """The civil days that settle inside the span, first time or again, and their sheets."""
    for day, points in settling.items():
        for revision, point_ms in enumerate(points, start=1):
            if not span.first_ms <= point_ms <= span.last_ms:
                continue
            site = record.at(point_ms - GRID_MS)
            start_ms = floor_day(local_day(day, site.zone)[0])
            around, due = window, expected
            if start_ms < window.start_ms + DAY_MS:  # further back than detectors look: a window of its own
                around, due = _around(record, site, history, events, start_ms, span.last_ms + GRACE_MS, models)
            whole = due.by_subject.get("site")
            sun_up = due.sun_elevation_deg > 0.0
            expected_w = whole.expected if whole else None
            settled = settled_day(site, around, expected_w, sun_up, day, revision, point_ms)
            yield settled, day_sheet(site, around, due, day, revision, point_ms)


def _figures(judged: Iterable[Judgement], span: Span) -> Iterable[DayFigure]:
    """Those of the days that settle inside the span."""
    for judgement in judged:
        for figure in judgement.figures:
            if span.first_ms <= figure.settled_ms <= span.last_ms:
                yield figure


def _around(
    record: SiteRecord,
    site: Site,
    history: History,
    events: Sequence[Event],
    day_ms: int,
    received_by_ms: int,
    models: Sequence[Model],
) -> tuple[Window, Expected]:
    """The day before to the day after, built like any window."""
    start_ms, days = day_ms - DAY_MS, 3
    end_ms = start_ms + days * DAY_MS
    raw = history.window(record.id, None, start_ms, end_ms + LABEL_REACH_MS + 1, received_by_ms)
    window = build_window(site, raw, events, start_ms, days * POINTS_A_DAY)
    facts = {ms: record.at(max(ms, _begin(record))) for ms in range(start_ms, end_ms, DAY_MS)}
    return window, join([expect_day(at, window, ms, models=in_force(models, ms, at)) for ms, at in facts.items()])

"""clock-wrong: the hours a device puts to its values have jumped against the sun, and by how much.

Rule: a jump is a clock, a constant offset is an entry in the site file. Both ends of a day's output must have moved
the same way by about as much: cloud moves them towards each other, a row of panels that is dead or newly shaded moves
one of them. Days on which the device was first or last heard in full sun say nothing, for then a gap has cut them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum
from statistics import median
from typing import NamedTuple
from zlib import crc32

import numpy as np

from watcher.align.window import Floats, Ints
from watcher.detect.scene import FAULT, OK, Judgement, Scene, pv_power, unknown
from watcher.detect.usual_days import ON_FILE, SINCE, joining, remembered, without
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, MINUTE_MS, local_day
from watcher.domain.site import Site, SourceKind

CODES = ("clock-wrong.not-judged", "clock-wrong.as-before", "clock-wrong.jumped", "clock-wrong.between")
CAUSES = ("clock-behind", "clock-ahead")
EXPLAINERS = (Finding.STRING_OPEN, Finding.NO_GENERATION, Finding.INVERTER_SILENT)

FEWEST_INTERVALS = 12
EDGE_SHARE = 0.25
"""Of the day's greatest power: output that begins or ends above it was cut by a gap."""

HISTORY_DAYS, FEWEST_DAYS = 40, 10
"""Usual edges are those of so many days; the newest that are in question stand aside."""

RUN_DAYS = 3
"""Clean days in a row that must agree."""

LEAST_SCATTER_MIN = 4.0


class EdgeDay(NamedTuple):
    """One day's output: minutes from the sun's rise to its begin, and from the sun's setting to its end.

    joins: whether it may say what is usual
    """

    day: int
    begin_min: float
    end_min: float
    joins: bool = True

    @property
    def middle_min(self) -> float:
        return (self.begin_min + self.end_min) / 2.0

    def apart(self) -> EdgeDay:
        return self._replace(joins=False)


class Usual(NamedTuple):
    """Begin and end of output as they usually are, and how far their middle strays. [min]"""

    begin_min: float
    end_min: float
    scatter_min: float

    @property
    def middle_min(self) -> float:
        return (self.begin_min + self.end_min) / 2.0


class Now(Enum):
    """What the newest days say."""

    AS_BEFORE = "as-before"
    BETWEEN = "between"
    JUMPED = "jumped"


@dataclass(frozen=True, slots=True)
class Jump:
    """minutes: by which output is later than it was. first: ordinal of the day from which on days are in question"""

    now: Now
    minutes: float = 0.0
    first: int = 0


def usual(days: Sequence[EdgeDay]) -> Usual | None:
    """Of the days before the newest, ascending; None while too few of them may say so."""
    earlier = days[:-RUN_DAYS]
    used = joining(earlier, earlier[-1].day, HISTORY_DAYS) if earlier else []
    if len(used) < FEWEST_DAYS:
        return None
    begin, end = median(one.begin_min for one in used), median(one.end_min for one in used)
    off = [abs(one.middle_min - (begin + end) / 2.0) for one in used]
    return Usual(begin, end, max(1.4826 * median(off), LEAST_SCATTER_MIN))


def jump(days: Sequence[EdgeDay], before: Usual, least_min: float) -> Jump | None:
    """What the newest days, ascending, say against what is usual; None while they are too few.

    least_min: the smallest jump that is told
    """
    newest, scatter = days[-RUN_DAYS:], before.scatter_min
    if len(newest) < RUN_DAYS:
        return None

    def moved(one: EdgeDay) -> float | None:
        """By how much both edges have moved the same way; 0 where they have not moved, None between."""
        first, last = one.begin_min - before.begin_min, one.end_min - before.end_min
        middle = (first + last) / 2.0
        if abs(middle) < max(least_min / 2.0, 2.0 * scatter):
            return 0.0
        together = first * last > 0.0 and min(abs(first), abs(last)) > abs(middle) / 3.0
        return middle if together and abs(middle) >= max(least_min, 4.0 * scatter) else None

    said = [moved(one) for one in newest]
    if all(minutes == 0.0 for minutes in said):
        return Jump(Now.AS_BEFORE)
    found = [minutes for minutes in said if minutes]
    size = median(found) if found else 0.0
    if len(found) < RUN_DAYS or max(found) - min(found) > max(0.5 * abs(size), 4.0 * scatter):
        return Jump(Now.BETWEEN, 0.0, newest[-1].day)
    first = newest[0].day
    for one in reversed(days[:-RUN_DAYS]):
        if (one.middle_min - before.middle_min) / size < 0.5:
            break
        first = one.day
    whole = [one.middle_min - before.middle_min for one in days if one.day >= first]
    return Jump(Now.JUMPED, median(whole), first)


class ClockWrong:
    name = Finding.CLOCK_WRONG

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(
            inverter.id
            for inverter in site.inverters
            if site.arrays_of(inverter.id)
            and (source := site.source_of(inverter.id)) is not None
            and source.kind is not SourceKind.TYPED
        )

    def judge(self, scene: Scene, subject: str) -> Judgement:
        found = pv_power(scene, subject)
        if found is None:
            return unknown(scene, self.name, subject, CODES[0])
        power, known_ms = found
        window, n = scene.window, scene.window.points
        least_min = scene.limit(self.name, "least_minutes")
        on_file = float(crc32(repr((subject, scene.site.latitude_deg, scene.site.longitude_deg)).encode()))
        edges = _Edges(scene, subject, power, known_ms, scene.limit(self.name, "output_share"))
        verdict, code, cause = (np.zeros(n, dtype=np.int8) for _ in range(3))
        onset, onset_low, onset_high, units = (np.zeros(n, dtype=np.int64) for _ in range(4))
        observed, expected = np.full(n, np.nan), np.full(n, np.nan)
        facts: dict[int, Mapping[str, str | float]] = {}
        figures: list[DayFigure] = []
        days: dict[date, EdgeDay] = {}
        asked_ms = window.start_ms + GRID_MS * (scene.asked_from + 1)
        settling = scene.settling.items()
        inside = sorted(day for day, points in settling if points[0] >= asked_ms and edges.places(day)[0] >= 0)
        past, held = _past(scene.past.get((self.name, subject), ()), on_file, inside[0]) if inside else ([], None)
        for day in inside:
            point_ms = scene.settling[day][0]
            at = window.index_of(point_ms)
            edge = edges.of(day, point_ms) if 0 <= at < n else None
            if edge is None:
                continue
            days[day] = edge
            known = [*past, *(days[one] for one in sorted(days))]
            # Where nobody remembers how it was before the jump, what it was held against then still stands.
            held = usual(known) or held
            change = None if held is None else jump(known, held, least_min)
            since = change.first if change is not None else 0
            if change is None or change.now is Now.BETWEEN:
                code[at] = 3
            elif change.now is Now.AS_BEFORE:
                verdict[at], code[at], units[at] = OK, 1, 1
            else:
                verdict[at], code[at], units[at] = FAULT, 2, 1
                cause[at] = CAUSES.index("clock-ahead" if change.minutes > 0 else "clock-behind") + 1
                observed[at], expected[at] = change.minutes, 0.0
                begun_ms = local_day(date.fromordinal(since), scene.site.zone)[0]
                onset[at], onset_low[at], onset_high[at] = begun_ms, begun_ms - DAY_MS, begun_ms + DAY_MS
                facts[at] = {"shift_minutes": float(round(abs(change.minutes) / 15.0) * 15)}
            if since:
                past = without(past, since)
                days = dict(zip(days, without(list(days.values()), since), strict=True))
            values = {ON_FILE: on_file, "begin": edge.begin_min, "end": edge.end_min, SINCE: float(since)}
            if held is not None:
                values |= {"usual_begin": held.begin_min, "usual_end": held.end_min, "scatter": held.scatter_min}
            figures.append(DayFigure(self.name, subject, day, 1, point_ms, values))
        nothing = np.zeros(n)
        return Judgement(
            finding=self.name, subject=subject, verdict=verdict, code=code, codes=CODES, cause=cause,
            cause_sets=((), *((one,) for one in CAUSES)), observed=observed, expected=expected, unit="min",
            onset_ms=onset, onset_low_ms=onset_low, onset_high_ms=onset_high, loss_mwh=nothing, arrears_mwh=nothing,
            loss_share=0.0, evidence=lambda point: facts.get(point, {}), units=units, figures=figures,
        )  # fmt: skip


class _Edges:
    """Begin and end of output on the days of the window."""

    def __init__(self, scene: Scene, subject: str, power: Floats, known_ms: Ints, output_share: float) -> None:
        self._scene, self._power, self._known_ms = scene, power, known_ms
        self._least_w = output_share * scene.site.inverter(subject).ac_limit_w
        self._explained: list[Callable[[slice], bool]] = [
            lambda part, told=judgement: bool((told.verdict[part] == FAULT).any())  # type: ignore[misc]
            for (finding, about), judgement in scene.judged.items()
            if finding in EXPLAINERS and about.partition(".")[0] == subject
        ]

    def places(self, day: date) -> tuple[int, int]:
        start_ms, end_ms = local_day(day, self._scene.site.zone)
        begin_ms = self._scene.window.start_ms
        return (start_ms - begin_ms) // GRID_MS, (end_ms - begin_ms) // GRID_MS

    def of(self, day: date, point_ms: int) -> EdgeDay | None:
        """None where the day says nothing of a clock."""
        part = slice(*self.places(day))
        up = np.flatnonzero(self._scene.expected.sun_elevation_deg[part] > 0.0)
        with np.errstate(invalid="ignore"):
            on = np.flatnonzero((self._power[part] > self._least_w) & (self._known_ms[part] <= point_ms))
        if len(on) < FEWEST_INTERVALS or not len(up) or any(explained(part) for explained in self._explained):
            return None
        power = self._power[part]
        if max(power[on[0]], power[on[-1]]) > EDGE_SHARE * float(np.max(power[on])):
            return None
        minutes = GRID_MS / MINUTE_MS
        return EdgeDay(day.toordinal(), float((on[0] - up[0]) * minutes), float((on[-1] - up[-1]) * minutes))


def _past(figures: Sequence[DayFigure], on_file: float, first: date) -> tuple[list[EdgeDay], Usual | None]:
    """The days before one, and what the last of them was held against."""
    kept = [one for one in figures if one.day < first and one.values[ON_FILE] == on_file]
    held = next((one.values for one in reversed(kept) if "scatter" in one.values), None)
    days = remembered(kept, on_file, _of_figure)
    return days, None if held is None else Usual(held["usual_begin"], held["usual_end"], held["scatter"])


def _of_figure(figure: DayFigure) -> EdgeDay:
    return EdgeDay(figure.day.toordinal(), figure.values["begin"], figure.values["end"])

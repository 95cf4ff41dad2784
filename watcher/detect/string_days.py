"""The days of every input of plain strings in a row, and what they come to: which input has lost what, and since when.

Rule: one walk serves all string findings, so that one fault has one name. What string_steps.py finds is given to the
input that lost, never to the one beside it, which is left alone until the loser is well. A day is measured when it
settles, and what it came to is kept as its figures: a day asked for alone goes on from those.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from math import isnan, nan
from zlib import crc32

from watcher.detect.contrast import InputDay, Light, Strings, strings_of
from watcher.detect.level import State
from watcher.detect.level_days import state_of, state_values
from watcher.detect.scene import Scene
from watcher.detect.string_steps import After, Condition, Kind, Limits, after
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, local_day

KEEPER = Finding.STRING_OPEN
"""Whose figures keep the days of all string findings."""

KEPT_DAYS = 120
"""As far back as a level reaches in a dark season."""

REACH_DAYS = 45
"""How many days back a before may lie: days that tell something may be rare in winter."""


@dataclass(frozen=True, slots=True)
class Settled:
    """What a settling point found. again: a day settles once more

    rows: by input and ordinal, as known then: what is revised later must not be seen
    held: inputs that are left out of it on their last day, since one beside them is told to have a fault
    """

    point_ms: int
    days: tuple[date, ...]
    rows: Mapping[str, Mapping[int, After]]
    held: frozenset[str]
    again: bool

    def newest(self, subject: str) -> After:
        """What the last day known by then came to."""
        rows = self.rows[subject]
        return rows[max(rows)]

    def days_of(self, subject: str, since: int) -> list[InputDay]:
        """The days of an input from an ordinal on, ascending."""
        return [row.day for ordinal, row in sorted(self.rows[subject].items()) if ordinal >= since]


@dataclass(slots=True)
class Walk:
    """All inputs of a site through the settling points that are asked for.

    rows: by input and ordinal. kept: figures of days that had settled before. stale_from: the first day whose row must
        be made anew. held: by input the days on which one beside it was told to have a fault; ill: on which
        it was itself
    """

    inputs: dict[str, Strings]
    settled: list[Settled] = field(default_factory=list)
    rows: dict[str, dict[int, After]] = field(default_factory=dict)
    figures: dict[str, list[DayFigure]] = field(default_factory=dict)
    kept: dict[str, list[DayFigure]] = field(default_factory=dict)
    stale_from: int = date.max.toordinal()
    held: dict[str, set[int]] = field(default_factory=dict)
    ill: dict[str, set[int]] = field(default_factory=dict)

    def hold(self, name: str, condition: Condition, ordinal: int) -> None:
        """Leave the others out of it while an input is told to have a fault: from its beginning to a day."""
        if condition.kind is not Kind.NOTHING:
            self.ill.setdefault(name, set()).update(range(condition.since, ordinal + 1))
            for other, one in self.inputs.items():
                if name in one.others:
                    self.held.setdefault(other, set()).update(range(condition.since, ordinal + 1))

    def hold_anew(self, rows: Mapping[str, Mapping[int, After]]) -> None:
        """Leave out of it whom these rows say, and nobody else: what was told of days judged anew holds nobody."""
        self.held.clear()
        self.ill.clear()
        for name, by_ordinal in rows.items():
            if all(row.condition.kind is Kind.NOTHING for row in by_ordinal.values()):
                continue
            told = {row.condition.since: row for _, row in sorted(by_ordinal.items())}
            for row in told.values():
                self.hold(name, row.condition, row.day.day)

    def state(self, name: str, ordinal: int) -> State:
        """The state of an input's level after a day."""
        row = self.rows[name].get(ordinal)
        if row is not None and row.state is not None:
            return row.state
        return state_of([one for one in self.kept[name] if one.day.toordinal() <= ordinal and "stepped" in one.values])

    def settle(self, point_ms: int, days: Sequence[date], rows: Mapping[str, Mapping[int, After]], again: bool) -> None:
        """Note what a settling point found. rows: all that was known then, which is copied"""
        held = frozenset(name for name, of_input in rows.items() if max(of_input) in self.held.get(name, ()))
        copied = {name: dict(of_input) for name, of_input in rows.items()}
        self.settled.append(Settled(point_ms, tuple(days), copied, held, again))


_latest: list[tuple[tuple[object, ...], Walk]] = []


def walk(scene: Scene) -> Walk:
    """The walk of a scene. The last one is kept, since four detectors ask for the same: it saves time, no more."""
    asked = (scene.window, scene.expected, scene.settling, scene.past, scene.limits, scene.site, scene.asked_from)
    if not _latest or any(one is not other for one, other in zip(asked, _latest[0][0], strict=True)):
        _latest[:] = [(asked, _walk(scene))]
    return _latest[0][1]


def _walk(scene: Scene) -> Walk:
    found = Walk(strings_of(scene))
    if not found.inputs:
        return found
    limits = Limits.of(scene)
    facts = {name: _on_file(scene, name, one) for name, one in found.inputs.items()}
    for name in found.inputs:
        _before(found, scene, name, facts[name])
    _said_before(found, scene)
    for point_ms, settling, again in _points(scene):
        measured: dict[int, dict[str, InputDay]] = {}
        for day in settling:
            start_ms, end_ms = local_day(day, scene.site.zone)
            part = slice((start_ms - scene.window.start_ms) // GRID_MS, (end_ms - scene.window.start_ms) // GRID_MS)
            if part.start >= 0:
                light = Light(scene, part, point_ms, limits.snow_below_degc)
                measured[day.toordinal()] = light.measures(found.inputs, day.toordinal())
        if not measured:
            continue
        _advance(found, measured, limits)
        found.settle(point_ms, settling, found.rows, again)
        for ordinal in measured:
            day = date.fromordinal(ordinal)
            revision = scene.settling[day].index(point_ms) + 1
            for name, rows in found.rows.items():
                values = _values(rows[ordinal], facts[name])
                found.figures[name].append(DayFigure(KEEPER, name, day, revision, point_ms, values))
    return found


def _points(scene: Scene) -> list[tuple[int, list[date], bool]]:
    """Points that are asked for at which days settle, which ones, and whether any of them does so again."""
    end_ms = scene.window.start_ms + scene.window.points * GRID_MS
    from_ms = scene.window.start_ms + scene.asked_from * GRID_MS
    by_point: dict[int, list[date]] = {}
    again: set[int] = set()
    for day, points in scene.settling.items():
        for revision, point_ms in enumerate(points):
            if from_ms < point_ms <= end_ms:
                by_point.setdefault(point_ms, []).append(day)
                if revision:
                    again.add(point_ms)
    return [(point_ms, sorted(by_point[point_ms]), point_ms in again) for point_ms in sorted(by_point)]


def _advance(found: Walk, measured: Mapping[int, Mapping[str, InputDay]], limits: Limits) -> None:
    """Every input's condition anew from the first of the measured days on."""
    for name, rows in found.rows.items():
        for ordinal, by_input in measured.items():
            rows[ordinal] = After(by_input[name], Condition(), None)
    first = min(*measured, found.stale_from)
    found.stale_from = date.max.toordinal()
    ordinals = sorted({ordinal for rows in found.rows.values() for ordinal in rows})
    begin = next(place for place, ordinal in enumerate(ordinals) if ordinal >= first)
    found.hold_anew(
        {name: {day: row for day, row in rows.items() if day < ordinals[begin]} for name, rows in found.rows.items()}
    )
    before = {}
    if begin:
        last = ordinals[begin - 1]
        for name, rows in found.rows.items():
            if last in rows:
                before[name] = replace(rows[last], state=found.state(name, last))
    for place in range(begin, len(ordinals)):
        now = {}
        for name, one in found.inputs.items():
            rows = found.rows[name]
            reach = ordinals[max(place - REACH_DAYS, 0) : place]
            past = [rows[day].day for day in reach if day in rows and day not in found.held.get(name, ())]
            today = rows.get(ordinals[place], After(InputDay(ordinals[place]), Condition(), None)).day
            held = any(before[other].condition.kind is not Kind.NOTHING for other in one.others if other in before)
            now[name] = after(before.get(name), [*past, today], found.ill.get(name, set()), one, held, limits)
        for name, row in now.items():
            found.rows[name][ordinals[place]] = row
            found.hold(name, row.condition, ordinals[place])
        before = now


def _on_file(scene: Scene, name: str, one: Strings) -> float:
    """A number of the facts its expectation and the others' rest on: days under other facts are no measure."""
    arrays = [scene.site.arrays_at(other) for other in (name, *one.others)]
    return float(crc32(repr((one, arrays)).encode()))


def _before(found: Walk, scene: Scene, name: str, facts: float) -> None:
    """The days that were kept, each with what it came to."""
    kept = [one for one in scene.past.get((KEEPER, name), ())[-KEPT_DAYS:] if one.values.get("on_file") == facts]
    found.kept[name], found.figures[name], rows = kept, [], found.rows.setdefault(name, {})
    settled_ms = float("inf")
    for one in reversed(kept):
        row = _row_of(one)
        rows[row.day.day] = row
        if one.settled_ms > settled_ms:  # it settled again after later days had: those rest on what it was before
            found.stale_from = min(found.stale_from, row.day.day)
        settled_ms = min(settled_ms, one.settled_ms)


@lru_cache(maxsize=4096)
def _row_of(figure: DayFigure) -> After:
    values = figure.values
    day = InputDay(figure.day.toordinal(), **{key: values[key] for key in InputDay._fields[1:] if key in values})
    condition = Condition(
        Kind(int(values.get("kind", 0.0))),
        int(values.get("told_since", 0.0)),
        values.get("told_loss", 0.0),
        values.get("drop", 0.0),
        values.get("was_volts", nan),
        values.get("was_log", nan),
    )
    return After(day, condition, None)


def _said_before(found: Walk, scene: Scene) -> None:
    """What points of the window said that are not asked for again: who looks back on their days must find it."""
    asked_ms = scene.window.start_ms + scene.asked_from * GRID_MS
    by_point: dict[int, set[date]] = {}
    for kept in found.kept.values():
        for one in kept:
            if scene.window.start_ms < one.settled_ms <= asked_ms:
                by_point.setdefault(one.settled_ms, set()).add(one.day)
    for point_ms, days in sorted(by_point.items()):
        known: dict[str, dict[int, After]] = {}
        for name, kept in found.kept.items():
            ordinals = [one.day.toordinal() for one in kept if one.settled_ms <= point_ms]
            known[name] = {ordinal: found.rows[name][ordinal] for ordinal in ordinals}
        if all(known.values()):
            found.hold_anew(known)
            found.settle(point_ms, sorted(days), known, again=False)


def _values(row: After, facts: float) -> dict[str, float]:
    """What is kept of a day; what is 0 or cannot be told is left out."""
    values = {name: float(value) for name, value in row.day._asdict().items() if name != "day"}
    condition = row.condition
    values |= {
        "on_file": facts,
        "kind": float(condition.kind),
        "told_since": float(condition.since),
        "told_loss": condition.loss,
        "drop": condition.drop,
        "was_volts": condition.volts,
        "was_log": condition.level,
    }
    if row.state is not None and row.state.days and row.state.days[-1].day == row.day.day:
        values |= state_values(row.state.days[-1], row.state) | {"stepped": 1.0}
    return {name: value for name, value in values.items() if value and not isnan(value)}

"""A meter and what it covers, day by day: the clean days of the window and those that were kept from before it.

Rule: a day is clean where every register was heard throughout, dated at both ends, and nothing else explains it. Days
on which the two were found apart are kept and belong to no history.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Protocol
from zlib import crc32

from watcher.detect.meter_ratio import CleanDay, History, Moved, cause, history, moved, quantum_wh, without
from watcher.detect.scene import Scene
from watcher.domain.day import DayFigure
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, local_day
from watcher.domain.site import Meter, SourceKind

VERSION_DAYS = 2
"""A device that says it is another one so near to the day is the likelier one to have changed."""


class Register(Protocol):
    """One of the registers that are compared."""

    def energy_mwh(self, first: int, stop: int, point_ms: int) -> float | None:
        """Energy of the intervals first..stop-1, as known at a grid point; None where it cannot be told."""
        ...


@dataclass(slots=True)
class MeterPair:
    """registers: the meter's, then those of what it covers. clean: whether a comparison of intervals may stand

    inverter_step_wh: of the counters of what it covers
    """

    scene: Scene
    meter: Meter
    registers: Sequence[Register]
    clean: Callable[[int, int], bool]
    inverter_step_wh: float
    before: History | None = None
    _energies: dict[date, CleanDay | None] = field(default_factory=dict)
    _before_window: dict[date, list[CleanDay]] = field(default_factory=dict)
    _on_file: float = 0.0

    def __post_init__(self) -> None:
        # A number of the facts a comparison rests on: another meter or inverter has another history.
        inverters = [self.scene.site.inverter(name) for name in self.meter.covers]
        self._on_file = float(crc32(repr((self.meter, inverters)).encode()))

    def days(self, point_ms: int) -> list[CleanDay]:
        """The clean days that had settled by a point, ascending."""
        window = [
            day for day, points in self.scene.settling.items() if points[0] <= point_ms and self._places(day)[0] > 0
        ]
        found = list(self._kept(min(window))) if window else []
        for day in sorted(window):
            if day not in self._energies:
                self._energies[day] = self._day(day, point_ms, self._apart(day))
            if (one := self._energies[day]) is not None:
                found.append(one)
        return found

    def moved(self, days: Sequence[CleanDay], today: date) -> Moved | None:
        """How the newest clean days differ from the pair's history; None where they do not, or where there is none."""
        step_wh = quantum_wh(self.meter.resolution_wh, self.inverter_step_wh, len(self.registers) - 1)
        self.before = history(days, today.toordinal(), step_wh)
        return None if self.before is None else moved(days, self.before, step_wh)

    def missed_wh(self, one: CleanDay) -> float:
        """What the meter counted less than usual on a day."""
        return 0.0 if self.before is None else max(one.made_wh * self.before.ratio - one.told_wh, 0.0)

    def cause(self, ratio: float, since_ms: int) -> str:
        """What a ratio looks like that holds since an instant, "" where it looks like nothing."""
        source = self.scene.site.source_of(self.meter.id)
        pulses = source is not None and source.kind is SourceKind.PULSE
        pulses |= self.scene.window.counter(f"{self.meter.id}.pulse_count") is not None
        three = any(self.scene.window.gauge(f"{device}.l3.ac_voltage") is not None for device in self.meter.covers)
        for event in self.scene.events:
            near = abs(event.at_ms - since_ms) <= VERSION_DAYS * DAY_MS
            if event.kind is EventKind.IDENTITY and event.subject in self.meter.covers and near:
                return "inverter-changed"
        return cause(ratio, pulses, 3 if three else 1)

    def figure(self, finding: Finding, day: date, point_ms: int, since: int) -> DayFigure | None:
        """What is kept of a day; None where it was not clean.

        since: ordinal of the day from which on days join no history, 0 for none
        """
        one = self._energies.get(day)
        if one is None:
            return None
        if since:
            for other, kept in self._energies.items():
                if kept is not None and other.toordinal() >= since:
                    self._energies[other] = kept._replace(joins=False)
        values = {"on_file": self._on_file, "told_wh": one.told_wh, "made_wh": one.made_wh, "since": float(since)}
        revision = self.scene.settling[day].index(point_ms) + 1
        return DayFigure(finding, self.meter.id, day, revision, point_ms, values)

    def _kept(self, first: date) -> list[CleanDay]:
        """The days before a day of the window, as they were kept."""
        if first not in self._before_window:
            kept: Iterable[DayFigure] = self.scene.past.get((Finding.METER_MISMATCH, self.meter.id), ())
            found: list[CleanDay] = []
            for one in kept:
                if one.day < first and one.values["on_file"] == self._on_file:
                    found.append(
                        CleanDay(one.day.toordinal(), one.values["told_wh"], one.values["made_wh"], joins=True)
                    )
                    if one.values["since"]:
                        found = without(found, int(one.values["since"]))
            self._before_window[first] = found
        return self._before_window[first]

    def _places(self, day: date) -> tuple[int, int]:
        start_ms, end_ms = local_day(day, self.scene.site.zone)
        return (start_ms - self.scene.window.start_ms) // GRID_MS, (end_ms - self.scene.window.start_ms) // GRID_MS

    def _apart(self, day: date) -> bool:
        """Whether it was said, before the points that are asked for, that on a day of the window the two differ."""
        kept = self.scene.past.get((Finding.METER_MISMATCH, self.meter.id), ())
        return any(0 < one.values["since"] <= day.toordinal() <= one.day.toordinal() for one in kept)

    def _day(self, day: date, point_ms: int, apart: bool) -> CleanDay | None:
        first, stop = self._places(day)
        if not self.clean(first, stop):
            return None
        told, *made = (one.energy_mwh(first, stop, point_ms) for one in self.registers)
        if told is None or None in made:
            return None
        return CleanDay(
            day.toordinal(), told / 1000.0, sum(one for one in made if one is not None) / 1000.0, joins=not apart
        )

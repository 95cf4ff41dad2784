"""A meter and what it covers, day by day: the clean days of the window and those that were kept from before it.

Rule: a day is clean where it may be compared (meter_sides.py). Days on which the two were found apart are kept and
belong to no history; after a repair only the days since it are held against that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from zlib import crc32

from watcher.detect.level import weighted_median
from watcher.detect.meter_question import begun_anew
from watcher.detect.meter_ratio import Bounds, CleanDay, History, Moved, Now, causes, history, moved, quantum_wh
from watcher.detect.meter_sides import Comparison
from watcher.detect.scene import Scene
from watcher.detect.usual_days import ON_FILE, SINCE, remembered, without
from watcher.domain.day import DayFigure
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS
from watcher.domain.site import Meter, SourceKind

VERSION_DAYS = 2
"""A device that says it is another one so near to the day is the likelier one to have changed."""

_WELL = "well"
"""Of a figure: the ordinal of the day since when the two are as before again, 0 where that was not found on it."""


@dataclass(slots=True)
class MeterPair:
    """comparison: of registers alone. inverter_step_wh: of the counters of what the meter covers"""

    scene: Scene
    meter: Meter
    comparison: Comparison
    inverter_step_wh: float
    bounds: Bounds
    before: History | None = None
    _days: dict[int, CleanDay] = field(default_factory=dict)
    _since: dict[int, float] = field(default_factory=dict)
    _well: int = 0
    _taken: CleanDay | None = None
    _on_file: float = 0.0
    _anew: Sequence[int] = ()

    def __post_init__(self) -> None:
        # A number of the facts a comparison rests on: another meter or inverter has another history.
        inverters = [self.scene.site.inverter(name) for name in self.meter.covers]
        self._on_file = float(crc32(repr((self.meter, inverters)).encode()))
        self._anew = begun_anew(self.scene, self.meter)
        kept = self.scene.past.get((Finding.METER_MISMATCH, self.meter.id), ())
        for one in remembered(kept, self._on_file, _of_figure):
            self._days[one.day] = one
        for figure in kept:
            if figure.values[ON_FILE] == self._on_file:
                self._since[figure.day.toordinal()] = figure.values[SINCE]
                self._well = max(self._well, int(figure.values.get(_WELL, 0.0)))

    @property
    def well_since(self) -> int:
        """Ordinal of the day since when the two are as before again after the newest repair; 0 where none was found."""
        return self._well

    def take(self, day: date, point_ms: int) -> list[CleanDay]:
        """The clean days up to one that settles, ascending, that one as it is known at the point."""
        ordinal = day.toordinal()
        first, stop = self.comparison.places(day)
        self._taken = None
        if first >= 1:  # else it lies before the window, and what was kept of it stands
            old = self._days.pop(ordinal, None)
            if (found := self._day(ordinal, first, stop, point_ms)) is not None:
                self._taken = self._days[ordinal] = found.apart() if old is not None and not old.joins else found
        anew = max((one for one in self._anew if one <= ordinal), default=0)
        return [self._days[one] for one in sorted(self._days) if anew <= one <= ordinal]

    def moved(self, days: Sequence[CleanDay], today: date) -> Moved | None:
        """How the newest clean days differ from the pair's history; None where they do not, or where there is none."""
        step_wh = quantum_wh(self.meter.resolution_wh, self.inverter_step_wh, len(self.comparison.sides) - 1)
        self.before = history(days, today.toordinal(), step_wh)
        if self.before is None:
            return None
        return moved([one for one in days if one.day >= self._well], self.before, step_wh, self.bounds)

    def missed_wh(self, one: CleanDay) -> float:
        """What the meter counted less than usual on a day."""
        return 0.0 if self.before is None else max(one.made_wh * self.before.ratio - one.told_wh, 0.0)

    def usual_share(self, days: Sequence[CleanDay]) -> float:
        """Of what is usual, what the meter counted on the middle one of these days: one mended day among them does not
        make half a fault of a whole one.
        """
        if self.before is None:
            return 0.0
        ratios = [one.told_wh / one.made_wh / self.before.ratio for one in days if one.made_wh > 0.0]
        return weighted_median(ratios, [one.made_wh for one in days if one.made_wh > 0.0])

    def causes(self, ratio: float, known: bool, since_ms: int) -> tuple[str, ...]:
        """What a ratio looks like that holds since an instant. known: whether it is against the pair's history"""
        source = self.scene.site.source_of(self.meter.id)
        pulses = source is not None and source.kind is SourceKind.PULSE
        pulses |= self.scene.window.counter(f"{self.meter.id}.pulse_count") is not None
        three = any(self.scene.window.gauge(f"{device}.l3.ac_voltage") is not None for device in self.meter.covers)
        for event in self.scene.events:
            near = abs(event.at_ms - since_ms) <= VERSION_DAYS * DAY_MS
            if event.kind is EventKind.IDENTITY and event.subject in self.meter.covers and near:
                return ("inverter-changed",)
        return causes(ratio, known, pulses, 3 if three else 1)

    def figure(self, finding: Finding, day: date, point_ms: int, since: int, change: Moved | None) -> DayFigure | None:
        """What is kept of a day; None where it was not clean.

        since: ordinal of the day from which on days join no history, 0 for none
        """
        ordinal = day.toordinal()
        one = self._taken
        if one is None:
            return None
        if since:
            self._days = {other.day: other for other in without(list(self._days.values()), since)}
        # A day that settles again after later ones says nothing new of when the two were apart.
        self._since[ordinal] = float(since) if since else self._since.get(ordinal, 0.0)
        well = change.first if change is not None and change.now is Now.RECOVERED else 0
        self._well = max(self._well, well)
        values = {ON_FILE: self._on_file, SINCE: self._since[ordinal], "told_wh": one.told_wh, "made_wh": one.made_wh}
        if well:
            values[_WELL] = float(well)
        revision = self.scene.settling[day].index(point_ms) + 1
        return DayFigure(finding, self.meter.id, day, revision, point_ms, values)

    def _day(self, ordinal: int, first: int, stop: int, point_ms: int) -> CleanDay | None:
        if not self.comparison.clean(first, stop):
            return None
        energies = self.comparison.energies(first, stop, point_ms)
        return None if energies is None else CleanDay(ordinal, energies[0] / 1000.0, energies[1] / 1000.0)


def _of_figure(figure: DayFigure) -> CleanDay:
    return CleanDay(figure.day.toordinal(), figure.values["told_wh"], figure.values["made_wh"])

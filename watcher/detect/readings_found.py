"""What readings alone tell of a site: the terms in which the judge answers.

Rule: what is not known is None, and a site of which nothing can be told says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from watcher.align.entry_check import Slip
from watcher.align.typed import TypedReading
from watcher.domain.finding import Finding
from watcher.expect.expectation import Basis


class Sureness(StrEnum):
    """How sure a finding is."""

    CERTAIN = "certain"
    LIKELY = "likely"
    POSSIBLE = "possible"  # one reading says so: the next will tell
    QUESTION = "question"  # the record may be wrong as well


class Cause(StrEnum):
    """What may lie behind a finding."""

    METER_STOPPED = "meter-stopped"
    NOTHING_MADE = "nothing-made"
    PART_DEAD = "part-dead"  # a string, a plane or one of several inverters
    SHADE_OR_DIRT = "shade-or-dirt"
    METER_LOSES = "meter-loses"
    RATING_WRONG = "rating-wrong"
    DIRECTION_WRONG = "direction-wrong"
    PANELS_ADDED = "panels-added"
    DATE_OF_CHANGE_WRONG = "date-of-change-wrong"


class Untold(StrEnum):
    """Why a site is not judged."""

    FEW_READINGS = "few-readings"
    NO_SUNSHINE = "no-sunshine"
    NO_FACTS = "no-facts"
    BATTERY = "battery"
    UNSTEADY = "unsteady"  # its readings differ so much that nothing short of a stop would show


@dataclass(frozen=True, slots=True)
class Held:
    """An interval between two good readings, held against the sunshine of just that time. [Wh]

    usual_wh: what the site usually makes of it. low_wh, high_wh: between which nine in ten healthy ones lie
    full_wh: what the sun and the equipment on file allowed
    """

    start_ms: int
    end_ms: int
    made_wh: float
    full_wh: float
    usual_wh: float
    low_wh: float
    high_wh: float


@dataclass(frozen=True, slots=True)
class ReadingsFinding:
    """A fault that readings tell of. share, loss_year_wh: of the usual output, with their intervals of nine in ten

    onset_ms, onset_low_ms, onset_high_ms: when it began. until_ms: None where it goes on
    likely_peak_w: of a record that may be wrong, the rating that would fit
    """

    finding: Finding
    causes: tuple[Cause, ...]
    sureness: Sureness
    onset_ms: int
    onset_low_ms: int
    onset_high_ms: int
    until_ms: int | None
    share: float
    share_low: float
    share_high: float
    loss_year_wh: float
    loss_low_wh: float
    loss_high_wh: float
    evidence: float
    intervals: int
    likely_peak_w: float | None = None


@dataclass(frozen=True, slots=True)
class DoubtfulReading:
    """A reading that does not go with the others. low_wh, high_wh: where the index should have stood [Wh]

    slip, offered_wh: what explains it, and the value that was meant, where that is clear
    """

    reading: TypedReading
    low_wh: float
    high_wh: float
    slip: Slip | None = None
    offered_wh: float | None = None


@dataclass(frozen=True, slots=True)
class ReadingsJudged:
    """All that the readings of one meter tell.

    level, level_sd: what it made of what the record allows, when it was well, and how sure that is
    fading: share a year. usual_year_wh: what it usually makes in a year
    findings: those that go on, the dearest first. past: those that are over. untold: why nothing could be told
    """

    meter: str
    basis: Basis
    held: tuple[Held, ...] = ()
    level: float | None = None
    level_sd: float | None = None
    fading: float | None = None
    usual_year_wh: float | None = None
    findings: tuple[ReadingsFinding, ...] = ()
    past: tuple[ReadingsFinding, ...] = ()
    doubtful: tuple[DoubtfulReading, ...] = ()
    untold: Untold | None = None

"""Which site-years there are: kind of roof, basis, region, and the faults each will have.

Rule: dealt like cards from one shuffled pack that is begun again when it is used up, so that every finding comes round
equally often, and the first N sites are the same however many are asked for. Half the sites are healthy.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

import numpy as np

from tests.bench.trial.calendar import Year
from tests.bench.trial.roofs import Kind
from watcher.domain.instant import parse_iso

REGION_SITES = 8
FAULTS_A_SITE = 7
FIRST_FAULT_DAY, LAST_FAULT_DAY = 35, 360
APART_DAYS = 12
SIZES = (50, 33, 20, 10, 5)
"""Losses an `output-low` may have [%]; 100 is `no-generation`."""


class Basis(StrEnum):
    SENSOR = "sensor"
    SATELLITE = "satellite"
    FORECAST = "forecast"
    NEIGHBOURS = "neighbours"


class Track(StrEnum):
    """Faults on one track never overlap; those on different tracks may."""

    PLANT = "plant"
    METER = "meter"
    REFERENCE = "reference"
    SAID = "said"


@dataclass(frozen=True, slots=True)
class Card:
    """finding: a name of the design. copies: how often it is in the pack. longest_days: it is never left that long"""

    finding: str
    track: Track
    copies: int = 1
    longest_days: float = 180.0
    shortest_days: float = 3.0


PACK = (
    Card("no-generation", Track.PLANT, 2, 60.0),
    Card("output-low", Track.PLANT, 8),
    Card("string-open", Track.PLANT),
    Card("string-low-current", Track.PLANT),
    Card("string-low-voltage", Track.PLANT),
    Card("string-intermittent", Track.PLANT),
    Card("module-lost", Track.PLANT),
    Card("power-limited", Track.PLANT),
    Card("late-start", Track.PLANT),
    Card("grid-voltage-trips", Track.PLANT),
    Card("shade-growing", Track.PLANT, shortest_days=60.0),
    Card("shade-new", Track.PLANT, shortest_days=20.0),
    Card("soiling", Track.PLANT, shortest_days=30.0),
    Card("ageing-fast", Track.PLANT, shortest_days=120.0),
    Card("inverter-silent", Track.PLANT, longest_days=20.0),
    Card("values-stuck", Track.PLANT, longest_days=10.0, shortest_days=0.5),
    Card("values-drifting", Track.PLANT, shortest_days=20.0),
    Card("clock-wrong", Track.PLANT, longest_days=40.0),
    Card("home-silent", Track.PLANT, longest_days=12.0),
    Card("meter-stalled", Track.METER, longest_days=40.0),
    Card("meter-silent", Track.METER, longest_days=40.0),
    Card("meter-mismatch", Track.METER, 4),
    Card("meter-reversed", Track.METER, longest_days=60.0),
    Card("meter-restarted", Track.METER),
    Card("meter-night-energy", Track.METER),
    Card("meter-unreadable", Track.METER, shortest_days=35.0),  # or nobody looks at it while it is
    Card("meter-display-drift", Track.METER, shortest_days=90.0),
    Card("reading-doubtful", Track.SAID),
    Card("meter-certification-due", Track.SAID),
    Card("site-record-wrong", Track.SAID),
    Card("earth-fault", Track.SAID, longest_days=10.0),
    Card("arc-fault", Track.SAID, longest_days=10.0),
    Card("inverter-overheating", Track.SAID, longest_days=10.0),
    Card("supply-voltage-danger", Track.SAID, longest_days=10.0),
    Card("battery-alarm", Track.SAID, 2, longest_days=10.0),
    Card("energy-imbalance", Track.SAID, 2),
    Card("reference-silent", Track.REFERENCE, longest_days=20.0),
    Card("reference-wrong", Track.REFERENCE, shortest_days=14.0),
)
"""Without `area-event`, which every power cut of a region is, and without `watcher-health`, `mail-failing` and
`store-trouble`: those are faults of the program's own surroundings and cannot stand in readings."""

MISREAD = ("pulses-lost-2", "pulses-lost-5", "pulses-lost-20", "constant-wrong", "pulses-doubled", "phase-missing")
STEPS_WH: tuple[float | None, ...] = (1.0, 10.0, 100.0, 1000.0, 1.0, None)
"""Of the meter's register; the fifth sends pulses; the last has no meter."""

PULSES_PLACE = 4


@dataclass(frozen=True, slots=True)
class Fault:
    """first_day, days: since the year's begin. size: nominal loss [%], 0 where the kind sets it. draw: its own seed"""

    finding: str
    track: Track
    first_day: float
    days: float
    size: int
    variant: str
    draw: int


@dataclass(frozen=True, slots=True)
class SitePlan:
    """step_wh: of the meter's register; None where there is no meter. by_pulses: it sends pulses"""

    number: int
    seed: int
    kind: Kind
    basis: Basis
    region: int
    year: Year
    step_wh: float | None
    by_pulses: bool
    faults: tuple[Fault, ...]

    @property
    def id(self) -> str:
        return f"trial-{self.number}"

    @property
    def healthy(self) -> bool:
        return not self.faults


def plan(seed: int, sites: int, kinds: tuple[Basis, ...] = tuple(Basis)) -> list[SitePlan]:
    """kinds: the bases that are kept; the others are dealt all the same."""
    rng = np.random.default_rng((seed, 1))
    pack: list[Card] = []
    used: dict[object, int] = {}
    found: list[SitePlan] = []
    for number in range(sites):
        region = number // REGION_SITES
        month = 1 + int(np.random.default_rng((seed, 2, region)).integers(12))
        kind, basis = _lot(tuple(Kind), number, (seed, 4)), list(Basis)[number % len(Basis)]
        place = _lot(tuple(range(len(STEPS_WH))), number, (seed, 5))
        step, by_pulses = STEPS_WH[place], place == PULSES_PLACE
        faulty = (number // len(Basis)) % 2 == 1
        cards = _deal(pack, kind, basis, step, rng) if faulty else []
        faults = _dated(cards, used, rng)
        year = Year(parse_iso(f"2025-{month:02d}-01T00:00:00Z"))
        found.append(SitePlan(number, seed, kind, basis, region, year, step, by_pulses, faults))
    return [one for one in found if one.basis in kinds]


_T = TypeVar("_T")


def _lot(of: tuple[_T, ...], number: int, seed: tuple[int, int]) -> _T:
    """Each in turn, in an order drawn anew for every round."""
    order = np.random.default_rng((*seed, number // len(of))).permutation(len(of))
    return of[order[number % len(of)]]


def _deal(pack: list[Card], kind: Kind, basis: Basis, step: float | None, rng: np.random.Generator) -> list[Card]:
    hand: list[Card] = []
    while len(hand) < FAULTS_A_SITE:
        fits = [card for card in pack if _fits(card, kind, basis, step) and hand.count(card) < 2]
        plant = sum(card.track is Track.PLANT for card in hand)
        fits = [card for card in fits if plant < 4 or card.track is not Track.PLANT]
        if not fits:
            fresh = [card for card in PACK for _ in range(card.copies)]
            pack += [fresh[n] for n in rng.permutation(len(fresh))]
            continue
        hand.append(fits[0])
        pack.remove(fits[0])
    return hand


def _fits(card: Card, kind: Kind, basis: Basis, step: float | None) -> bool:
    battery = kind in (Kind.AC_BATTERY, Kind.DC_BATTERY)
    if card.finding in ("battery-alarm", "energy-imbalance"):
        return battery
    if card.track is Track.REFERENCE:
        return basis is not Basis.NEIGHBOURS
    if card.track is Track.METER or card.finding in ("reading-doubtful", "meter-certification-due"):
        return step is not None
    if card.finding.startswith(("string-", "module-")) or card.finding == "values-drifting":
        return kind not in (Kind.MICRO, Kind.OPTIMISED)
    return True


def _dated(cards: list[Card], used: dict[object, int], rng: np.random.Generator) -> tuple[Fault, ...]:
    found: list[Fault] = []
    for track in Track:
        mine = [card for card in cards if card.track is track]
        if not mine:
            continue
        room = LAST_FAULT_DAY - FIRST_FAULT_DAY - APART_DAYS * len(mine)
        wish = [float(np.exp(rng.uniform(np.log(card.shortest_days), np.log(card.longest_days)))) for card in mine]
        shrink = min(1.0, room / sum(wish))
        left = max(0.0, room - shrink * sum(wish))
        pauses = rng.dirichlet(np.ones(len(mine) + 1)) * left
        day = float(FIRST_FAULT_DAY)
        for card, days, pause in zip(mine, wish, pauses, strict=False):
            day += pause
            size, variant = _size(card, used)
            length = max(days * shrink, 0.5)
            found.append(Fault(card.finding, track, day, length, size, variant, int(rng.integers(2**31))))
            day += length + APART_DAYS
    return tuple(found)


def _size(card: Card, used: dict[object, int]) -> tuple[int, str]:
    """Of what there is to choose, what has been used least."""
    choices: Mapping[str, tuple[object, ...]] = {"output-low": SIZES, "meter-mismatch": MISREAD, "soiling": (20, 10, 5)}
    options = choices.get(card.finding)
    if options is None:
        return (100 if card.finding == "no-generation" else 0), ""
    least = min(options, key=lambda one: used.get((card.finding, one), 0))
    used[card.finding, least] = used.get((card.finding, least), 0) + 1
    return (least, "") if isinstance(least, int) else (0, str(least))

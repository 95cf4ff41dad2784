"""Many sites with nothing installed, each judged on the best there is: its sunshine, its neighbours, or a typical sky.

Rule: one site's readings are judged by themselves; what it takes from others is the weather alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import cos, hypot, radians

from watcher.align.typed import MeterLife, TypedReading
from watcher.detect.readings_found import ReadingsJudged
from watcher.detect.readings_only import believed, judge_readings
from watcher.expect.expectation import Basis
from watcher.expect.past_energy import PastEnergy
from watcher.expect.regional import Neighbour, neighbour, regional_energy

KM_A_DEGREE = 111.2
NEAR_KM = 75.0
"""Neighbours are alike in the weather of quarters so far around (own choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class SiteReadings:
    """One meter's readings and what they can be held against.

    energy, basis: by the sunshine of the past; None where none is known. typical: under a typical sky
    limits: where the site's file bends those of all
    """

    life: MeterLife
    readings: Sequence[TypedReading]
    typical: PastEnergy
    energy: PastEnergy | None = None
    basis: Basis = Basis.NONE
    limits: Mapping[str, float] = field(default_factory=dict)


def judge_fleet(sites: Sequence[SiteReadings], limits: Mapping[str, float]) -> list[ReadingsJudged]:
    """Each site judged, in the order given. limits: as in judge_readings"""
    untold = [site for site in sites if site.energy is None]
    words = [_word(site) for site in sites] if untold else []
    found = []
    for site in sites:
        energy, basis = site.energy, site.basis
        if energy is None:
            others = [word for other, word in zip(sites, words, strict=True) if _beside(site, other)]
            energy, basis = regional_energy(site.typical, [word for word in others if word is not None]), Basis.PEERS
        if energy is None:
            energy, basis = site.typical, Basis.NONE
        found.append(judge_readings(site.readings, site.life, energy, basis, {**limits, **site.limits}))
    return found


def _word(site: SiteReadings) -> Neighbour | None:
    return neighbour(*believed(site.readings, site.life, site.typical), site.typical)


def _beside(site: SiteReadings, other: SiteReadings) -> bool:
    return other is not site and apart_km(site, other) <= NEAR_KM


def apart_km(one: SiteReadings, other: SiteReadings) -> float:
    """The way between two sites, on a flat earth, which is near enough for neighbours."""
    here, there = one.life.record.base, other.life.record.base
    east = (here.longitude_deg - there.longitude_deg) * cos(radians(here.latitude_deg))
    return KM_A_DEGREE * hypot(here.latitude_deg - there.latitude_deg, east)

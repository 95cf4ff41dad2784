"""How well readings alone tell what is wrong: invented fleets of a hundred homes over ten years, and healthy ones.

    python -m tests.bench.readings_fleet --seed 1000                 one fleet: the list, and what was missed
    python -m tests.bench.readings_fleet --healthy 1000 --seed 2000  false alarms on healthy site-decades
    --basis satellite | peers | none                                 what the readings are held against

Rule: the fleet is the simulated one (watcher/simulate/fleet*.py), whose sky, planes and inverters share nothing with
what judges. Seeds under 1000 were used for tuning; figures are reported on others.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from watcher.alert.policy import POLICY
from watcher.align.typed import TypedReading, life_of
from watcher.align.window import Floats
from watcher.detect.readings_fleet import SiteReadings, judge_fleet
from watcher.detect.readings_found import ReadingsJudged, Sureness
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding
from watcher.domain.site import Array, Inverter, Meter, MeterRole, Site, SiteRecord
from watcher.expect.expectation import Basis
from watcher.expect.past_energy import past_energy, typical_sunshine
from watcher.expect.past_sunshine import PastSunshine
from watcher.simulate.fleet import BEGIN_MS, END_MS, HALF_DEAD, REGIONS, STOPPED, FleetHome, draw_fleet
from watcher.simulate.fleet_readings import Book, keep_book
from watcher.simulate.fleet_roof import counted_wh, everyday_dirt, made_wh
from watcher.simulate.fleet_sky import ArchiveErrors, CellSky, cell_sky, hours_of, region_clearness, told


@dataclass(frozen=True, slots=True)
class Case:
    home: FleetHome
    book: Book
    record: SiteRecord
    sunshine: PastSunshine


def fleet(count: int, seed: int, half_dead: int = HALF_DEAD, stopped: int = STOPPED) -> Iterator[Case]:
    rng = np.random.default_rng(seed)
    cells, homes = draw_fleet(count, rng, half_dead, stopped)
    ends = hours_of(BEGIN_MS, END_MS)
    regions = [region_clearness(ends, rng) for _ in REGIONS]
    skies = {cell.id: cell_sky(cell, ends, regions[cell.region], rng) for cell in cells}
    archives = {id: told(sky, ArchiveErrors(), rng) for id, sky in skies.items()}
    for home in homes:
        sky = skies[home.cell.id]
        made = made_wh(home.roof, sky, home.fault, everyday_dirt(len(ends), rng))
        book = keep_book(home, counted_wh(made, sky, home.fault), rng)
        yield Case(home, book, record_of(home), sunshine_of(sky, archives[home.cell.id]))


def record_of(home: FleetHome) -> SiteRecord:
    """The site file as the papers have it."""
    site = Site(home.id, home.id, home.latitude_deg, home.longitude_deg, 60.0, ZoneInfo("Europe/London"))
    arrays = tuple(
        Array(
            f"array-{n + 1}", one.tilt_deg, one.azimuth_deg, one.peak_w,
            f"inverter-{one.inverter + 1}.input-{n + 1}", from_ms=one.from_ms,
        )
        for n, one in enumerate(home.papers)
    )  # fmt: skip
    since = {one.inverter: one.from_ms for one in reversed(home.papers)}
    inverters = [
        Inverter(f"inverter-{n + 1}", limit_w, from_ms=since.get(n, 0)) for n, limit_w in enumerate(home.limits_w)
    ]
    inverters += [Inverter(f"inverter-{n + 1}", limit_w, from_ms=at_ms) for at_ms, n, limit_w in home.exchanges]
    covers = tuple(f"inverter-{n + 1}" for n in range(len(home.limits_w)))
    meter = Meter("meter-1", MeterRole.GENERATION, covers, decimals=home.decimals)
    return SiteRecord(site, arrays, tuple(inverters), (meter,))


def sunshine_of(sky: CellSky, ghi: Floats) -> PastSunshine:
    basis = np.full(len(ghi), Basis.SATELLITE, dtype=np.int8)
    return PastSunshine(sky.hour_ending_ms, ghi, np.round(sky.temp_air + 0.7, 1), np.round(sky.wind, 1), basis)


def readings_of(book: Book) -> tuple[TypedReading, ...]:
    return tuple(
        TypedReading("meter-1", one.at_ms, one.kwh * 1000.0, typed=f"{one.kwh:g}", typed_wh=one.kwh * 1000.0)
        for one in book.readings
    )


def site_of(case: Case, by_sunshine: bool = True) -> SiteReadings:
    events = []
    if (change := case.book.exchange) is not None:
        values = {"final_index": change.final_kwh * 1e3, "opening_index": change.opening_kwh * 1e3}
        events = [Event(case.home.id, EventKind.METER_EXCHANGE, "meter-1", change.at_ms, change.at_ms, values)]
    life = life_of(case.record, events, "meter-1")
    covers = case.record.meters[0].covers
    sky = case.sunshine if by_sunshine else typical_sunshine(case.record, BEGIN_MS, END_MS)
    energy = past_energy(case.record, covers, sky)
    known = (energy, Basis.SATELLITE) if by_sunshine else (None, Basis.NONE)
    return SiteReadings(life, readings_of(case.book), energy, *known)


def judged(cases: Sequence[Case], basis: Basis) -> list[ReadingsJudged]:
    """Each home on this basis; without any, each for itself."""
    sites = [site_of(case, basis is Basis.SATELLITE) for case in cases]
    limits = POLICY[Finding.OUTPUT_LOW].limits
    if basis is Basis.NONE:
        return [judge_fleet([site], limits)[0] for site in sites]
    return judge_fleet(sites, limits)


ACCUSED = (Sureness.CERTAIN, Sureness.LIKELY)


def accused(found: ReadingsJudged) -> bool:
    return any(one.sureness in ACCUSED for one in found.findings)

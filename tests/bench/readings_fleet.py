"""How well readings alone tell what is wrong: invented fleets of a hundred homes over ten years, and healthy ones.

    python -m tests.bench.readings_fleet --seed 1000 --fleets 5               what was broken, and what was found
    python -m tests.bench.readings_fleet --seed 2000 --fleets 10 --healthy    false alarms of healthy site-decades
    --basis satellite | peers | none                                          held against this alone, and not all three

Rule: the fleet is the simulated one (watcher/simulate/fleet*.py), whose sky, planes and inverters share nothing with
what judges. Seeds under 1000 were used for tuning; figures are reported on others, each looked at once.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from time import perf_counter
from zoneinfo import ZoneInfo

import numpy as np
from scipy.stats import chi2
from threadpoolctl import threadpool_limits

from watcher.alert.policy import POLICY
from watcher.align.typed import TypedReading, life_of
from watcher.commands.demo_readings import TOP, compare
from watcher.detect.readings_fleet import SiteReadings, judge_fleet
from watcher.detect.readings_found import ReadingsJudged, Sureness
from watcher.domain.event import Event, EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import iso
from watcher.domain.site import Array, Inverter, Meter, MeterRole, Site, SiteRecord
from watcher.expect.expectation import Basis
from watcher.expect.past_energy import past_energy, typical_sunshine
from watcher.expect.past_sunshine import PastSunshine
from watcher.report.triage import triage
from watcher.simulate.fleet import BEGIN_MS, END_MS, FleetHome
from watcher.simulate.fleet_readings import Book
from watcher.simulate.fleet_world import FleetWorld, fleet_world

HOMES = 100
BASES = {"satellite": Basis.SATELLITE, "peers": Basis.PEERS, "none": Basis.NONE}
ACCUSED = (Sureness.CERTAIN, Sureness.LIKELY)
GROSS = 0.25
"""A slip by this share of what the home makes in a quarter can be told; a smaller one is weather."""


@dataclass(frozen=True, slots=True)
class Slips:
    """Mistyped readings that are gross, those of them that were named, and right readings that were."""

    gross: int
    named: int
    wrongly: int


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1, help="of the first fleet")
    parser.add_argument("--fleets", type=int, default=1)
    parser.add_argument("--healthy", action="store_true")
    parser.add_argument("--basis", choices=tuple(BASES), action="append")
    options = parser.parse_args()
    options.basis = options.basis or list(BASES)
    with threadpool_limits(1):
        (_healthy if options.healthy else _broken)(options)


def _broken(options: argparse.Namespace) -> None:
    for seed in range(options.seed, options.seed + options.fleets):
        begun = perf_counter()
        world = fleet_world(HOMES, seed)
        for basis in options.basis:
            found = judged(world, BASES[basis])
            outcome = compare(world.homes, triage([(record_of(home), one) for (home, _), one in _pairs(world, found)]))
            slips = slips_of(world, found)
            print(
                f"seed {seed} {basis}: {outcome.found} of {outcome.broken} among the first {TOP}, {outcome.dated} "
                f"dated, {outcome.accused} healthy accused; gross slips: {slips.named} of {slips.gross} named, "
                f"{slips.wrongly} right readings doubted; {perf_counter() - begun:.0f} s",
                flush=True,
            )


def _healthy(options: argparse.Namespace) -> None:
    counts = dict.fromkeys(options.basis, 0)
    for seed in range(options.seed, options.seed + options.fleets):
        world = fleet_world(HOMES, seed, half_dead=0, stopped=0)
        told = ((basis, *pair) for basis in counts for pair in _pairs(world, judged(world, BASES[basis])))
        for basis, (home, _), one in told:
            for finding in one.findings:
                if finding.sureness in ACCUSED:
                    counts[basis] += 1
                    print(
                        f"seed {seed} {basis} {home.id}: {finding.finding} {finding.sureness}, {finding.share:.2f}, "
                        f"evidence {finding.evidence:.1f}, {finding.intervals} intervals since {iso(finding.onset_ms)}",
                        flush=True,
                    )
    homes = HOMES * options.fleets
    for basis, count in counts.items():
        low, high = poisson(count)
        print(
            f"{basis}: {count} accused of {homes} healthy site-decades: {count / homes:.4f} a site-decade "
            f"(95 %: {low / homes:.4f} to {high / homes:.4f})"
        )


def poisson(count: int) -> tuple[float, float]:
    """The means between which a Poisson count of this size lies in 95 of 100 cases (Garwood 1936)."""
    low = 0.5 * float(chi2.ppf(0.025, 2 * count)) if count else 0.0
    return low, 0.5 * float(chi2.ppf(0.975, 2 * (count + 1)))


def judged(world: FleetWorld, basis: Basis) -> list[ReadingsJudged]:
    """Each home on this basis, in the world's order; with none, each for itself."""
    limits = POLICY[Finding.OUTPUT_LOW].limits
    order = sorted(range(len(world.homes)), key=lambda n: world.homes[n][0].cell.id)  # places of a cell share a sun
    sites = [_site(world, *world.homes[n], basis) for n in order]
    if basis is Basis.NONE:
        found = [judge_fleet([site], limits)[0] for site in sites]
    else:
        found = judge_fleet(sites, limits)
    by_place = dict(zip(order, found, strict=True))
    return [by_place[n] for n in range(len(order))]


def slips_of(world: FleetWorld, found: Sequence[ReadingsJudged]) -> Slips:
    gross = named = wrongly = 0
    for (_, book), one in _pairs(world, found):
        quarter_kwh = (one.usual_year_wh or 4e6) / 4e3
        slipped = {r.at_ms: abs(r.kwh - r.true_kwh) for r in book.readings if r.slip}
        doubted = {doubtful.reading.at_ms for doubtful in one.doubtful}
        large = {at_ms for at_ms, kwh in slipped.items() if kwh > GROSS * quarter_kwh}
        gross += len(large)
        named += len(large & doubted)
        wrongly += len(doubted - set(slipped))
    return Slips(gross, named, wrongly)


def _pairs(
    world: FleetWorld, found: Sequence[ReadingsJudged]
) -> Iterator[tuple[tuple[FleetHome, Book], ReadingsJudged]]:
    return zip(world.homes, found, strict=True)


def _site(world: FleetWorld, home: FleetHome, book: Book, basis: Basis) -> SiteReadings:
    record = record_of(home)
    events = []
    if (change := book.exchange) is not None:
        values = {"final_index": change.final_kwh * 1e3, "opening_index": change.opening_kwh * 1e3}
        events = [Event(home.id, EventKind.METER_EXCHANGE, "meter-1", change.at_ms, change.at_ms, values)]
    life = life_of(record, events, "meter-1")
    covers = record.meters[0].covers
    if basis is Basis.SATELLITE:
        energy = past_energy(record, covers, _sunshine(world, home))
        return SiteReadings(life, _readings(book), energy, energy, basis)
    return SiteReadings(life, _readings(book), past_energy(record, covers, typical_sunshine(record, BEGIN_MS, END_MS)))


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


def _sunshine(world: FleetWorld, home: FleetHome) -> PastSunshine:
    _, sky, ghi = world.cells[home.cell.id]
    basis = np.full(len(ghi), Basis.SATELLITE, dtype=np.int8)
    return PastSunshine(sky.hour_ending_ms, ghi, np.round(sky.temp_air + 0.7, 1), np.round(sky.wind, 1), basis)


def _readings(book: Book) -> tuple[TypedReading, ...]:
    return tuple(
        TypedReading("meter-1", one.at_ms, one.kwh * 1000.0, typed=f"{one.kwh:g}", typed_wh=one.kwh * 1000.0)
        for one in book.readings
    )


if __name__ == "__main__":
    main()

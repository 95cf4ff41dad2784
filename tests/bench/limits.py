"""How often healthy plants would be accused of losing level, and how soon a loss is told: python -m tests.bench.limits

Seeded years of daily ratios go through the test itself (detect/level.py), levels, allowances and closing rules
included. Healthy days are heavy-tailed and resemble the day before (Student t with 4 degrees of freedom, correlation
0.3: as measured on a real roof); levels wander with the season and with chance. The budget is one false alert in 33
years a plant, so that three such tests keep within one in ten.
"""

from __future__ import annotations

import argparse
import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from watcher.alert.policy import POLICY
from watcher.detect.level import Ratio, Reference, State, step
from watcher.domain.finding import Finding
from watcher.expect.band import day_sigma
from watcher.expect.expectation import Basis

_LIMITS = POLICY[Finding.OUTPUT_LOW].limits
REFERENCES = {
    basis: Reference.of(_LIMITS, basis.name.lower(), may_stray=basis is Basis.MEASURED)
    for basis in (Basis.MEASURED, Basis.PEERS, Basis.SATELLITE, Basis.WEATHER)
}
BUDGET = 0.03
LATITUDE_DEG = 53.5


@dataclass(frozen=True, slots=True)
class Wander:
    """season: standard deviation of the amplitude of a yearly wave in a plant's level. walk: of a day's step"""

    season: float
    walk: float


# Standard deviation between the level of sixty days and that of the twenty after them: 4.5, 4.5, 8 and 8.6 %, of which
# sampling explains 1.6, 2.6, 4.4 and 8.0 % (measured on simulated site-years with physics of their own).
WANDERS = {
    Basis.MEASURED: Wander(0.025, 0.0012),
    Basis.PEERS: Wander(0.025, 0.0012),
    Basis.SATELLITE: Wander(0.035, 0.0015),
    Basis.WEATHER: Wander(0.045, 0.0015),
}


def noon_elevation_deg(day: int) -> float:
    return 90.0 - LATITUDE_DEG - 23.44 * math.cos(2.0 * math.pi * (day + 10) / 365.25)


def years(basis: Basis, seed: int, count: int) -> list[Ratio]:
    """The usable days of so many years of one healthy plant."""
    chance = np.random.default_rng([seed, int(basis)])
    days = round(365.25 * count)
    noise = chance.standard_t(4, days) / math.sqrt(2.0)
    for day in range(1, days):
        noise[day] = 0.3 * noise[day - 1] + math.sqrt(1 - 0.3**2) * noise[day]
    own = chance.lognormal(0.0, 0.25)
    wander = WANDERS[basis]
    wave = chance.normal(0.0, wander.season) * np.sin(2 * np.pi * (np.arange(days) / 365.25 + chance.uniform()))
    walk = np.cumsum(chance.normal(0.0, wander.walk, days))
    level = chance.normal(0.0, 0.06)
    clearness = np.clip(chance.beta(1.6, 1.4, days), 0.05, 1.0)
    found = []
    for day in range(days):
        noon = noon_elevation_deg(day)
        # A day under six per cent of a good summer day says nothing.
        share = 0.9 * clearness[day] * (math.sin(math.radians(noon)) / math.sin(math.radians(60.0))) ** 1.3
        if share < 0.06:
            continue
        sigma = day_sigma(basis, noon, float(clearness[day]), share)
        log = level + float(wave[day] + walk[day]) + own * sigma * float(noise[day])
        found.append(Ratio(day, log, sigma, doubtful=False, noon_deg=noon))
    return found


def alarms(basis: Basis, count: int, reference: Reference, seed: int) -> tuple[int, int]:
    """Alarms in so many healthy years of one plant, and days under them."""
    state, told, under = State(), 0, 0
    for day in years(basis, seed, count):
        after = step(state, day, reference)
        told += bool(after.alarmed) and not state.alarmed
        under += bool(after.alarmed)
        state = after
    return told, under


def delay(basis: Basis, loss: float, reference: Reference, seed: int) -> float:
    """Days from a loss, begun on a day of the second year, to its being told; infinite where it is not in 180."""
    chance = np.random.default_rng(seed)
    onset = int(chance.integers(365, 730))
    state = State()
    for day in years(basis, seed, 3):
        if day.day >= onset:
            day = day._replace(log=day.log + math.log(1.0 - loss))
        before, state = state, step(state, day, reference)
        if day.day >= onset + 180:
            return math.inf
        if state.alarmed and not before.alarmed and day.day >= onset:
            return day.day - onset + 1.0
    return math.inf


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--plants", type=int, default=400)
    parser.add_argument("--years", type=int, default=3)
    parser.add_argument("--limits", type=float, nargs="*", default=())
    options = parser.parse_args()
    with ProcessPoolExecutor(max_workers=2) as pool:
        for basis in WANDERS:
            for limit in options.limits or (REFERENCES[basis].limit,):
                reference = replace(REFERENCES[basis], limit=limit)
                work = partial(alarms, basis, options.years, reference)
                found = list(pool.map(work, range(options.plants), chunksize=20))
                total = options.plants * options.years
                told = sum(one for one, _ in found)
                under = sum(days for _, days in found) / (total * 365.25)
                print(
                    f"{basis.name.lower():10} limit {limit:5.1f}: {told / total:.3f} a year ({told} in {total}, ",
                    end="",
                )
                print(f"goal {BUDGET}), {100 * under:.2f} % of days under one")
            for loss in (0.5, 0.4, 0.3, 0.2, 0.1, 0.05):
                work = partial(delay, basis, loss, REFERENCES[basis])
                waits = sorted(pool.map(work, range(1000, 1000 + max(20, options.plants // 4)), chunksize=10))
                middle, most = waits[len(waits) // 2], waits[len(waits) * 9 // 10]
                print(f"{'':10} a loss of {100 * loss:2.0f} % after {middle:.0f} days (nine in ten by {most:.0f})")


if __name__ == "__main__":
    main()

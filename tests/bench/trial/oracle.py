"""The best that could be done: one that knows each day's true loss and adds up evidence as fast as its basis allows.

Rule: a day on which a share d (as a logarithm) is missing and which is seen with error sigma is worth 0.5 (d/sigma)^2;
at LIMIT one false alarm in about thirty years is to be expected (judging-notes.md, section 0). Sigma is measured on the
healthy sites of the same trial; where there are too few, the notes' table stands in.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.bench.trial.judging import Judged
from tests.bench.trial.plan import Basis
from tests.bench.trial.roofs import Kind
from tests.bench.trial.truth import Wrong
from watcher.align.window import Floats

LIMIT = 8.0
LEAST_DAY_SHARE = 0.06
CONTRAST_SIGMA = 0.03
MOST_LOG = 3.0
FEWEST_DAYS = 60
SEASONS = ("winter", "between", "summer")
TABLE: dict[Basis, tuple[float, float, float]] = {
    Basis.SENSOR: (0.036, 0.021, 0.017),
    Basis.SATELLITE: (0.150, 0.127, 0.104),
    Basis.FORECAST: (0.303, 0.255, 0.194),
    Basis.NEIGHBOURS: (0.25, 0.19, 0.14),
}
"""By season; neighbours: two or three of mixed planes."""

Sigmas = dict[Basis, tuple[float, float, float]]


def season_of(judged: Judged) -> np.ndarray:
    """0 winter (November to February), 1 between, 2 summer (May to August), by day of the year."""
    day = judged.plan.year.day_of_year()
    return np.where((day >= 305) | (day < 60), 0, np.where((day >= 121) & (day < 244), 2, 1))


def measured_sigmas(trial: Sequence[Judged]) -> tuple[Sigmas, dict[str, dict[str, float]]]:
    """Robust spread of ln(made/expected) on healthy days, the 61-day median removed; and what was really measured."""
    residuals: dict[tuple[Basis, int], list[float]] = {}
    for one in trial:
        if one.plan.healthy and one.plan.kind not in (Kind.DC_BATTERY, Kind.EXPORT_LIMITED) and len(one.days):
            _collect(one, residuals)
    found: Sigmas = {}
    told: dict[str, dict[str, float]] = {}
    for basis, table in TABLE.items():
        values = list(table)
        for season in range(3):
            drawn = residuals.get((basis, season), [])
            if len(drawn) >= FEWEST_DAYS:
                low, high = np.quantile(drawn, (0.16, 0.84))
                values[season] = float(high - low) / 2.0
                told.setdefault(str(basis), {})[SEASONS[season]] = values[season]
        found[basis] = (values[0], values[1], values[2])
    return found, told


def _collect(judged: Judged, into: dict[tuple[Basis, int], list[float]]) -> None:
    made, expected, coverage = judged.days[:, 1], judged.days[:, 3], judged.days[:, 4]
    usable = (
        (coverage > 0.9) & (made > 0.0) & (expected > LEAST_DAY_SHARE * np.nanmax(np.nan_to_num(expected), initial=1.0))
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        log = np.where(usable, np.log(made / expected), np.nan)
    seasons = season_of(judged)
    first = int(judged.days[0, 0])
    for n in np.flatnonzero(np.isfinite(log)):
        around = log[max(0, n - 30) : n + 31]
        day = min(int(judged.days[n, 0]) - first, len(seasons) - 1)
        into.setdefault((judged.plan.basis, int(seasons[day])), []).append(float(log[n] - np.nanmedian(around)))


def seen_wh(judged: Judged, wrong: Wrong, sigmas: Sigmas) -> float:
    """Energy of a fault that is lost after the oracle has opened."""
    total = float(wrong.lost_wh.sum())
    if total <= 0.0:
        return 0.0
    padded: Floats = np.zeros(judged.plan.year.points)
    padded[wrong.first : wrong.stop] = wrong.lost_wh
    lost = padded.reshape(judged.plan.year.days, 288).sum(axis=1)
    healthy, seasons = judged.healthy_wh, season_of(judged)
    evidence, before = 0.0, 0.0
    contrast = judged.has_dc and wrong.finding.startswith(("string-", "module-"))
    for day in range(wrong.first // 288, min((wrong.stop - 1) // 288 + 1, len(lost))):
        usable = healthy[day] >= LEAST_DAY_SHARE * healthy.max()
        share = min(lost[day] / max(healthy[day], 1.0), 1.0)
        delta = min(-np.log(max(1.0 - share, np.exp(-MOST_LOG))), MOST_LOG)
        sigma = CONTRAST_SIGMA if contrast else sigmas[judged.plan.basis][int(seasons[day])]
        worth = 0.5 * (delta / sigma) ** 2 if usable else 0.0
        if evidence + worth >= LIMIT:
            return total - before - lost[day] * (LIMIT - evidence) / worth
        evidence, before = evidence + worth, before + float(lost[day])
    return 0.0

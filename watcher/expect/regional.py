"""What the quarters of a region were like, from the meters of neighbours, where no sunshine of the past is known.

Each site's readings are held against a typical sky through its own planes; what its neighbours made over and under it,
month by month, is the weather they had in common. A neighbour's own level, and its faults, are taken out first.

Rule: a site never speaks for itself, and fewer than five neighbours speak for nobody.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from watcher.align.window import Floats, Ints
from watcher.domain.instant import DAY_MS, HOUR_MS
from watcher.expect.past_energy import PastEnergy

LEAST_NEIGHBOURS = 5

MONTH_MS = round(365.2425 / 12 * DAY_MS)

MONTH_SD = 0.2
"""What months differ by, as a logarithm (British months; common practice, no source)."""

NOISE = 0.08
"""Of a healthy site's interval about its region's, as a logarithm."""

LEAST_INTERVALS = 4
STOPPED = 0.05
"""Of a typical sky's energy: with less a meter has stopped, and says nothing of the weather."""

TURNS = 8
_CLIP = 3.0
"""Deviations past which an interval says nothing of the weather (Beaton and Tukey's weights, 1974; 4.7 of them)."""


@dataclass(frozen=True, slots=True, eq=False)
class Neighbour:
    """What one site tells of the weather. first: number of its first month, counted in MONTH_MS since 1970

    shares: of each interval's typical energy, by month. ratio: ln of made over typical
    """

    first: int
    shares: Floats
    ratio: Floats


def neighbour(start_ms: Ints, end_ms: Ints, made: Floats, typical: PastEnergy) -> Neighbour | None:
    """A site's word from its intervals between readings; None where it has too few. made: [Wh]"""
    first, edges = _months(typical)
    low = np.maximum(start_ms[:, None], edges[None, :-1])
    high = np.minimum(end_ms[:, None], edges[None, 1:])
    inside = high > low
    parts = np.zeros(inside.shape)
    parts[inside] = np.nan_to_num(typical.between(low[inside], high[inside]).expected)
    whole = parts.sum(axis=1)
    good = (whole > 0.0) & (made > STOPPED * whole)
    if good.sum() < LEAST_INTERVALS:
        return None
    return Neighbour(first, parts[good] / whole[good, None], np.log(made[good] / whole[good]))


def regional_energy(own: PastEnergy, neighbours: Sequence[Neighbour]) -> PastEnergy | None:
    """What a site should have made under its region's weather; None with fewer than five neighbours that tell of it.

    own: the site's energy under a typical sky. neighbours: the site itself left out. Months of which nobody tells are
    not known
    """
    if len(neighbours) < LEAST_NEIGHBOURS:
        return None
    first, edges = _months(own)
    months = len(edges) - 1
    weather, speakers = _weather([_over(one, first, months) for one in neighbours], months)
    at_ms = own.begin_ms + HOUR_MS * np.arange(len(own.expected_sums) - 1, dtype=np.int64)
    month = at_ms // MONTH_MS - first
    known = (speakers >= LEAST_NEIGHBOURS)[month]
    expected = np.where(known, np.diff(own.expected_sums) * np.exp(weather)[month], 0.0)
    clear = np.where(known, np.diff(own.clear_sums), 0.0)
    return PastEnergy(own.begin_ms, _sums(expected), _sums(clear), own.clear_sums)


def _months(energy: PastEnergy) -> tuple[int, Ints]:
    first, last = energy.begin_ms // MONTH_MS, -(-energy.end_ms // MONTH_MS)
    return first, MONTH_MS * np.arange(first, last + 1, dtype=np.int64)


def _over(one: Neighbour, first: int, months: int) -> tuple[Floats, Floats]:
    """(shares, ratio) over these months; intervals that reach outside them are left out."""
    shares = np.zeros((len(one.ratio), months))
    low, high = max(first, one.first), min(first + months, one.first + one.shares.shape[1])
    shares[:, low - first : high - first] = one.shares[:, low - one.first : high - one.first]
    inside = shares.sum(axis=1) > 0.999
    return shares[inside], one.ratio[inside]


def _weather(told: Sequence[tuple[Floats, Floats]], months: int) -> tuple[Floats, Ints]:
    """(ln of the weather of each month, how many neighbours tell of it), by weighted least squares over and over."""
    told = [one for one in told if len(one[1])]
    shares = np.concatenate([one[0] for one in told] or [np.zeros((0, months))])
    ratio = np.concatenate([one[1] for one in told] or [np.zeros(0)])
    site = np.concatenate([np.full(len(one[1]), n) for n, one in enumerate(told)] or [np.zeros(0, dtype=np.int64)])
    if not len(ratio):
        return np.zeros(months), np.zeros(months, dtype=np.int64)
    weight = np.ones(len(ratio))
    weather = np.zeros(months)
    for _ in range(TURNS):
        rest = ratio - shares @ weather
        level = np.array([_middle(rest[site == n], weight[site == n]) for n in range(len(told))])
        off = rest - level[site]
        spread = max(float(np.median(np.abs(off))) / 0.6745, 0.01)
        weight = np.clip(1.0 - (off / (_CLIP * 1.57 * spread)) ** 2, 0.0, None) ** 2
        squares = (shares * weight[:, None]).T @ shares / NOISE**2 + np.eye(months) / MONTH_SD**2
        weather = np.linalg.solve(squares, (shares * weight[:, None]).T @ (ratio - level[site]) / NOISE**2)
    speakers = np.zeros(months, dtype=np.int64)
    for n in range(len(told)):
        mine = (site == n) & (weight > 0.0)
        speakers += shares[mine].sum(axis=0) > 0.05
    return weather, speakers


def _middle(values: Floats, weight: Floats) -> float:
    """The weighted median; of a site that was half dead for the most part, the level it then had."""
    order = np.argsort(values)
    sums = np.cumsum(weight[order])
    if sums[-1] <= 0.0:
        return float(np.median(values))
    return float(values[order][np.searchsorted(sums, 0.5 * sums[-1])])


def _sums(hours: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(hours)))

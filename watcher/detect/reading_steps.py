"""What happened between readings: a search for the few steps, stops and slips that explain a row of energy sums.

A healthy row is a level, a season of the site's own (shade, the reference's bias), slow ageing, a level that wanders,
and noise. Whatever sticks out of that is looked for as one of a few shapes, the one that explains most first: output
lower or higher from one interval to another, or for good; falling slowly; one reading written down wrong.

Rule: a slow thing is never called a step, and a shape is believed only past a limit that is set by simulation for a
stated rate of false alarms (generalised likelihood ratio; Basseville and Nikiforov 1993, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.domain.instant import DAY_MS

YEAR_MS = 365.2425 * DAY_MS

LEVEL_SD = 3.0  # nothing is known of it but what the row says
SEASON_SD = (0.12, 0.04)
"""Of the yearly wave and of the half-yearly one: a tree to the south costs a third of a winter (own choice)."""

FADING, FADING_SD = -0.006, 0.008
"""Share a year: ageing of half a per cent (Jordan et al. 2016, from memory) and a little dirt; and its spread."""

WANDER = 0.025
"""Standard deviation of the level's wandering in a year: wider than simulated, as with the bands (sum_band.SLOW)."""

EVENT_SD, SLIP_SD_WH = 3.0, 1e7
MOST_EVENTS = 8
PARTS = (0.0, 0.3, 0.6, 0.9)
"""Share of the interval before a step that is tried as already affected."""

ROUNDS = 4
RAMP_YEARS = 1.5
"""What falls for less than this cannot be told from a step."""

NEARLY = 2.0
"""Log likelihood within which an onset is as good as the best: about 95 % (Wilks 1938)."""

SCALE_LOW, SCALE_HIGH, SCALE_PRIOR = 0.8, 3.0, 8.0
"""Bounds of a site's own noise over the basis's, and how many differences the basis's word is worth."""


class Shape(StrEnum):
    STEP = "step"
    RAMP = "ramp"
    SLIP = "slip"


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """Intervals in order of time.

    ratio: made over expected, over the site's usual share. sigma: of it, of a healthy one
    weight: expected energy times that usual share [Wh]. joined: the next begins with the reading that ends this one
    """

    start_ms: Ints
    end_ms: Ints
    ratio: Floats
    sigma: Floats
    weight: Floats
    joined: Bools

    def __len__(self) -> int:
        return len(self.ratio)

    @property
    def years(self) -> Floats:
        """Middles, from the first one on."""
        middle = (self.start_ms + self.end_ms) / 2.0 / YEAR_MS
        return np.asarray(middle - middle[0])


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened.

    first, last: the intervals it holds for in full; of a slip those before and after the reading
    part: share of the interval before the first that it holds for
    size: of a step, share of the usual output, below 0 less; of a ramp the same in a year; of a slip energy [Wh]
    evidence: log likelihood ratio against the same without it
    onsets: (first, part) that are nearly as likely
    """

    shape: Shape
    first: int
    last: int
    part: float
    size: float
    size_sd: float
    evidence: float
    onsets: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Explained:
    """events: in the order found. usual: the ratio without them, by interval. noise: standard deviation of each ratio
    about it. fading: share a year. next_best: evidence of the best shape not believed
    """

    events: tuple[Event, ...]
    usual: Floats
    noise: Floats
    fading: float
    next_best: float


def explain(row: Row, limit: float) -> Explained:
    """The shapes that stick out of a row by more than the limit. ValueError for fewer than two intervals."""
    if len(row) < 2:
        raise ValueError("one interval tells nothing of another")
    shapes = _Shapes(row)
    healthy = _healthy(row)
    sigma = row.sigma * _own_scale(row)
    season = np.ones(len(row))
    chosen: list[int] = []
    while True:
        for _ in range(ROUNDS):
            # A loss is a share of what is usual in that season, which is known once the loss is.
            columns = shapes.columns(season)
            fit = _Fit(row, sigma, healthy, shapes, chosen, columns)
            season = np.clip(1.0 + fit.season, 0.3, 2.0)
        gains = fit.gains(columns)
        best = int(np.argmax(gains))
        if gains[best] <= limit or len(chosen) == MOST_EVENTS:
            break
        chosen.append(best)
    events = []
    for n, place in enumerate(chosen):
        others = [*chosen[:n], *chosen[n + 1 :]]
        all_gains = _Fit(row, sigma, healthy, shapes, others, columns).gains(columns)
        events.append(shapes.event(place, fit, len(healthy.variances) + n, all_gains, season))
    return Explained(tuple(events), fit.usual, sigma, FADING + fit.fading, float(gains[best]))


@dataclass(frozen=True, slots=True, eq=False)
class _Healthy:
    """What a healthy row may do: columns and the prior variance of each: level, two waves, ageing."""

    columns: Floats
    variances: Floats


def _healthy(row: Row) -> _Healthy:
    turn = 2.0 * np.pi * ((row.start_ms + row.end_ms) / 2.0 / YEAR_MS)
    length = (row.end_ms - row.start_ms) / YEAR_MS
    columns, variances = [np.ones(len(row))], [LEVEL_SD**2]
    for n, sd in enumerate(SEASON_SD, start=1):
        fades = np.sinc(n * length)  # over a whole year a wave has come to nothing
        columns += [fades * np.cos(n * turn), fades * np.sin(n * turn)]
        variances += [sd**2, sd**2]
    return _Healthy(np.column_stack([*columns, row.years]), np.array([*variances, FADING_SD**2]))


def _own_scale(row: Row) -> float:
    """How noisy this site is against its basis: from each interval and the one a year before, which no step upsets."""
    years = row.years
    apart = np.abs(years[:, None] - years[None, :] - 1.0)
    year_before = np.argmin(apart, axis=1)
    fits = apart[np.arange(len(row)), year_before] < 0.15
    now, then = np.flatnonzero(fits), year_before[fits]
    if len(now) < 3:
        return 1.0
    off = (row.ratio[now] - row.ratio[then] - FADING) / np.hypot(row.sigma[now], row.sigma[then])
    spread = float(np.median(np.abs(off))) / 0.6745
    scale = np.sqrt((len(now) * spread**2 + SCALE_PRIOR) / (len(now) + SCALE_PRIOR))
    return float(np.clip(scale, SCALE_LOW, SCALE_HIGH))


class _Shapes:
    """Every shape there is to try: what it is, and what it does to each ratio per unit of its size."""

    def __init__(self, row: Row) -> None:
        self.row = row
        count, years = len(row), row.years
        self.kinds: list[tuple[Shape, int, int, float]] = []
        columns: list[Floats] = []
        places = np.arange(count)
        for first in range(count):
            for last in range(first, count):
                if first == 0 and last > 0:
                    continue  # what was so from the beginning is the level; if it ends, that is the event
                inside = ((places >= first) & (places <= last)).astype(np.float64)
                for part in PARTS if last == count - 1 and first > 0 else PARTS[:1]:
                    self.kinds.append((Shape.STEP, first, last, part))
                    columns.append(np.where(places == first - 1, part, inside))
        for first in range(count):
            if years[-1] - years[first] >= RAMP_YEARS:
                self.kinds.append((Shape.RAMP, first, count - 1, 0.0))
                columns.append(np.maximum(years - years[first], 0.0))
        self.slips_from = len(columns)
        for first in np.flatnonzero(row.joined[:-1]).tolist():
            self.kinds.append((Shape.SLIP, first, first + 1, 0.0))
            slip = np.where(places == first, 1.0, np.where(places == first + 1, -1.0, 0.0))
            columns.append(slip / row.weight)
        self._columns = np.column_stack(columns)

    def columns(self, season: Floats) -> Floats:
        """What each shape does where this is the season's share; a slip is energy, in whatever season."""
        found = self._columns.copy()
        found[:, : self.slips_from] *= season[:, None]
        return found

    def variance(self, place: int) -> float:
        """Prior, of a shape's size: as good as free."""
        return SLIP_SD_WH**2 if place >= self.slips_from else EVENT_SD**2

    def event(self, place: int, fit: _Fit, at: int, gains: Floats, season: Floats) -> Event:
        """A shape as it came out. at: its place in the fit. gains: of every shape, had this one not been believed"""
        shape, first, last, part = self.kinds[place]
        near = tuple(
            (kind[1], kind[3])
            for kind, gain in zip(self.kinds, gains, strict=True)
            if (kind[0], kind[2]) == (shape, last) and gain >= gains[place] - NEARLY
        )
        size, sd = float(fit.sizes[at]), float(fit.sds[at])
        if shape is not Shape.SLIP:
            inside = slice(first, last + 1)
            share = float(np.sum(season[inside]) / max(np.sum(fit.usual[inside]), 0.1 * (last + 1 - first)))
            size, sd = share * size, share * sd
        return Event(shape, first, last, part, size, sd, float(gains[place]), near)


class _Fit:
    """A row explained by what a healthy one may do and by some shapes: a Gaussian model, solved once."""

    def __init__(
        self, row: Row, sigma: Floats, healthy: _Healthy, shapes: _Shapes, chosen: Sequence[int], columns: Floats
    ) -> None:
        known = len(healthy.variances)
        own = np.column_stack([healthy.columns, columns[:, list(chosen)]])
        prior = np.concatenate([healthy.variances, [shapes.variance(place) for place in chosen]])
        years = row.years
        wander = WANDER**2 * np.minimum(years[:, None], years[None, :])
        whole = np.diag(sigma**2) + wander + (own * prior) @ own.T
        self._root = np.linalg.inv(np.linalg.cholesky(whole))
        self._off = self._root @ (row.ratio - 1.0 - FADING * years)
        white = self._root @ own
        self.sizes = prior * (white.T @ self._off)
        self.sds = np.sqrt(np.maximum(prior - prior**2 * np.sum(white**2, axis=0), 0.0))
        wandered = wander @ self._root.T @ self._off
        self.usual = 1.0 + FADING * years + healthy.columns @ self.sizes[:known] + wandered
        self.fading = float(self.sizes[known - 1])
        self.season = healthy.columns[:, 1 : known - 1] @ self.sizes[1 : known - 1]

    def gains(self, columns: Floats) -> Floats:
        """How much each shape would add to the log likelihood."""
        white = self._root @ columns
        along = white.T @ self._off
        return np.asarray(0.5 * along**2 / np.maximum(np.sum(white**2, axis=0), 1e-30))

"""A site's own correction of what is expected: fitted to hours of healthy days, applied to later ones.

Rule: it learns the shape of a plant and never its level. What holds at all hours for weeks is taken out of the days
before anything is learned from them, so neither a loss nor one that grows slowly can be learned; what is left is what
depends on where the sun stands, on cloud and on warmth: shade, a direction a few degrees out, light that was split or
turned into the plane with a bias.

Gradient boosting (scikit-learn, imported only to fit) on absolute errors of hourly ln(made / expected). The trees are
kept as plain numbers (domain/model.py) and applied without it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from zlib import crc32

import numpy as np
import numpy.typing as npt

from watcher.align.window import Bools, Floats, Ints
from watcher.domain.model import Choice, Model, Trees
from watcher.domain.site import Site
from watcher.expect.plant import TEMP_AIR_DEFAULT
from watcher.expect.plateau import day_top

FEATURES = ("sun height", "sun direction", "clearness of the hour", "clearness of the day so far", "air temperature")
BOUND = 0.4
"""No correction is larger than this [ln]: what is further from its nameplate is an entry to be asked about."""

TREES, LEAVES, LEAF_HOURS, RATE, BINS = 60, 8, 25, 0.1, 32
"""Few and small trees: a year has some three thousand hours. With 32 steps of a feature instead of 255, and without
weights, the same errors were measured on later days at a fifth of the time.
"""

HOUR_POINTS, FULL_HOUR_POINTS = 12, 9
"""An hour counts with three quarters of its intervals."""

LOWEST_SUN_DEG, UNDER_LIMIT, LEAST_OF_RATING = 5.0, 0.96, 0.05
"""Hours with less than a twentieth of the rating expected teach more of the sensor than of the plant."""

CLIP = 1.0
"""Of one hour [ln]: shade may take nearly all of it, and one such hour says no more than this."""

WIDER_PER_DEG, WIDEST = 0.005, 0.1
"""Added to the band [ln] for each degree the sun stands higher than it ever did while this was learned."""


THIN = 3
"""Of a whole day every third interval is asked what a model would make of it: days are summed, not drawn."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """What one healthy day offers to learn from, and to try a model on.

    ordinal: of the civil day. chain: ln(made / expected) of the day without any correction
    applied: what had been added to the expectation [ln]
    features, weight: of some of its intervals, rows of FEATURES and the power expected there without a correction, 0 at
        the AC limit. whole_w: power expected in all of these
    hours, ratio: of its full hours, rows of FEATURES and ln(made / expected)
    top, peak: where its output stood still at the day's top, 0 where it did not, and its highest output [W]
    """

    ordinal: int
    chain: float
    applied: float
    features: Floats
    weight: Floats
    whole_w: float
    hours: Floats
    ratio: Floats
    top: float = 0.0
    peak: float = 0.0

    def moved(self, corrections: Floats) -> float:
        """What such corrections of the intervals would have added to the day's expectation [ln]."""
        return float(np.log1p(np.sum(self.weight * np.expm1(corrections)) / self.whole_w))


def facts_number(site: Site, inverter: str) -> int:
    """A number of all on file that a correction rests on."""
    return crc32(repr((site.inverter(inverter), site.arrays_of(inverter), site.sensors)).encode())


def features(
    sun_deg: Floats, azimuth_deg: Floats, plain: Floats, bound: Floats, temp_air: Floats, known_ms: Ints | None = None
) -> Floats:
    """Rows of FEATURES for the intervals of one day. Causal: of those before only what was known when this one was.

    plain: expected without a correction. bound: under a clear sky. known_ms: of plain; None where all came in order
    """
    count = len(plain)
    place = np.arange(count)
    lit = np.isfinite(plain) & (bound > 0.0)
    seen = (place[:, None] >= place) & lit
    if known_ms is not None:
        seen &= known_ms <= known_ms[:, None]
    hour = seen & (place[:, None] - place < HOUR_POINTS)
    both = np.column_stack([np.where(lit, plain, 0.0), np.where(lit, bound, 0.0)])

    def clearness(where: Bools) -> Floats:
        sums = where.astype(np.float64) @ both
        return np.asarray(np.divide(sums[:, 0], sums[:, 1], out=np.zeros(count), where=sums[:, 1] > 0.0))

    warmth = np.where(np.isnan(temp_air), TEMP_AIR_DEFAULT, temp_air)
    return np.column_stack([sun_deg, azimuth_deg, clearness(hour), clearness(seen), warmth])


def lesson(
    ordinal: int,
    made: Floats,
    plain: Floats,
    applied: Floats,
    bound: Floats,
    sun_deg: Floats,
    azimuth_deg: Floats,
    temp_air: Floats,
    usable: Bools,
    limit_w: float,
) -> Lesson | None:
    """From a day's intervals [W, degrees, degC]; None where there is nothing to compare.

    usable: served by the basis this is learned for. limit_w: AC rating; at the limit the limit speaks, not the light
    """
    both = usable & np.isfinite(made) & np.isfinite(applied) & (sun_deg > LOWEST_SUN_DEG)
    both &= np.where(np.isfinite(plain), plain, 0.0) > 0.0
    if not both.any():
        return None
    each = features(sun_deg, azimuth_deg, plain, bound, temp_air)
    free = both & (np.maximum(made, plain) < UNDER_LIMIT * limit_w)
    count = len(plain) // HOUR_POINTS * HOUR_POINTS

    def by_hour(values: Floats) -> Floats:
        return np.asarray(np.where(free, values, 0.0)[:count].reshape(-1, HOUR_POINTS).sum(axis=1))

    points, hour_plain, hour_made = by_hour(np.ones(len(plain))), by_hour(plain), by_hour(made)
    full = (points >= FULL_HOUR_POINTS) & (hour_plain > LEAST_OF_RATING * limit_w * points)
    hours = np.column_stack([by_hour(column) for column in each.T])[full] / points[full, None]
    ratio = np.log(np.maximum(hour_made[full], 0.0) / hour_plain[full] + 1e-9)
    in_all, thin = float(np.sum(plain[both])), np.flatnonzero(both)[::THIN]
    return Lesson(
        ordinal=ordinal,
        chain=float(np.log(max(float(np.sum(np.maximum(made[both], 0.0))) / in_all, 0.01))),
        applied=float(np.log(float(np.sum(applied[both])) / in_all)),
        features=each[thin],
        weight=np.where(free[thin], plain[thin], 0.0),
        whole_w=float(np.sum(plain[thin])),
        hours=hours,
        ratio=np.clip(ratio, -CLIP, CLIP),
        top=day_top(np.where(both, made, np.nan), HOUR_POINTS // 2, np.where(both, plain, np.nan)),
        peak=float(np.max(made[both])),
    )


def fit(hours: Floats, ratio: Floats) -> Trees:
    """Trees that lead from features to what of the ratio [ln] they explain. Same rows, same trees: nothing is drawn."""
    from sklearn.ensemble import HistGradientBoostingRegressor
    from threadpoolctl import threadpool_limits

    model = HistGradientBoostingRegressor(
        loss="absolute_error", learning_rate=RATE, max_iter=TREES, max_leaf_nodes=LEAVES, min_samples_leaf=LEAF_HOURS,
        max_bins=BINS, early_stopping=False, random_state=1,
    )  # fmt: skip
    with threadpool_limits(limits=1):  # sums over threads would depend on how many there are
        model.fit(hours, ratio)
    roots, feature, value = [0], [-1], [round(float(np.ravel(model._baseline_prediction)[0]), 5)]
    left, right = [0], [0]
    for (tree,) in model._predictors:
        root = len(feature)
        roots.append(root)
        for node in tree.nodes:
            leaf = bool(node["is_leaf"])
            feature.append(-1 if leaf else int(node["feature_idx"]))
            value.append(round(float(node["value"] if leaf else node["num_threshold"]), 5))
            left.append(0 if leaf else root + int(node["left"]))
            right.append(0 if leaf else root + int(node["right"]))
    return Trees(tuple(roots), tuple(feature), tuple(value), tuple(left), tuple(right))


def predicted(trees: Trees, rows: Floats) -> Floats:
    """What the trees say of rows of features [ln]; 0 without trees."""
    if not trees.roots:
        return np.zeros(len(rows))
    roots, feature, value, left, right = _columns(trees)
    node = np.broadcast_to(roots, (len(rows), len(roots)))
    row = np.arange(len(rows))[:, None]
    while True:
        asked = feature[node]
        inner = asked >= 0
        if not inner.any():
            return np.asarray(value[node].sum(axis=1))
        goes_left = rows[row, np.maximum(asked, 0)] <= value[node]
        node = np.where(inner, np.where(goes_left, left[node], right[node]), node)


@lru_cache(maxsize=16)
def _columns(trees: Trees) -> tuple[Ints, Ints, Floats, Ints, Ints]:
    whole: list[Ints] = [np.array(one, dtype=np.int64) for one in (trees.roots, trees.feature, trees.left, trees.right)]
    return whole[0], whole[1], np.array(trees.value), whole[2], whole[3]


def correction(model: Model, rows: Floats) -> Floats:
    """What a model in force adds to rows of features [ln]: nothing but its offset where it is not used."""
    said = predicted(model.trees, rows) if model.choice is Choice.USED else np.zeros(len(rows))
    return np.clip(said + model.offset, -BOUND, BOUND)


def corrected(
    model: Model,
    basis: npt.NDArray[np.int8],
    sun_deg: Floats,
    azimuth_deg: Floats,
    plain: Floats,
    bound: Floats,
    temp_air: Floats,
    known_ms: Ints,
) -> tuple[Floats, Floats]:
    """Factor on what is expected in each interval of a day, and what its band is wider by [ln].

    Only where the basis is the one the model was made for.
    """
    factor, wider = np.ones(len(plain)), np.zeros(len(plain))
    where = (basis == model.basis) & np.isfinite(plain) & (bound > 0.0)
    if not where.any():
        return factor, wider
    rows = features(sun_deg, azimuth_deg, plain, bound, temp_air, known_ms)[where]
    factor[where] = np.exp(correction(model, rows))
    if model.choice is Choice.USED:
        above_deg = np.maximum(sun_deg[where] - model.sun_high_deg, 0.0)
        wider[where] = np.minimum(WIDER_PER_DEG * above_deg, WIDEST)
    return factor, wider


def newest(models: Sequence[Model], day_ms: int) -> dict[str, Model]:
    """Of each inverter the newest model that was made by a midnight UTC. models: in order of making"""
    return {model.subject: model for model in models if model.made_ms <= day_ms}


def in_force(models: Sequence[Model], day_ms: int, site: Site) -> dict[str, Model]:
    """By inverter the models that change anything on the UTC day that begins then, under the facts of that day."""
    inverters = {inverter.id for inverter in site.inverters if site.arrays_of(inverter.id)}
    return {
        subject: model
        for subject, model in newest(models, day_ms).items()
        if subject in inverters
        and (model.choice is Choice.USED or model.offset or model.limit_w)
        and model.facts == facts_number(site, subject)
    }

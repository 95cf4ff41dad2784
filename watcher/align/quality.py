"""Which samples of a power reading are no measurement: beyond the plant, stuck, or an outlier.

Rules: a sample is judged by itself and what came before it, never by a later one; only a mean that leaps waits for the
next to tell whether it stands alone, and is not known until then. What is left out is flagged, never repaired. Zero is
not stuck: night is flat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.align.window import Bools, Floats, Ints, SampleFlag
from watcher.domain.instant import HOUR_MS, MINUTE_MS
from watcher.domain.quantity import Channel
from watcher.domain.site import Site, Storage

MOST = 1.15
"""Of the rating: cloud edges and cold bring an inverter to about 1.1 for seconds (case F4); beyond is no power."""

LEAST = -0.05
"""Of the rating: own consumption at night."""

STUCK_MS = 90 * MINUTE_MS
"""The same momentary figure this long: light is never that even below the limit (own study)."""

STUCK_MEANS = 4
"""The same mean this often: an average over minutes never repeats to the last digit."""

IDLE, LIMIT = 0.005, 0.97
"""Of the rating: below is rest, above a plateau is the inverter's own limit."""

LONE = 0.5
"""Of the rating: a mean over a quarter of an hour or more that stands this far from both neighbours, which agree.

Not of an hour: broken cloud does that (eleven hours of the worked year near Denver, 0.2 % of its energy).
"""

Flags = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class PowerFacts:
    """What the plant behind a power channel can do.

    rating_w: at most. period_ms: what one value is the mean of (0: momentary). least: lowest share of the rating;
    a meter's power may stand for generation with either sign, that of an inverter with a battery for charging
    """

    rating_w: float
    period_ms: int = 0
    least: float = LEAST


def power_facts(site: Site, channel: Channel, period_ms: int) -> PowerFacts | None:
    """The facts of a power channel; None where it is none or nothing is known."""
    if channel.quantity.name not in ("ac_power", "dc_power"):
        return None
    inverters = {inverter.id: inverter for inverter in site.inverters}
    meters = {meter.id: meter for meter in site.meters}
    if channel.device in inverters:
        place = f"{channel.device}.{channel.part}" if channel.part else channel.device
        arrays = site.arrays_at(place) or site.arrays_of(channel.device)
        peak_w = sum(array.peak_power_w for array in arrays)
        limit_w = inverters[channel.device].ac_limit_w
        # DC can exceed the rated array on a cold bright day, AC cannot exceed the inverter.
        rating_w = limit_w if channel.quantity.name == "ac_power" else 1.3 * peak_w
        # A battery may be charged from the mains: then the AC side runs the other way.
        both_ways = inverters[channel.device].storage is not Storage.NONE and channel.quantity.name == "ac_power"
        return PowerFacts(rating_w, period_ms, -MOST if both_ways else LEAST) if rating_w > 0 else None
    if channel.device in meters:
        covered = [inverters[name].ac_limit_w for name in meters[channel.device].covers if name in inverters]
        return PowerFacts(sum(covered), period_ms, least=-MOST) if covered else None
    return None


def power_flags(time_ms: Ints, value: Floats, facts: PowerFacts) -> tuple[Flags, Bools]:
    """SampleFlag bits of each sample, 0 for a good one; and the means that are to wait for the next.

    time_ms ascending; value in W, finite
    """
    share = value / facts.rating_w
    flags = np.zeros(len(value), dtype=np.uint8)
    flags[(share > MOST) | (share < facts.least)] |= np.uint8(SampleFlag.OUT_OF_RANGE)
    at_work = (np.abs(share) > IDLE) & (np.abs(share) < LIMIT)
    flags[_stuck(time_ms, value, facts.period_ms) & at_work] |= np.uint8(SampleFlag.STUCK)
    waiting = np.zeros(len(value), dtype=bool)
    if 15 * MINUTE_MS <= facts.period_ms < HOUR_MS:
        waiting, alone = _alone(time_ms, share, facts.period_ms)
        flags[alone] |= np.uint8(SampleFlag.OUTLIER)
    return flags, waiting


def _stuck(time_ms: Ints, value: Floats, period_ms: int) -> Bools:
    """Samples that end a run of one and the same figure, long enough."""
    if len(value) == 0:
        return np.zeros(0, dtype=bool)
    begins = np.concatenate(([True], value[1:] != value[:-1]))
    first = np.maximum.accumulate(np.where(begins, np.arange(len(value)), 0))
    if period_ms > 0:
        return np.asarray(np.arange(len(value)) - first + 1 >= STUCK_MEANS)
    return np.asarray(time_ms - time_ms[first] >= STUCK_MS)


def _alone(time_ms: Ints, share: Floats, period_ms: int) -> tuple[Bools, Bools]:
    """Means that leap from the one before, and those among them whose next is back where the one before was."""
    leaps, alone = np.zeros(len(share), dtype=bool), np.zeros(len(share), dtype=bool)
    if len(share) > 1:
        step = np.diff(share)
        follows = np.diff(time_ms) <= period_ms
        leaps[1:] = follows & (np.abs(step) > LONE)
        back = follows[1:] & (np.abs(step[1:]) > LONE) & (np.abs(step[1:] + step[:-1]) < LONE / 2)
        alone[1:-1] = leaps[1:-1] & back
    return leaps, alone

"""Figures of civil days.

Rule: a day is the site's own, 23 to 25 hours long. Energy between two readings on either side of midnight belongs to
both days only as far as it can be dated: where it may be spread on the grid, or where next to no sun shone between the
readings, as over an inverter's night. What cannot be dated belongs to neither.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from watcher.align.possible import is_battery
from watcher.align.segments import NO_ENERGY, Segments, share_mwh
from watcher.align.spread import SPREAD_MS
from watcher.align.window import Bools, Floats, Window
from watcher.domain.day import SettledDay
from watcher.domain.instant import GRID_MS, HOUR_MS, local_day, local_day_of
from watcher.domain.reading import Samples
from watcher.domain.site import MeterRole, Site

NIGHT_SUN_MS = 2 * HOUR_MS
"""A step across midnight with more sun than this in it is a gap, not a night: dusk and dawn of a device that sleeps."""

DEVICE_CLOCK_MS = 2 * HOUR_MS
"""A device's midnight is at most this far from ours: a clock that is off, or one without summer time."""

_METERED = ("energy_index", "pulse_count")


def settled_day(
    site: Site,
    window: Window,
    expected_site_w: Floats | None,
    sun_up: Bools,
    day: date,
    revision: int,
    settled_ms: int,
) -> SettledDay:
    """What one civil day came to.

    window: should hold the whole day; what lies outside it was not heard
    expected_site_w: what the site could have made, for each interval of the window [W]; NaN without a reference
    sun_up: for each interval of the window, whether the sun stands over the horizon
    """
    makers = [inverter.id for inverter in site.inverters if not is_battery(site, inverter)]
    generated = [_generated_mwh(site, window, inverter, sun_up, day) for inverter in makers]
    metered = [
        next(_heard(_counter_mwh(window, f"{meter.id}.{name}", sun_up, day, site.zone) for name in _METERED), None)
        for meter in site.meters
        if meter.role is MeterRole.GENERATION
    ]
    return SettledDay(
        site.id,
        day,
        revision,
        settled_ms,
        _total_wh(generated),
        _total_wh(metered),
        None if expected_site_w is None else _expected_wh(window, expected_site_w, sun_up, day, site.zone),
        day_coverage(site, window, sun_up, day),
    )


def energy_by_day(window: Window, channel: str, sun_up: Bools, zone: ZoneInfo) -> dict[date, float]:
    """Energy a counter counted on each civil day that lies wholly in the window. [Wh] Days not heard are left out."""
    energies: dict[date, float] = {}
    end_ms = window.start_ms + window.points * GRID_MS
    day = local_day_of(window.start_ms, zone)
    while local_day(day, zone)[1] <= end_ms:
        mwh = _counter_mwh(window, channel, sun_up, day, zone)
        if mwh is not None and local_day(day, zone)[0] >= window.start_ms:
            energies[day] = mwh / 1000
        day += timedelta(days=1)
    return energies


def day_coverage(site: Site, window: Window, sun_up: Bools, day: date) -> float:
    """Share of the day's intervals in which every inverter was heard; with the sun down none needs to be. [0..1]"""
    start_ms, end_ms = local_day(day, site.zone)
    covered = ~sun_up | np.logical_and.reduce(
        [_heard_by_interval(window, inverter.id) for inverter in site.inverters], axis=0, initial=True
    )
    return int(np.count_nonzero(covered[_places(window, day, site.zone)])) / ((end_ms - start_ms) // GRID_MS)


def register_by_day(samples: Samples, zone: ZoneInfo) -> dict[date, float]:
    """The figures of a register that starts again at the device's midnight, by the site's civil day. [its own unit]

    A day's figure is the last value before the register fell at a midnight; the day is the one in which it last rose.
    A day that is not over has no figure. Such a fall says nothing about any other counter.
    """
    figures: dict[date, float] = {}
    rose_ms: int | None = None
    for (before_ms, before), (now_ms, now) in pairwise(zip(samples.time_ms, samples.value, strict=True)):
        if now > before:
            rose_ms = now_ms
        elif now < before:
            day = local_day_of(before_ms - DEVICE_CLOCK_MS if rose_ms is None else rose_ms, zone)
            if local_day_of(now_ms + DEVICE_CLOCK_MS, zone) > day:  # else it fell in the middle of the day: a dip
                figures[day] = before
                rose_ms = None
    return figures


def _heard(energies: Iterable[int | None]) -> Iterator[int]:
    return (mwh for mwh in energies if mwh is not None)


def _total_wh(energies: Iterable[int | None]) -> float | None:
    heard = list(_heard(energies))
    return sum(heard) / 1000 if heard else None


def _places(window: Window, day: date, zone: ZoneInfo) -> slice:
    """The window's intervals that lie in a civil day."""
    start_ms, end_ms = local_day(day, zone)
    first, last = ((at_ms - window.start_ms) // GRID_MS for at_ms in (start_ms, end_ms))
    return slice(max(0, first), max(0, last))


def _generated_mwh(site: Site, window: Window, inverter: str, sun_up: Bools, day: date) -> int | None:
    """AC energy of an inverter on a civil day: counted where it has a counter, else its power summed up."""
    counted = _counter_mwh(window, f"{inverter}.ac_energy", sun_up, day, site.zone)
    power = window.gauge(f"{inverter}.ac_power")
    if counted is not None or power is None:
        return counted
    values = power.value[_places(window, day, site.zone)]
    values = values[~np.isnan(values)]
    # What an inverter draws at night is no generation.
    return int(np.rint(np.maximum(values, 0.0) * 1000 * GRID_MS / HOUR_MS).sum()) if len(values) else None


def _expected_wh(window: Window, expected_w: Floats, sun_up: Bools, day: date, zone: ZoneInfo) -> float | None:
    places = _places(window, day, zone)
    given = ~np.isnan(expected_w[places])
    # Nothing is expected at night whatever the reference: only a sunlit interval shows that there was one.
    if not np.any(given & sun_up[places]) and (np.any(sun_up[places]) or not np.any(given)):
        return None
    return float(expected_w[places][given].sum()) * GRID_MS / HOUR_MS


def _heard_by_interval(window: Window, device: str) -> Bools:
    """In which intervals a device was heard, by any of its channels, or counted across."""
    ends = window.ends()
    heard = np.zeros(window.points, dtype=np.bool_)
    for name, gauge in window.gauges.items():
        if name.partition(".")[0] == device:
            heard |= ~np.isnan(gauge.value)
    for name, counter in window.counters.items():
        if name.partition(".")[0] == device:
            heard |= ~np.isnan(counter.energy_mwh) | (counter.seen_ms > ends - GRID_MS)
    return heard


def _counter_mwh(window: Window, channel: str, sun_up: Bools, day: date, zone: ZoneInfo) -> int | None:
    """What a counter counted on a civil day [mWh]; None where nothing of it can be dated to that day."""
    counter = window.counter(channel)
    if counter is None:
        return None
    start_ms, end_ms = local_day(day, zone)
    segments = Segments.of(counter.segments)
    touching = (segments.start_ms < end_ms) & (segments.end_ms > start_ms) & (segments.mwh != NO_ENERGY)
    whole = touching & (segments.start_ms >= start_ms) & (segments.end_ms <= end_ms)
    energies = [int(segments.mwh[whole].sum())] if whole.any() else []
    for place in np.flatnonzero(touching & ~whole).tolist():
        begin_ms, finish_ms, mwh = (int(c[place]) for c in (segments.start_ms, segments.end_ms, segments.mwh))
        until_end = _dated_mwh(window, sun_up, begin_ms, finish_ms, mwh, min(end_ms, finish_ms))
        until_start = _dated_mwh(window, sun_up, begin_ms, finish_ms, mwh, max(start_ms, begin_ms))
        if until_end is not None and until_start is not None:
            energies.append(until_end - until_start)
    return sum(energies) if energies else None


def _dated_mwh(window: Window, sun_up: Bools, begin_ms: int, end_ms: int, mwh: int, until_ms: int) -> int | None:
    """Energy of a segment before an instant inside it [mWh]; None where the segment is too long to say."""
    if end_ms - begin_ms <= SPREAD_MS:
        return int(share_mwh(np.array(mwh), np.array(until_ms - begin_ms), np.array(end_ms - begin_ms)))
    sun_ms = _sunlit_ms(window, sun_up, begin_ms, end_ms)
    if sun_ms > NIGHT_SUN_MS:
        return None
    if sun_ms == 0:
        return mwh * (until_ms - begin_ms) // (end_ms - begin_ms)
    return mwh * _sunlit_ms(window, sun_up, begin_ms, until_ms) // sun_ms


def _sunlit_ms(window: Window, sun_up: Bools, from_ms: int, to_ms: int) -> int:
    """Time with the sun up between two instants of the window."""
    ends = window.ends()
    overlap = np.minimum(ends, to_ms) - np.maximum(ends - GRID_MS, from_ms)
    return int(overlap[sun_up & (overlap > 0)].sum())

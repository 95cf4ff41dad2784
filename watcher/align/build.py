"""Raw readings to the window.

Rule: what a window says for a grid point depends on readings up to that point alone, so the same start gives the same
entries however far the window reaches. Counters are folded from the window's start; a site's facts say the rest.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence

from watcher.align.counters import count
from watcher.align.facts import counter_facts, pace_ms, restarts_of
from watcher.align.gauges import gauge_on_grid
from watcher.align.quality import power_facts
from watcher.align.spread import counter_on_grid
from watcher.align.window import Counter, Gauge, Window
from watcher.domain.event import Event
from watcher.domain.instant import GRID_MS
from watcher.domain.quantity import Channel, Kind, channel
from watcher.domain.reading import RawWindow, Samples
from watcher.domain.site import Label, Site


def build_window(site: Site, raw: RawWindow, events: Sequence[Event], start_ms: int, points: int) -> Window:
    """Put everything that was received on the grid.

    raw: samples from start_ms to the window's end, both included; they may reach further, and for means over a long
        period they should reach that period further, since a mean is labelled with its end
    events: of this site, in any order; identities and meter exchanges tell a restart from a dip
    start_ms: a midnight UTC, so that every evaluation of a day folds its counters from the same reading
    """
    gauges: dict[str, Gauge] = {}
    counters: dict[str, Counter] = {}
    end_ms = start_ms + points * GRID_MS
    for name, samples in raw.items():
        if len(samples) == 0:
            continue
        known = channel(name)
        if known.quantity.kind is Kind.COUNTER:
            facts = counter_facts(site, known)
            if facts is not None:
                counted = count(_between(samples, start_ms, end_ms), facts, restarts_of(events, known.device))
                counters[name] = counter_on_grid(counted, start_ms, points, pace_ms(site, known.device))
        else:
            gauges[name] = _gauge(site, known, samples, start_ms, points)
    return Window(start_ms, points, gauges, counters)


def _gauge(site: Site, known: Channel, samples: Samples, start_ms: int, points: int) -> Gauge:
    source = site.source_of(known.device)
    label, period_ms = (Label.INSTANT, 0) if source is None else (source.label, round(source.period_s * 1000))
    power = power_facts(site, known, period_ms)
    return gauge_on_grid(samples, known.quantity, label, period_ms, start_ms, points, power)


def _between(samples: Samples, start_ms: int, end_ms: int) -> Samples:
    """The samples from start to end, both included."""
    kept = slice(bisect_left(samples.time_ms, start_ms), bisect_right(samples.time_ms, end_ms))
    return Samples(samples.time_ms[kept], samples.value[kept], samples.known_ms[kept])

"""Raw readings to the window.

Rule: what a window says for a grid point depends on readings up to that point alone, so the same start gives the same
entries however far the window reaches. Counters are folded from the window's start; a site's facts say the rest.
Readings typed from a meter's display are the exception (align/pulses.py): they speak of the time before them.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence

from watcher.align.counters import Counted, count
from watcher.align.facts import counter_facts, dial_of, pace_ms, restarts_of
from watcher.align.gauges import gauge_on_grid, instants, quarters_on_grid
from watcher.align.pulses import anchored, anchors_of
from watcher.align.quality import power_facts
from watcher.align.spread import counter_on_grid
from watcher.align.window import Counter, Gauge, Window
from watcher.domain.event import Event
from watcher.domain.instant import GRID_MS
from watcher.domain.neighbours import NEIGHBOURS
from watcher.domain.quantity import BOARD, Channel, Kind, channel
from watcher.domain.reading import RawWindow, Samples
from watcher.domain.site import Label, Meter, Site


def build_window(site: Site, raw: RawWindow, events: Sequence[Event], start_ms: int, points: int) -> Window:
    """Put everything that was received on the grid.

    raw: samples from start_ms to the window's end, both included; they may reach further, and for means over a long
        period they should reach that period further, since a mean is labelled with its end
    events: of this site, in any order; identities and meter exchanges tell a restart from a dip
    start_ms: a midnight UTC, so that every evaluation of a day folds its counters from the same reading
    """
    gauges: dict[str, Gauge] = {}
    counters: dict[str, Counter] = {}
    counts: dict[str, Counted] = {}
    end_ms = start_ms + points * GRID_MS
    for name, samples in raw.items():
        if len(samples) == 0:
            continue
        known = channel(name)
        if known.quantity.kind is Kind.COUNTER:
            facts = counter_facts(site, known)
            if facts is not None:
                counts[name] = count(_between(samples, start_ms, end_ms), facts, restarts_of(events, known.device))
                counters[name] = counter_on_grid(counts[name], start_ms, points, pace_ms(site, known.device))
        else:
            gauges[name] = _gauge(site, known, samples, start_ms, points)
    window = Window(start_ms, points, gauges, counters)
    for meter in site.meters:
        index = f"{meter.id}.energy_index"
        pulses = counts.get(f"{meter.id}.pulse_count")
        if index not in counters and pulses is not None and (had := _index(site, meter, raw, events, window, pulses)):
            counters[index] = had
    return window


def _index(
    site: Site, meter: Meter, raw: RawWindow, events: Sequence[Event], window: Window, pulses: Counted
) -> Counter | None:
    """A meter's index from its pulses; None without a reading typed from its display."""
    dial, name = dial_of(meter), f"{meter.id}.pulse_count"
    facts = counter_facts(site, channel(name))
    anchors = anchors_of(events, meter.id, dial)
    if facts is None or not anchors:
        return None
    # A line that is listened to says so itself; the machine may be up while its sensor is blind.
    listened = raw.get(f"{BOARD}.{meter.id}.uptime") or raw.get(f"{BOARD}.uptime") or Samples()
    return anchored(
        window.counters[name],
        pulses,
        facts,
        anchors,
        dial,
        instants(listened.time_ms),
        restarts_of(events, meter.id),
        window.ends(),
        pace_ms(site, meter.id),
    )


def _gauge(site: Site, known: Channel, samples: Samples, start_ms: int, points: int) -> Gauge:
    if known.device == NEIGHBOURS:
        return quarters_on_grid(samples, known.quantity, start_ms, points)
    source = site.source_of(known.device)
    label, period_ms = (Label.INSTANT, 0) if source is None else (source.label, round(source.period_s * 1000))
    power = power_facts(site, known, period_ms)
    return gauge_on_grid(samples, known.quantity, label, period_ms, start_ms, points, power)


def _between(samples: Samples, start_ms: int, end_ms: int) -> Samples:
    """The samples from start to end, both included."""
    kept = slice(bisect_left(samples.time_ms, start_ms), bisect_right(samples.time_ms, end_ms))
    return Samples(samples.time_ms[kept], samples.value[kept], samples.known_ms[kept])

"""What the site's record and its events say about a counter.

Rule: a bound is used only where the record supports it; without a rating nothing is too steep, without a known
modulus nothing is a roll-over.
"""

from __future__ import annotations

from collections.abc import Sequence

from watcher.align.counters import CounterFacts, Restart
from watcher.align.possible import behind, capacity_w, full_hours
from watcher.align.pulses import Dial
from watcher.domain.event import Event, EventKind
from watcher.domain.instant import GRID_MS, MINUTE_MS, first_point_that_sees
from watcher.domain.quantity import Channel
from watcher.domain.site import Meter, Site, SourceKind

ACC32_WH = 2.0**32
"""Where a 32-bit accumulator in Wh goes round: 4 294 967.296 kWh (SunSpec acc32; 2**32 Wh by arithmetic)."""

INVERTER_STEP_WH = 1000.0
"""The coarsest step inverters' registers are met with (common practice, no source)."""

_GENERATED = ("ac_energy", "energy_index", "energy_export", "pulse_count")


def counter_facts(site: Site, channel: Channel) -> CounterFacts | None:
    """What bounds a counter; None for pulses whose worth is not known, which are no energy."""
    quantity = channel.quantity
    inverter = next((inverter for inverter in site.inverters if inverter.id == channel.device), None)
    meter = next((meter for meter in site.meters if meter.id == channel.device), None)
    wh_per_count, step_wh = 1.0, INVERTER_STEP_WH if meter is None else meter.resolution_wh
    if quantity.name == "pulse_count":
        per_kwh = None if meter is None else _pulses_per_kwh(site, meter)
        if not per_kwh:
            return None
        wh_per_count = step_wh = 1000.0 / per_kwh
    counted = behind(site, inverter, meter) if quantity.name in _GENERATED else ()
    return CounterFacts(
        capacity_w=capacity_w(site, counted),
        modulus_wh=_modulus_wh(site, channel, meter, wh_per_count),
        step_wh=step_wh,
        full_hours=full_hours(counted),
        wh_per_count=wh_per_count,
        low=quantity.low,
        high=quantity.high,
    )


def _pulses_per_kwh(site: Site, meter: Meter) -> float | None:
    """Of what is listened to, where that is known; the light and the output of a meter can differ."""
    own = (source.pulses_per_kwh for source in site.sources if source.device == meter.id)
    return next(filter(None, own), meter.pulses_per_kwh)


def dial_of(meter: Meter) -> Dial:
    return Dial(10 ** (6 + meter.digits), round(1000 * meter.resolution_wh))


def _modulus_wh(site: Site, channel: Channel, meter: Meter | None, wh_per_count: float) -> float | None:
    source = site.source_of(channel.device)
    if channel.quantity.name == "pulse_count":
        bits = None if source is None else source.counter_bits
        return None if bits is None else 2.0**bits * wh_per_count
    if meter is not None:
        return 1000.0 * 10.0**meter.digits
    modbus = source is not None and source.kind in (SourceKind.MODBUS_TCP, SourceKind.MODBUS_RTU)
    if source is not None and modbus and source.map == "sunspec" and channel.quantity.name == "ac_energy":
        return ACC32_WH
    return None


def pace_ms(site: Site, device: str) -> int:
    """The longest step between two readings of a device that is still watched: 2.5 of its own, at least a quarter."""
    source = site.source_of(device)
    own_s = 0.0 if source is None else max(source.every_s, source.period_s)
    return max(15 * MINUTE_MS, round(2500 * own_s))


def restarts_of(events: Sequence[Event], device: str) -> tuple[Restart, ...]:
    """When a device's counters began a new series, as told: another serial number, or a meter exchange."""
    told: list[Event] = []
    serial: str | float = ""
    for event in sorted(events, key=lambda event: (event.at_ms, event.received_ms)):
        if event.subject != device:
            continue
        if event.kind is EventKind.METER_EXCHANGE:
            told.append(event)
        elif event.kind is EventKind.IDENTITY and (named := event.values.get("serial", "")):
            if serial and named != serial:
                told.append(event)
            serial = named
    return tuple(Restart(event.at_ms, _usable_from(event)) for event in told)


def _usable_from(event: Event) -> int:
    """The first instant whose grid point's evaluation sees the event."""
    return max(event.at_ms, first_point_that_sees(event.received_ms) - GRID_MS + 1)

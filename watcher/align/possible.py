"""How much energy a counter can have counted in a stretch of time, from the rating of what it counts.

Rule: a bound is used only where the record supports it; without a rating everything is possible. Without the model
stack, since readings are checked where they are typed.
"""

from __future__ import annotations

from watcher.domain.instant import DAY_MS, HOUR_MS
from watcher.domain.site import Inverter, Meter, MeterRole, Site, Storage

JUMP_FACTOR = 1.3
"""A rise above this share of the plant's rating is no energy: room for cold clear air, overrated inverters, clocks."""

ROLLOVER_FACTOR = 1.1
"""The same for a roll-over: narrower, since in a meter's first 20 years an exchange is the likelier story."""

FULL_HOURS = 12.0
"""The most a day can hold of hours at full power: no sky gives more."""


def behind(site: Site, inverter: Inverter | None, meter: Meter | None) -> tuple[Inverter, ...]:
    """The inverters whose energy a counter counts; none where something else may pass through it as well."""
    if inverter is not None:
        return (inverter,)
    if meter is None or meter.role not in (MeterRole.GENERATION, MeterRole.EXPORT):
        return ()
    covered = tuple(inverter for inverter in site.inverters if inverter.id in meter.covers)
    return covered if len(covered) == len(meter.covers) else ()


def is_battery(site: Site, inverter: Inverter) -> bool:
    """Whether an inverter is that of a battery alone: on the AC side, without panels of its own."""
    return inverter.storage is Storage.AC and not site.arrays_of(inverter.id)


def capacity_w(site: Site, inverters: tuple[Inverter, ...]) -> float | None:
    """The rated power of inverters together; None where nothing is known of it. [W]"""
    return sum(_rating_w(site, inverter) for inverter in inverters) or None


def full_hours(inverters: tuple[Inverter, ...]) -> float:
    """Hours a day at full power; a battery on the DC side may give all of them."""
    return 24.0 if any(inverter.storage is Storage.DC for inverter in inverters) else FULL_HOURS


def possible_wh(capacity_w: float | None, elapsed_ms: int, hours_a_day: float, factor: float) -> float:
    """The most energy there can be in a stretch of time; infinite without a rating. [Wh]"""
    if capacity_w is None:
        return float("inf")
    days, rest_ms = divmod(elapsed_ms, DAY_MS)
    return factor * capacity_w * (days * hours_a_day + min(rest_ms / HOUR_MS, hours_a_day))


def _rating_w(site: Site, inverter: Inverter) -> float:
    return inverter.ac_limit_w or sum(array.peak_power_w for array in site.arrays_of(inverter.id))

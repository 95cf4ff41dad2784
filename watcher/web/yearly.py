"""What a standing fault comes to in a year, from what it has cost so far. Pure.

Rule: the share that was lost of what the sun allowed since the fault began, of what it allows in a year; so a loss that
was measured in December is not taken twelve times for a year's. Where that cannot be told nothing is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from watcher.alert.wording_money import lost_payment
from watcher.domain.alert import Alert
from watcher.domain.day import SettledDay
from watcher.domain.instant import local_day_of
from watcher.domain.site import Site

FEWEST_DAYS = 330
"""Settled days that stand for a year; with fewer the quotation on file does, and without one a common roof."""

COMMON_HOURS = 900.0
"""kWh a year from each kW of panels on a UK roof: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Yearly:
    """kWh a year with their interval; pence likewise, None where no rate is on file."""

    low_kwh: float
    kwh: float
    high_kwh: float
    pence: tuple[float, float] | None


def yearly(alert: Alert, site: Site, days: Sequence[SettledDay], now_ms: int) -> Yearly | None:
    """None where nothing is lost, or where no settled day tells yet what the sun allowed. days: of this site"""
    since = local_day_of(alert.onset_ms, site.zone)
    allowed_wh = sum(day.expected_wh or 0.0 for day in days if day.day >= since)
    if alert.loss_high_mwh <= 0 or allowed_wh <= 0.0:
        return None
    year_kwh = year_wh(site, days) / 1000.0
    low, middle, high = (
        year_kwh * min(1.0, mwh / 1000.0 / allowed_wh)
        for mwh in (alert.loss_low_mwh, alert.loss_mwh, alert.loss_high_mwh)
    )
    whole = replace(alert, loss_low_mwh=round(low * 1e6), loss_mwh=round(middle * 1e6), loss_high_mwh=round(high * 1e6))
    return Yearly(low, middle, high, lost_payment(whole, site.payment, now_ms))


def year_wh(site: Site, days: Sequence[SettledDay]) -> float:
    """What the sun allows in a year. [Wh]"""
    told = [day.expected_wh for day in days[-365:] if day.expected_wh is not None]
    if len(told) >= FEWEST_DAYS:
        return sum(told) * 365 / len(told)
    if site.papers.quoted_annual_kwh is not None:
        return site.papers.quoted_annual_kwh * 1000.0
    return COMMON_HOURS * sum(array.peak_power_w for array in site.arrays)

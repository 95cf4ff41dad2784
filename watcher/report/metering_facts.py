"""What the metering check goes by that no single key of a site file says."""

from __future__ import annotations

from watcher.domain.papers import Scheme
from watcher.domain.site import Meter, MeterRole, Site

DEEMED_UP_TO_W = 30_000.0


def meters_of(site: Site, role: MeterRole) -> tuple[Meter, ...]:
    return tuple(meter for meter in site.meters if meter.role is role)


def capacity_w(site: Site) -> float:
    """The registered capacity; without one on file what the panels are rated at. [W]"""
    registered = site.papers.registered_capacity_w
    return registered if registered is not None else sum(array.peak_power_w for array in site.arrays)


def export_is_metered(site: Site) -> bool:
    """Whether somebody pays by an export meter."""
    if site.payment.scheme is Scheme.EXPORT:
        return True
    return site.payment.scheme is Scheme.FEED_IN and any(rate.paid_on == "export" for rate in site.payment.rates)


def export_is_deemed(site: Site) -> bool:
    """Whether the tariff pays for export as a share of what is generated, as far as the rates on file tell."""
    tariff = site.payment.scheme is Scheme.FEED_IN and not export_is_metered(site)
    shared = any(rate.paid_on == "generation" and rate.share < 1.0 for rate in site.payment.rates)
    return tariff and shared and capacity_w(site) <= DEEMED_UP_TO_W

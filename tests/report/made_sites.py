"""Sites for the metering check: one that is all in order, and what is changed about it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from watcher.domain.papers import Approval, Battery, Display, Papers, Payment, Rate, ReadWith, Scheme, Shows
from watcher.domain.site import Array, Inverter, Meter, MeterRole, Site, Storage

TODAY = date(2026, 11, 25)

GENERATED = Rate(15.44, "generation")
DEEMED = Rate(5.24, "generation", share=0.5)
METERED = Rate(5.24, "export")

GENERATION_METER = Meter(
    "meter-1",
    MeterRole.GENERATION,
    covers=("inverter-1",),
    serial="0718223",
    certified_until="2035-03-20",
    place="hall cupboard",
    reader="occupier",
    approval=Approval.MID,
    read_with=ReadWith.NOTHING,
)
EXPORT_METER = Meter("meter-2", MeterRole.EXPORT, serial="21E0042", half_hourly=True)

PAPERS = Papers(
    certificate="EX-00123",
    commissioned="2015-03-20",
    network_notification="sent 2015-03-21",
    registered_capacity_w=3_680.0,
    quoted_annual_kwh=3_650.0,
    warranty_until="2030-03-20",
)
DISPLAY = Display("inverter, utility room", (Shows.ENERGY, Shows.POWER), ReadWith.NOTHING)
BATTERY = Battery(network_notification="agreed 2025-03-02")


def array(id: str, inverter: str, peak_power_w: float = 4_000.0) -> Array:
    return Array(id, 35.0, 180.0, peak_power_w, f"{inverter}.input-1")


def home(**changes: Any) -> Site:
    """A home in the Thames valley with nothing unknown: panels, one inverter, and what the scheme asks for.

    meter: changes to the generation meter, or None for none. export: the same of the export meter, which only homes
    paid by the export guarantee have otherwise. battery, coupling: a battery on one side of the inverter. papers,
    display: changes to them. Anything else is a field of the site.
    """
    scheme = changes.pop("scheme", Scheme.FEED_IN)
    tariff = scheme is Scheme.FEED_IN
    rates = changes.pop("rates", (GENERATED, DEEMED) if tariff else (METERED,) if scheme is Scheme.EXPORT else ())
    payment = Payment(
        scheme,
        licensee="" if scheme is Scheme.NONE else "Example Energy",
        export_mpan="1200012345678" if scheme is Scheme.EXPORT else "",
        rates=rates,
    )
    meter = changes.pop("meter", {} if tariff else None)
    export = changes.pop("export", {} if scheme is Scheme.EXPORT else None)
    meters = [] if meter is None else [replace(GENERATION_METER, **meter)]
    meters += [] if export is None else [replace(EXPORT_METER, **export)]
    storage = changes.pop("coupling", Storage.NONE)
    battery = changes.pop("battery", None)
    site = Site(
        "home-1",
        "12 Example Road",
        51.48,
        -0.45,
        25.0,
        ZoneInfo("Europe/London"),
        arrays=(array("south", "inverter-1"),),
        inverters=(Inverter("inverter-1", 3_680.0, storage=storage),),
        meters=tuple(meters),
        payment=payment,
        papers=replace(PAPERS, **changes.pop("papers", {})),
        display=replace(DISPLAY, **changes.pop("display", {})),
        battery=None if battery is None else replace(BATTERY, **battery),
    )
    return replace(site, **changes)

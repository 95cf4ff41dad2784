"""What a battery does to what is metered and paid: by where it stands, how it couples and is charged, and the register.

Rule: position decides. On the house side of the generation meter the meter sees the panels alone. On the panels' side
(always so on an inverter's DC side) it counts solar energy late, and with charging from the mains energy that was
never generated. Whether that is paid for is the licensee's word; no register is put right here, no meter taken from
another.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum

from watcher.domain.papers import Battery, Scheme, Side
from watcher.domain.site import Meter, MeterRole, RegisterType, Site, Storage
from watcher.report.metering_answer import Answer, Said, State, answer
from watcher.report.metering_facts import export_is_deemed, export_is_metered, meters_of
from watcher.report.metering_rules import RuleId


class Behind(StrEnum):
    """Where the battery stands, as one generation meter sees it."""

    NO_BATTERY = "no-battery"
    HOUSE = "house"
    PANELS = "panels"
    NOT_KNOWN = "not-known"


def has_battery(site: Site) -> bool:
    stored = any(inverter.storage is not Storage.NONE for inverter in site.inverters)
    return stored or site.battery is not None or bool(meters_of(site, MeterRole.BATTERY))


def behind(site: Site, meter: Meter) -> Behind:
    """Where the site's battery stands to a generation meter."""
    if not has_battery(site):
        return Behind.NO_BATTERY
    covered = [site.inverter(id) for id in meter.covers]
    # A battery inverter has no panels of its own, and may be named among what the meter covers.
    own = [one for one in covered if one.storage is Storage.AC and not site.arrays_of(one.id)]
    if own or any(one.storage is Storage.DC for one in covered):
        return Behind.PANELS
    couplings = {one.storage for one in site.inverters}
    if Storage.DC in couplings and Storage.AC not in couplings:
        return Behind.NO_BATTERY  # it stands behind another meter, or none
    side = site.battery.side if site.battery is not None else None
    return Behind.NOT_KNOWN if side is None else Behind.HOUSE if side is Side.HOUSE else Behind.PANELS


def storage_answers(site: Site) -> Iterator[Answer]:
    """The rules on storage in Great Britain."""
    scheme, battery = site.payment.scheme, site.battery or Battery()
    if not has_battery(site):
        yield answer(RuleId.STORAGE_NETWORK, State.NOT_ASKED, Said.NO_BATTERY)
        return
    if scheme is Scheme.FEED_IN:
        yield _told(battery, RuleId.STORAGE_TOLD, State.MISSING)
        for meter in meters_of(site, MeterRole.GENERATION):
            yield from _at_meter(behind(site, meter), battery, meter)
        if export_is_deemed(site):
            yield answer(RuleId.STORAGE_DEEMED, State.TO_KNOW, Said.DEEMED_GOES_ON)
    elif scheme is Scheme.EXPORT:
        yield _told(battery, RuleId.STORAGE_TOLD_EXPORT, State.ADVISED)
    else:
        yield answer(RuleId.STORAGE_UNPAID, State.NOT_ASKED, Said.STORAGE_UNPAID)
    if export_is_metered(site):
        yield _exported(battery)
    if battery.network_notification:
        said, state = Said.STORAGE_NETWORK, State.THERE
    else:
        said, state = Said.STORAGE_NETWORK_ASKED, State.QUESTION
    yield answer(RuleId.STORAGE_NETWORK, state, said, detail=battery.network_notification)


def _told(battery: Battery, rule: RuleId, otherwise: State) -> Answer:
    if battery.licensee_told is None:
        return answer(rule, State.QUESTION, Said.BATTERY_TOLD_ASKED)
    if battery.licensee_told:
        return answer(rule, State.THERE, Said.BATTERY_TOLD)
    return answer(rule, otherwise, Said.BATTERY_NOT_TOLD)


def _at_meter(where: Behind, battery: Battery, meter: Meter) -> Iterator[Answer]:
    """What a generation meter counts of a battery, and whether that can be paid for."""
    if where is Behind.NOT_KNOWN:
        yield answer(RuleId.STORAGE_OWN_ONLY, State.QUESTION, Said.SIDE_ASKED, meter.id)
    elif where is Behind.HOUSE:
        yield answer(RuleId.STORAGE_OWN_ONLY, State.THERE, Said.HOUSE_SIDE, meter.id)
    elif where is Behind.PANELS and meter.register is RegisterType.ADDS_BOTH:
        # Whether it is charged from the mains or not: what it takes to stand by flows back, and is added.
        yield answer(RuleId.STORAGE_ADDED, State.MISSING, Said.ADDS_BOTH, meter.id)
    elif where is Behind.PANELS and meter.register is not RegisterType.FORWARD:
        said = Said.NETTED if meter.register is RegisterType.NET else Said.TWO_REGISTERS
        yield answer(RuleId.STORAGE_NETTED, State.THERE, said, meter.id)
    elif where is Behind.PANELS and battery.grid_charging is None:
        yield answer(RuleId.STORAGE_NETTED, State.QUESTION, Said.GRID_CHARGING_ASKED, meter.id)
    elif where is Behind.PANELS and battery.grid_charging:
        yield answer(RuleId.STORAGE_NETTED, State.MISSING, Said.NOT_NETTED, meter.id)
    elif where is Behind.PANELS:
        yield answer(RuleId.STORAGE_NETTED, State.QUESTION, Said.DELAYED_ASKED, meter.id)


def _exported(battery: Battery) -> Answer:
    """Whether what goes out can be anything but solar energy."""
    if battery.grid_charging is None:
        return answer(RuleId.STORAGE_EXPORT_TERMS, State.QUESTION, Said.EXPORT_GRID_ASKED)
    if battery.grid_charging:
        return answer(RuleId.STORAGE_EXPORT_TERMS, State.QUESTION, Said.EXPORT_TERMS_ASKED)
    return answer(RuleId.STORAGE_EXPORT_TERMS, State.THERE, Said.EXPORT_OWN_ONLY)

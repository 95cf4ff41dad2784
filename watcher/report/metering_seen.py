"""What the people at home must be able to see and to have on record: all energy generated, and better the power too.

Rule: these are the trade's own rules and ask the same whoever pays. What the customer needs to read a display is told
by the file or asked; that somebody reads it is no proof that no ladder is needed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from watcher.domain.papers import Display, ReadWith, Shows
from watcher.domain.site import Meter, MeterRole, Site
from watcher.report.metering_answer import Answer, Said, State, answer
from watcher.report.metering_facts import meters_of
from watcher.report.metering_rules import RuleId
from watcher.report.metering_storage import Behind, behind

CUSTOMERS = ("occupier", "owner", "homeowner", "householder", "tenant", "resident", "customer", "payee")
NOT_CUSTOMERS = ("installer", "operator", "nobody", "no one", "landlord", "meter reader")

_LOFT = re.compile(r"\b(loft|attic|roof space|roofspace)\b", re.IGNORECASE)


def seen_answers(site: Site) -> Iterator[Answer]:
    yield _total(site)
    yield _energy(site)
    yield _power(site.display)
    for meter in meters_of(site, MeterRole.GENERATION):
        yield _reach(meter)


def uncovered(site: Site) -> tuple[str, ...]:
    """Inverters with panels whose output passes no generation meter."""
    covered = {id for meter in meters_of(site, MeterRole.GENERATION) for id in meter.covers}
    making = [inverter.id for inverter in site.inverters if site.arrays_of(inverter.id)]
    return tuple(id for id in making if id not in covered)


def _total(site: Site) -> Answer:
    """Whether all that is generated is counted by something that shows it."""
    meters, left = meters_of(site, MeterRole.GENERATION), uncovered(site)
    names = ", ".join(meter.id for meter in meters)
    # Behind a battery a meter counts what leaves it, not what is generated.
    pure = all(behind(site, meter) in (Behind.NO_BATTERY, Behind.HOUSE) for meter in meters)
    if meters and not left and pure:
        return answer(RuleId.TOTAL_RECORDED, State.THERE, Said.TOTAL_BY_METER, names)
    shows = site.display.shows if site.display is not None else None
    if shows is not None and site.display is not None:
        if Shows.ENERGY in shows:
            return answer(RuleId.TOTAL_RECORDED, State.THERE, Said.TOTAL_BY_DISPLAY, site.display.place or "display")
        return answer(RuleId.TOTAL_RECORDED, State.MISSING, Said.TOTAL_NOWHERE, names, ", ".join(left))
    if not meters:
        return answer(RuleId.TOTAL_RECORDED, State.QUESTION, Said.TOTAL_ASKED)
    if left:
        return answer(RuleId.TOTAL_RECORDED, State.QUESTION, Said.TOTAL_PART_ASKED, names, ", ".join(left))
    return answer(RuleId.TOTAL_RECORDED, State.QUESTION, Said.TOTAL_BATTERY_ASKED, names)


def _energy(site: Site) -> Answer:
    """Whether the customer can look at the energy generated without ado."""
    sights = [(meter.id, needed_at(meter)) for meter in meters_of(site, MeterRole.GENERATION)]
    display = site.display
    unknown = display is None or display.shows is None
    if display is not None and display.shows and Shows.ENERGY in display.shows:
        sights.append((display.place or "display", display.read_with))
    for place, needed in sights:
        if needed is ReadWith.NOTHING:
            return answer(RuleId.DISPLAY_ENERGY, State.THERE, Said.ENERGY_SEEN, place)
    if unknown or any(needed is None for _, needed in sights):
        return answer(RuleId.DISPLAY_ENERGY, State.QUESTION, Said.ENERGY_ASKED)
    return answer(RuleId.DISPLAY_ENERGY, State.MISSING, Said.ENERGY_NOT_SEEN)


def _power(display: Display | None) -> Answer:
    if display is None or display.shows is None:
        return answer(RuleId.DISPLAY_POWER, State.QUESTION, Said.POWER_ASKED)
    if Shows.POWER in display.shows:
        return answer(RuleId.DISPLAY_POWER, State.THERE, Said.POWER_SEEN, display.place or "display")
    return answer(RuleId.DISPLAY_POWER, State.ADVISED, Said.POWER_NOT_SEEN)


def needed_at(meter: Meter) -> ReadWith | None:
    """What the customer needs to read a meter. Nobody gets into a loft without a ladder, whatever else is said."""
    return ReadWith.LADDER if _LOFT.search(meter.place) else meter.read_with


def _reach(meter: Meter) -> Answer:
    if _LOFT.search(meter.place):
        return answer(RuleId.METER_IN_REACH, State.MISSING, Said.REACH_LOFT, meter.id, meter.place)
    if meter.reader.strip().lower() in NOT_CUSTOMERS:
        return answer(RuleId.METER_IN_REACH, State.MISSING, Said.READER_NOT_CUSTOMER, meter.id, meter.reader)
    if meter.read_with is None:
        return answer(RuleId.METER_IN_REACH, State.QUESTION, Said.REACH_ASKED, meter.id)
    if meter.read_with is ReadWith.NOTHING:
        return answer(RuleId.METER_IN_REACH, State.THERE, Said.REACH_FREE, meter.id, meter.place)
    return answer(RuleId.METER_IN_REACH, State.MISSING, Said.REACH_NEEDS, meter.id, meter.read_with)

"""What the trade's rules ask of metering: one table, each rule with its clause, its edition and how sure we are of it.

Rule: the rules stand in our own words, and none without its source (metering_sources.py). What is found of them at a
site is for metering.py and its like.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from watcher.report.metering_sources import (
    CERTIFICATION,
    CERTIFIED,
    CHANGES,
    CLOSURE,
    CODE,
    ELECTRICITY_ACT,
    ENERGY_ACT,
    EXPORT_GUIDE,
    GUARANTEE_METERS,
    GUARANTEE_STORAGE,
    INSTRUMENTS,
    LENGTH,
    LICENCE,
    LICENSEE,
    NETWORK,
    NO_CLAUSE,
    OMBUDSMAN,
    ONSITE,
    ONSITE_IMPORT,
    PHOTOS,
    PLACE,
    QUALIFIES,
    STANDARD,
    STORAGE_ADVICE,
    STORAGE_NOTES,
    SUPPLY_NUMBER,
    TARIFF_GUIDANCE,
    TARIFF_ORDER,
    WELSH_NOTE,
    Source,
)


class RuleId(StrEnum):
    NOT_THIS_TARIFF = "not-this-tariff"
    NOT_THIS_GUARANTEE = "not-this-guarantee"
    GENERATION_METER = "generation-meter"
    NO_SEPARATE_METER = "no-separate-meter"
    REGISTER_ALONE = "register-alone"
    TOTAL_RECORDED = "total-recorded"
    DISPLAY_ENERGY = "display-energy"
    DISPLAY_POWER = "display-power"
    METER_IN_REACH = "meter-in-reach"
    METER_APPROVED = "meter-approved"
    METER_APPROVED_BEFORE = "meter-approved-before"
    METER_BILLS = "meter-bills"
    METER_SERIAL = "meter-serial"
    METER_CERTIFIED = "meter-certified"
    METER_VERIFIED = "meter-verified"
    EXPORT_DEEMED = "export-deemed"
    EXPORT_METER_LARGE = "export-meter-large"
    EXPORT_METER_PAID = "export-meter-paid"
    EXPORT_METER_GUARANTEE = "export-meter-guarantee"
    EXPORT_REGISTERED = "export-registered"
    STORAGE_TOLD = "storage-told"
    STORAGE_TOLD_EXPORT = "storage-told-export"
    STORAGE_OWN_ONLY = "storage-own-only"
    STORAGE_NETTED = "storage-netted"
    STORAGE_ADDED = "storage-added"
    STORAGE_DEEMED = "storage-deemed"
    STORAGE_EXPORT_TERMS = "storage-export-terms"
    STORAGE_UNPAID = "storage-unpaid"
    STORAGE_NETWORK = "storage-network"
    CERTIFICATE_TARIFF = "certificate-tariff"
    CERTIFICATE_GUARANTEE = "certificate-guarantee"
    NETWORK_NOTIFIED = "network-notified"
    TARIFF_CLOSED = "tariff-closed"
    TARIFF_TERM = "tariff-term"
    PAPERS_KEPT = "papers-kept"


@dataclass(frozen=True, slots=True)
class Rule:
    """asks: what is asked, as a sentence without its full stop. applies: to which sites

    only_britain: it holds in Great Britain and nowhere else
    """

    id: RuleId
    asks: str
    applies: str
    source: Source
    only_britain: bool = False


_TARIFF, _GUARANTEE = "sites paid by the feed-in tariff", "sites paid by the export guarantee"
_BRITAIN = True

_ROWS = (
    Rule(
        RuleId.NOT_THIS_TARIFF,
        "the feed-in tariff is a scheme of England, Wales and Scotland",
        "sites elsewhere",
        ENERGY_ACT,
    ),
    Rule(RuleId.NOT_THIS_GUARANTEE, "the export guarantee is a scheme of Great Britain", "sites elsewhere", QUALIFIES),
    Rule(
        RuleId.GENERATION_METER,
        "a generation meter of its own, on whose register payment rests",
        _TARIFF,
        LICENCE,
        _BRITAIN,
    ),
    Rule(
        RuleId.NO_SEPARATE_METER,
        "no generation meter of its own where no payment rests on what is generated; the inverter's counter may do",
        "all other sites",
        NO_CLAUSE,
        _BRITAIN,
    ),
    Rule(
        RuleId.REGISTER_ALONE,
        "payment stops at a dead meter's last good reading; neither the inverter's figure nor an estimate is taken",
        _TARIFF,
        OMBUDSMAN,
        _BRITAIN,
    ),
    Rule(RuleId.TOTAL_RECORDED, "all AC energy generated is recorded and displayed", "all sites", STANDARD),
    Rule(
        RuleId.DISPLAY_ENERGY,
        "a display and record of the energy generated, at least, that is readily accessible",
        "all sites",
        CODE,
    ),
    Rule(RuleId.DISPLAY_POWER, "a display of the present power is advised", "all sites", CODE),
    Rule(
        RuleId.METER_IN_REACH,
        "the customer reads the meter without tool, ladder or torch; a loft does not conform",
        "sites with a generation meter",
        PLACE,
    ),
    Rule(RuleId.METER_APPROVED, "a meter on which payment rests is MID-approved", _TARIFF, STANDARD, _BRITAIN),
    Rule(
        RuleId.METER_APPROVED_BEFORE,
        "a meter of an older national approval may stand if it was placed before 30 October 2016",
        _TARIFF,
        INSTRUMENTS,
        _BRITAIN,
    ),
    Rule(
        RuleId.METER_BILLS,
        "a meter by which a landlord bills is of an approved type",
        "sites with a landlord",
        ELECTRICITY_ACT,
        _BRITAIN,
    ),
    Rule(
        RuleId.METER_SERIAL,
        "the serial number of the meter can be seen, and stands on the certificate",
        _TARIFF,
        STANDARD,
        _BRITAIN,
    ),
    Rule(
        RuleId.METER_CERTIFIED,
        "a certified meter has a life, ten years where its type has no other; of meters that are not a supplier's, ask",
        _TARIFF,
        CERTIFICATION,
        _BRITAIN,
    ),
    Rule(
        RuleId.METER_VERIFIED,
        "the licensee verifies the reading at least every two years; a photo will do",
        _TARIFF,
        PHOTOS,
        _BRITAIN,
    ),
    Rule(
        RuleId.EXPORT_DEEMED,
        "no export meter up to 30 kW: export is deemed",
        _TARIFF + ", whose export is deemed",
        ONSITE,
        _BRITAIN,
    ),
    Rule(RuleId.EXPORT_METER_LARGE, "an export meter above 30 kW", _TARIFF, EXPORT_GUIDE, _BRITAIN),
    Rule(
        RuleId.EXPORT_METER_PAID,
        "an export meter where deemed export was given up for metered export",
        _TARIFF,
        LICENSEE,
        _BRITAIN,
    ),
    Rule(
        RuleId.EXPORT_METER_GUARANTEE,
        "an export meter that can give export by the half-hour, however it is paid",
        _GUARANTEE,
        GUARANTEE_METERS,
        _BRITAIN,
    ),
    Rule(
        RuleId.EXPORT_REGISTERED,
        "export is registered under a supply number of its own",
        "sites whose export is metered",
        SUPPLY_NUMBER,
        _BRITAIN,
    ),
    Rule(
        RuleId.STORAGE_TOLD,
        "the licensee is told of a battery, and of a meter that begins to count what the site did not generate",
        _TARIFF,
        CHANGES,
        _BRITAIN,
    ),
    Rule(RuleId.STORAGE_TOLD_EXPORT, "who pays for export is told of a battery", _GUARANTEE, NO_CLAUSE, _BRITAIN),
    Rule(
        RuleId.STORAGE_OWN_ONLY,
        "only what the installation itself generates is paid for",
        _TARIFF + ", with a battery",
        STORAGE_NOTES,
        _BRITAIN,
    ),
    Rule(
        RuleId.STORAGE_NETTED,
        "with a battery on its panels' side the meter is bi-directional; one meter less another is refused",
        _TARIFF + ", with a battery",
        STORAGE_ADVICE,
        _BRITAIN,
    ),
    Rule(
        RuleId.STORAGE_ADDED,
        "some registers add what flows the other way, and then count what was never generated",
        _TARIFF + ", with a battery",
        ONSITE_IMPORT,
        _BRITAIN,
    ),
    Rule(
        RuleId.STORAGE_DEEMED,
        "deemed export goes on with a battery, up to 30 kW",
        _TARIFF + ", with a battery, whose export is deemed",
        TARIFF_GUIDANCE,
        _BRITAIN,
    ),
    Rule(
        RuleId.STORAGE_EXPORT_TERMS,
        "whether energy bought and stored is paid for when it goes out again is for the terms of the tariff",
        "sites whose export is metered, with a battery",
        GUARANTEE_STORAGE,
        _BRITAIN,
    ),
    Rule(
        RuleId.STORAGE_UNPAID,
        "nothing of a battery, where nobody pays by a meter",
        "sites that nobody pays",
        NO_CLAUSE,
        _BRITAIN,
    ),
    Rule(
        RuleId.STORAGE_NETWORK,
        "the network operator agrees to a battery, even one that never exports",
        "sites with a battery",
        WELSH_NOTE,
        _BRITAIN,
    ),
    Rule(
        RuleId.CERTIFICATE_TARIFF,
        "the number of the installation's certificate stands in the register of the tariff",
        _TARIFF,
        TARIFF_ORDER,
        _BRITAIN,
    ),
    Rule(
        RuleId.CERTIFICATE_GUARANTEE,
        "the installation is certified, under MCS or an equal scheme",
        _GUARANTEE,
        CERTIFIED,
        _BRITAIN,
    ),
    Rule(
        RuleId.NETWORK_NOTIFIED,
        "the network operator is told within 28 days of commissioning; above 16 A a phase it agrees beforehand",
        "all sites",
        NETWORK,
        _BRITAIN,
    ),
    Rule(
        RuleId.TARIFF_CLOSED,
        "the tariff took no new sites after 31 March 2019, some exceptions apart",
        _TARIFF,
        CLOSURE,
        _BRITAIN,
    ),
    Rule(
        RuleId.TARIFF_TERM,
        "the tariff is paid for 20 years, 25 for panels eligible before 1 August 2012",
        _TARIFF,
        LENGTH,
        _BRITAIN,
    ),
    Rule(RuleId.PAPERS_KEPT, "the papers of the installation are at hand", "all sites", NO_CLAUSE),
)

RULES: Mapping[RuleId, Rule] = {rule.id: rule for rule in _ROWS}

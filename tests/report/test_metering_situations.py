"""What the metering check must answer, situation by situation, each with the source of the rule and its mark.

Where a source stands behind a page or a document it is as told there; nothing here was taken from a standard that is
for sale. "From memory" and "common practice, no source" are said where that is so, and the check says them too.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from tests.report.made_sites import METERED, TODAY, array, home
from watcher.domain.papers import Approval, Battery, Country, Display, ReadWith, Scheme, Shows, Side
from watcher.domain.site import Contact, Inverter, Meter, RegisterType, Role, Site, Storage
from watcher.report.metering import metering_check, papers_on_file
from watcher.report.metering_answer import Said, State
from watcher.report.metering_rules import RuleId
from watcher.report.metering_sources import Mark

FIT, SEG, NOBODY = Scheme.FEED_IN, Scheme.EXPORT, Scheme.NONE
R, S, M, P = Mark.READ, Mark.SECONDARY, Mark.MEMORY, Mark.PRACTICE
JULY_2018_MS = 1_530_399_600_000

LANDLORD = (Contact(Role.LANDLORD, "landlord@example.org"),)
TWO_INVERTERS = {
    "inverters": (Inverter("inverter-1", 3_680.0), Inverter("inverter-2", 2_000.0)),
    "arrays": (array("south", "inverter-1"), array("garage", "inverter-2")),
}
BIG = {"arrays": (array("barn", "inverter-1", 50_000.0),), "papers": {"registered_capacity_w": 50_000.0}}
BATTERY_INVERTER = (Inverter("inverter-1", 3_680.0), Inverter("battery-1", 3_000.0, storage=Storage.AC))

METERING = [
    ("tariff home with its meter", home(), RuleId.GENERATION_METER, State.THERE, Said.PAID_ON_METER, S,
     "payment is to the generation meter, never the inverter: a licensee's staff"),
    ("tariff home without a meter", home(meter=None), RuleId.GENERATION_METER, State.MISSING, Said.NO_PAID_METER, S,
     "the same"),
    ("tariff home: what stands in for the register", home(), RuleId.REGISTER_ALONE, State.TO_KNOW,
     Said.REGISTER_ALONE, R, "paid to the last good reading, no estimate: energy ombudsman"),
    ("tariff home, second inverter not metered", home(**TWO_INVERTERS), RuleId.GENERATION_METER, State.QUESTION,
     Said.METER_COVERS_PART, S, "an extension after closure is no part of the tariff: to be asked"),
    ("guarantee home without a generation meter", home(scheme=SEG), RuleId.NO_SEPARATE_METER, State.NOT_ASKED,
     Said.SEPARATE_NOT_NEEDED, P, "common practice, no source"),
    ("guarantee home with one", home(scheme=SEG, meter={}), RuleId.NO_SEPARATE_METER, State.NOT_ASKED,
     Said.SEPARATE_IS_EXTRA, P, "common practice, no source"),
    ("home that nobody pays", home(scheme=NOBODY), RuleId.NO_SEPARATE_METER, State.NOT_ASKED,
     Said.SEPARATE_NOT_NEEDED, P, "common practice, no source"),
    ("total by the meter", home(), RuleId.TOTAL_RECORDED, State.THERE, Said.TOTAL_BY_METER, M,
     "MIS 3002, from memory"),
    ("total by the inverter's display", home(scheme=SEG), RuleId.TOTAL_RECORDED, State.THERE, Said.TOTAL_BY_DISPLAY, M,
     "MIS 3002, from memory"),
    ("no meter, and a display without energy", home(scheme=SEG, display={"shows": (Shows.POWER,)}),
     RuleId.TOTAL_RECORDED, State.MISSING, Said.TOTAL_NOWHERE, M, "MIS 3002, from memory"),
    ("no meter, and nothing known of a display", home(scheme=SEG, display={"shows": None}), RuleId.TOTAL_RECORDED,
     State.QUESTION, Said.TOTAL_ASKED, M, "MIS 3002, from memory"),
    ("second inverter not metered, display not known", home(**TWO_INVERTERS, display={"shows": None}),
     RuleId.TOTAL_RECORDED, State.QUESTION, Said.TOTAL_PART_ASKED, M, "MIS 3002, from memory"),
    ("energy at the display alone", home(scheme=SEG), RuleId.DISPLAY_ENERGY, State.THERE, Said.ENERGY_SEEN, M,
     "IET Code of Practice, from memory"),
    ("display only with a ladder", home(scheme=SEG, display={"read_with": ReadWith.LADDER}), RuleId.DISPLAY_ENERGY,
     State.MISSING, Said.ENERGY_NOT_SEEN, M, "IET Code of Practice, from memory"),
    ("no display on file, meter behind a panel", home(display={"shows": None}, meter={"read_with": ReadWith.TOOL}),
     RuleId.DISPLAY_ENERGY, State.QUESTION, Said.ENERGY_ASKED, M, "IET Code of Practice, from memory"),
    ("present power shown", home(), RuleId.DISPLAY_POWER, State.THERE, Said.POWER_SEEN, M,
     "IET Code of Practice, from memory"),
    ("present power not shown", home(display={"shows": (Shows.ENERGY,)}), RuleId.DISPLAY_POWER, State.ADVISED,
     Said.POWER_NOT_SEEN, M, "IET Code of Practice, from memory"),
    ("present power not known", home(display={"shows": None}), RuleId.DISPLAY_POWER, State.QUESTION, Said.POWER_ASKED,
     M, "IET Code of Practice, from memory"),
    ("meter read freely", home(), RuleId.METER_IN_REACH, State.THERE, Said.REACH_FREE, S,
     "MIS 3002 metering guidance, quoted in the trade press, 2014"),
    ("meter in the loft, whoever says it is easy", home(meter={"place": "in the Loft, left"}), RuleId.METER_IN_REACH,
     State.MISSING, Said.REACH_LOFT, S, "a loft is a non-conformity: same notice"),
    ("meter that needs a torch", home(meter={"read_with": ReadWith.TORCH}), RuleId.METER_IN_REACH, State.MISSING,
     Said.REACH_NEEDS, S, "same notice"),
    ("meter behind a screwed panel", home(meter={"read_with": ReadWith.TOOL}), RuleId.METER_IN_REACH, State.MISSING,
     Said.REACH_NEEDS, S, "same notice"),
    ("meter above a door", home(meter={"read_with": ReadWith.LADDER}), RuleId.METER_IN_REACH, State.MISSING,
     Said.REACH_NEEDS, S, "same notice"),
    ("meter only the installer reads", home(meter={"reader": "Installer"}), RuleId.METER_IN_REACH, State.MISSING,
     Said.READER_NOT_CUSTOMER, S, "it is the customer who must be able to: same notice"),
    ("read by the occupier, how is not known", home(meter={"read_with": None}), RuleId.METER_IN_REACH, State.QUESTION,
     Said.REACH_ASKED, S, "same notice"),
    ("MID-approved meter", home(), RuleId.METER_APPROVED, State.THERE, Said.APPROVED, M, "MIS 3002, from memory"),
    ("approval not known", home(meter={"approval": None}), RuleId.METER_APPROVED, State.QUESTION, Said.APPROVAL_ASKED,
     M, "MIS 3002, from memory"),
    ("meter of no approved type", home(meter={"approval": Approval.NONE}), RuleId.METER_APPROVED, State.MISSING,
     Said.NOT_APPROVED, M, "MIS 3002, from memory"),
    ("older approval, placed with the panels in 2015", home(meter={"approval": Approval.NATIONAL}),
     RuleId.METER_APPROVED_BEFORE, State.THERE, Said.OLD_APPROVAL, S,
     "MID from 30 October 2016 for newly placed meters: a metering firm on SI 2016/1153"),
    ("older approval, placed in 2018", home(meter={"approval": Approval.NATIONAL, "from_ms": JULY_2018_MS}),
     RuleId.METER_APPROVED_BEFORE, State.MISSING, Said.OLD_APPROVAL_TOO_LATE, S, "same"),
    ("older approval, placed nobody knows when",
     home(meter={"approval": Approval.NATIONAL}, papers={"commissioned": ""}), RuleId.METER_APPROVED_BEFORE,
     State.QUESTION, Said.OLD_APPROVAL_ASKED, S, "same"),
    ("guarantee home: approval of a meter that pays nobody", home(scheme=SEG, meter={}), RuleId.EXPORT_METER_GUARANTEE,
     State.THERE, Said.HALF_HOURS, S, "MID where payment depends on it: MIS 3002, so no question here"),
    ("landlord, approval not known", home(scheme=NOBODY, meter={"approval": None}, contacts=LANDLORD),
     RuleId.METER_BILLS, State.QUESTION, Said.BILLS_ASKED, R, "a landlord's meter is of approved design: gov.uk"),
    ("landlord, approved meter", home(contacts=LANDLORD), RuleId.METER_BILLS, State.THERE, Said.BILLS, R, "same"),
    ("serial number on file", home(), RuleId.METER_SERIAL, State.THERE, Said.SERIAL_ON_FILE, M,
     "MIS 3002, from memory; photographs show serial and reading: licensees' help pages"),
    ("serial number not on file", home(meter={"serial": ""}), RuleId.METER_SERIAL, State.QUESTION, Said.SERIAL_ASKED,
     M, "same"),
    ("certificate of the meter ended", home(meter={"certified_until": "2024-05-31"}), RuleId.METER_CERTIFIED,
     State.QUESTION, Said.CERTIFIED_ENDED, R, "SI 1998/1566 reg. 2; secondary meters apart, so a question"),
    ("certificate of the meter ends this winter", home(meter={"certified_until": "2027-01-31"}),
     RuleId.METER_CERTIFIED, State.QUESTION, Said.CERTIFIED_ENDS, R, "same"),
    ("certificate of the meter not known", home(meter={"certified_until": ""}), RuleId.METER_CERTIFIED,
     State.QUESTION, Said.CERTIFIED_ASKED, R, "same"),
    ("verification never recorded", home(), RuleId.METER_VERIFIED, State.QUESTION, Said.VERIFIED_ASKED, R,
     "at least every two years: the regulator's decision of 2021"),
    ("export deemed at 3.68 kW", home(), RuleId.EXPORT_DEEMED, State.NOT_ASKED, Said.EXPORT_DEEMED, R,
     "no export meter needed up to 30 kW: the regulator's page on metering"),
    ("export deemed at 30 kW", home(papers={"registered_capacity_w": 30_000.0}), RuleId.EXPORT_DEEMED,
     State.NOT_ASKED, Said.EXPORT_DEEMED, R, "30 kW or less: same page"),
    ("tariff home, statement not on file", home(rates=()), RuleId.EXPORT_DEEMED, State.QUESTION, Said.EXPORT_HOW_ASKED,
     R, "same page"),
    ("tariff barn of 50 kW without an export meter", home(**BIG), RuleId.EXPORT_METER_LARGE, State.MISSING,
     Said.NO_EXPORT_METER, S, "above 30 kW: community energy guide"),
    ("the same by its panels alone", home(arrays=BIG["arrays"], papers={"registered_capacity_w": None}),
     RuleId.EXPORT_METER_LARGE, State.MISSING, Said.NO_EXPORT_METER, S, "same"),
    ("tariff barn of 50 kW with one", home(**BIG, export={}), RuleId.EXPORT_METER_LARGE, State.THERE,
     Said.EXPORT_METER, S, "same"),
    ("tariff home that swapped deemed export", home(rates=(METERED,)), RuleId.EXPORT_METER_PAID, State.MISSING,
     Said.NO_EXPORT_METER, S, "generation stays, export is metered: a licensee's post"),
    ("guarantee home without an export meter", home(scheme=SEG, export=None), RuleId.EXPORT_METER_GUARANTEE,
     State.MISSING, Said.NO_EXPORT_METER, S, "half-hourly readings: trade press on the regulator's draft"),
    ("guarantee home, half-hours not known", home(scheme=SEG, export={"half_hourly": None}),
     RuleId.EXPORT_METER_GUARANTEE, State.QUESTION, Said.HALF_HOURS_ASKED, S, "same"),
    ("guarantee home, no half-hours", home(scheme=SEG, export={"half_hourly": False}), RuleId.EXPORT_METER_GUARANTEE,
     State.MISSING, Said.NO_HALF_HOURS, S, "same"),
    ("guarantee home, export registered", home(scheme=SEG), RuleId.EXPORT_REGISTERED, State.THERE, Said.MPAN_ON_FILE,
     S, "a supplier's help page"),
    ("tariff home, metered export not registered", home(rates=(METERED,)), RuleId.EXPORT_REGISTERED, State.QUESTION,
     Said.MPAN_ASKED, S, "same"),
    ("tariff home without a certificate", home(papers={"certificate": ""}), RuleId.CERTIFICATE_TARIFF, State.QUESTION,
     Said.CERTIFICATE_ASKED, R, "the register holds its number: SI 2012/2782 Sch. 1"),
    ("guarantee home without a certificate", home(scheme=SEG, papers={"certificate": ""}),
     RuleId.CERTIFICATE_GUARANTEE, State.QUESTION, Said.CERTIFICATE_ASKED, S, "a supplier's help page"),
    ("network operator: nothing on file", home(papers={"network_notification": ""}), RuleId.NETWORK_NOTIFIED,
     State.QUESTION, Said.NETWORK_ASKED, S, "28 days under G98: training text"),
    ("tariff home commissioned in June 2019", home(papers={"commissioned": "2019-06-01"}), RuleId.TARIFF_CLOSED,
     State.QUESTION, Said.CLOSED_ASKED, R, "closed after 31 March 2019: the regulator's guidance v13"),
    ("tariff home of 2015", home(), RuleId.TARIFF_TERM, State.TO_KNOW, Said.TERM_RUNS, S, "20 years: scheme page"),
    ("warranty over", home(papers={"warranty_until": "2025-03-20"}), RuleId.PAPERS_KEPT, State.QUESTION,
     Said.WARRANTY_ENDED, P, "common practice, no source"),
    ("tariff in Northern Ireland", home(country=Country.NORTHERN_IRELAND), RuleId.NOT_THIS_TARIFF,
     State.NOT_THIS_SCHEME, Said.NORTHERN, R, "Energy Act 2008 s. 41 extends to England, Wales and Scotland"),
    ("guarantee in Northern Ireland", home(scheme=SEG, country=Country.NORTHERN_IRELAND), RuleId.NOT_THIS_GUARANTEE,
     State.NOT_THIS_SCHEME, Said.NORTHERN, S, "located in Great Britain: a local energy group"),
    ("near Belfast, no country on file", home(latitude_deg=54.6, longitude_deg=-5.9), RuleId.NOT_THIS_TARIFF,
     State.QUESTION, Said.COUNTRY_ASKED, R, "own rule: a place in doubt is asked about"),
    ("Galloway shares its longitudes with Ireland", home(latitude_deg=54.9, longitude_deg=-5.1),
     RuleId.GENERATION_METER, State.THERE, Said.PAID_ON_METER, S, "own rule"),
    ("in Normandy", home(latitude_deg=49.2, longitude_deg=-0.4), RuleId.NOT_THIS_TARIFF, State.NOT_THIS_SCHEME,
     Said.ELSEWHERE, R, "same extent"),
]  # fmt: skip


def stored(
    scheme: Scheme,
    coupling: Storage,
    side: Side | None,
    grid: bool | None,
    told: bool | None,
    register: RegisterType = RegisterType.FORWARD,
) -> Site:
    """A home with a battery. side: of the generation meter, for one on the AC side"""
    battery = {"side": side, "grid_charging": grid, "licensee_told": told}
    meter = {"register": register} if scheme is FIT else None
    return home(scheme=scheme, coupling=coupling, battery=battery, meter=meter)


AC, DC = Storage.AC, Storage.DC
HOUSE, PANELS = Side.HOUSE, Side.PANELS
NET, TWO, BOTH = RegisterType.NET, RegisterType.TWO, RegisterType.ADDS_BOTH
NOTES = "the regulator's draft guidance of December 2017, as two law firms tell it"

STORAGE = [
    ("AC, house side, charged from the mains", stored(FIT, AC, HOUSE, True, True), RuleId.STORAGE_OWN_ONLY,
     State.THERE, Said.HOUSE_SIDE, S, "position decides: " + NOTES),
    ("the same, licensee told", stored(FIT, AC, HOUSE, True, True), RuleId.STORAGE_TOLD, State.THERE,
     Said.BATTERY_TOLD, R, "the regulator's page for tariff generators: tell of a battery"),
    ("the same, licensee not told", stored(FIT, AC, HOUSE, True, False), RuleId.STORAGE_TOLD, State.MISSING,
     Said.BATTERY_NOT_TOLD, R, "same page"),
    ("the same, telling not known", stored(FIT, AC, HOUSE, True, None), RuleId.STORAGE_TOLD, State.QUESTION,
     Said.BATTERY_TOLD_ASKED, R, "same page"),
    ("AC, house side, a register that adds", stored(FIT, AC, HOUSE, True, True, BOTH), RuleId.STORAGE_OWN_ONLY,
     State.THERE, Said.HOUSE_SIDE, S, "nothing flows back through it: " + NOTES),
    ("AC, side not known", stored(FIT, AC, None, False, True), RuleId.STORAGE_OWN_ONLY, State.QUESTION,
     Said.SIDE_ASKED, S, NOTES),
    ("AC, panels' side, never from the mains", stored(FIT, AC, PANELS, False, True), RuleId.STORAGE_NETTED,
     State.QUESTION, Said.DELAYED_ASKED, S, "bi-directional meter for such units: advice site; counts solar alone"),
    ("AC, panels' side, from the mains, forward", stored(FIT, AC, PANELS, True, True), RuleId.STORAGE_NETTED,
     State.MISSING, Said.NOT_NETTED, S, NOTES),
    ("AC, panels' side, from the mains, net", stored(FIT, AC, PANELS, True, True, NET), RuleId.STORAGE_NETTED,
     State.THERE, Said.NETTED, S, "netted by a bi-directional meter: " + NOTES),
    ("AC, panels' side, from the mains, two registers", stored(FIT, AC, PANELS, True, True, TWO),
     RuleId.STORAGE_NETTED, State.THERE, Said.TWO_REGISTERS, S, NOTES),
    ("AC, panels' side, a register that adds", stored(FIT, AC, PANELS, False, True, BOTH), RuleId.STORAGE_ADDED,
     State.MISSING, Said.ADDS_BOTH, R, "some digital meters add export: the regulator's page on metering"),
    ("AC, panels' side, charging not known", stored(FIT, AC, PANELS, None, True), RuleId.STORAGE_NETTED,
     State.QUESTION, Said.GRID_CHARGING_ASKED, S, NOTES),
    ("DC, from the mains, forward", stored(FIT, DC, None, True, True), RuleId.STORAGE_NETTED, State.MISSING,
     Said.NOT_NETTED, S, "on the panels' side always: " + NOTES),
    ("DC, whatever side somebody wrote", stored(FIT, DC, HOUSE, True, True), RuleId.STORAGE_NETTED, State.MISSING,
     Said.NOT_NETTED, S, "same"),
    ("DC, never from the mains, forward", stored(FIT, DC, None, False, True), RuleId.STORAGE_NETTED, State.QUESTION,
     Said.DELAYED_ASKED, S, "bi-directional meter for DC-coupled units: advice site"),
    ("DC, charging not known", stored(FIT, DC, None, None, True), RuleId.STORAGE_NETTED, State.QUESTION,
     Said.GRID_CHARGING_ASKED, S, NOTES),
    ("DC, from the mains, two registers", stored(FIT, DC, None, True, True, TWO), RuleId.STORAGE_NETTED, State.THERE,
     Said.TWO_REGISTERS, S, NOTES),
    ("DC, a register that adds", stored(FIT, DC, None, True, True, BOTH), RuleId.STORAGE_ADDED, State.MISSING,
     Said.ADDS_BOTH, R, "the regulator's page on metering"),
    ("DC: the meter's total is not generation", replace(stored(FIT, DC, None, False, True), display=None),
     RuleId.TOTAL_RECORDED, State.QUESTION, Said.TOTAL_BATTERY_ASKED, M, "MIS 3002, from memory"),
    ("a battery inverter named among what the meter covers",
     home(inverters=BATTERY_INVERTER, meter={"covers": ("inverter-1", "battery-1")}, battery={"grid_charging": True}),
     RuleId.STORAGE_NETTED, State.MISSING, Said.NOT_NETTED, S, NOTES),
    ("deemed export with a battery", stored(FIT, AC, HOUSE, True, True), RuleId.STORAGE_DEEMED, State.TO_KNOW,
     Said.DEEMED_GOES_ON, S, "deemed payments go on up to 30 kW: advice site"),
    ("tariff with metered export, from the mains",
     home(rates=(METERED,), export={}, coupling=AC, battery={"side": None, "grid_charging": True}),
     RuleId.STORAGE_EXPORT_TERMS, State.QUESTION, Said.EXPORT_TERMS_ASKED, S, "trade press"),
    ("guarantee, DC, from the mains", stored(SEG, DC, None, True, True), RuleId.STORAGE_EXPORT_TERMS, State.QUESTION,
     Said.EXPORT_TERMS_ASKED, S, "suppliers may buy from sites with storage, on their terms: trade press"),
    ("guarantee, AC, never from the mains", stored(SEG, AC, None, False, True), RuleId.STORAGE_EXPORT_TERMS,
     State.THERE, Said.EXPORT_OWN_ONLY, S, "same"),
    ("guarantee, charging not known", stored(SEG, AC, None, None, True), RuleId.STORAGE_EXPORT_TERMS, State.QUESTION,
     Said.EXPORT_GRID_ASKED, S, "same"),
    ("guarantee, payer not told", stored(SEG, AC, None, False, False), RuleId.STORAGE_TOLD_EXPORT, State.ADVISED,
     Said.BATTERY_NOT_TOLD, P, "common practice, no source"),
    ("nobody pays, DC, from the mains", stored(NOBODY, DC, None, True, None), RuleId.STORAGE_UNPAID, State.NOT_ASKED,
     Said.STORAGE_UNPAID, P, "common practice, no source"),
    ("network operator not asked", home(coupling=AC, battery={"network_notification": ""}), RuleId.STORAGE_NETWORK,
     State.QUESTION, Said.STORAGE_NETWORK_ASKED, R, "operators authorise all storage: Welsh Government's note"),
    ("no battery on file", home(), RuleId.STORAGE_NETWORK, State.NOT_ASKED, Said.NO_BATTERY, R, "same note"),
    ("Northern Ireland, DC", replace(stored(FIT, DC, None, True, None), country=Country.NORTHERN_IRELAND),
     RuleId.STORAGE_TOLD, State.NOT_THIS_SCHEME, Said.NORTHERN, R, "Energy Act 2008 s. 41: extent"),
]  # fmt: skip

SITUATIONS = [*METERING, *STORAGE]


def test_there_are_as_many_situations_as_promised() -> None:
    assert len(METERING) >= 16
    assert len(STORAGE) >= 12


@pytest.mark.parametrize(
    ("site", "rule", "state", "said", "mark", "source"),
    [one[1:] for one in SITUATIONS],
    ids=[one[0] for one in SITUATIONS],
)
def test_a_situation_gets_the_answer_its_source_requires(
    site: Site, rule: RuleId, state: State, said: Said, mark: Mark, source: str
) -> None:
    check = metering_check(site, TODAY)
    found = [(one.rule.id, one.state, one.said, one.rule.source.mark) for one in check.answers]
    assert (rule, state, said, mark) in found, source


def test_every_finding_there_is_a_sentence_for_is_required_somewhere() -> None:
    required = {one[4] for one in SITUATIONS}
    elsewhere = {
        Said.CERTIFIED_UNTIL, Said.VERIFIED, Said.VERIFIED_LONG_AGO, Said.TERM_ENDS_ASKED, Said.CERTIFICATE,
        Said.NETWORK, Said.STORAGE_NETWORK, Said.COMMISSIONED_ASKED, Said.LICENSEE_ASKED, Said.CAPACITY_ASKED,
        Said.QUOTE_ASKED, Said.WARRANTY_ASKED,
    }  # fmt: skip
    assert set(Said) - required == elsewhere


def said(site: Site, today: date = TODAY) -> set[Said]:
    return {one.said for one in metering_check(site, today).answers}


@pytest.mark.parametrize(
    ("commissioned", "today", "expected", "end"),
    [
        ("2012-07-31", date(2036, 7, 30), Said.TERM_RUNS, "2037-07-31"),
        ("2012-08-01", date(2031, 7, 31), Said.TERM_RUNS, "2032-08-01"),
        ("2012-08-01", date(2031, 8, 2), Said.TERM_ENDS_ASKED, "2032-08-01"),
        ("2012-02-29", date(2026, 1, 1), Said.TERM_RUNS, "2037-03-01"),
        ("2010-05-04", date(2040, 1, 1), Said.TERM_ENDS_ASKED, "2035-05-04"),
    ],
)
def test_the_term_is_25_years_before_august_2012_and_20_since(
    commissioned: str, today: date, expected: Said, end: str
) -> None:
    """A scheme page of 2012; the day of eligibility may be another, so an end is asked about."""
    answers = metering_check(home(papers={"commissioned": commissioned}), today).answers
    assert [(one.said, one.detail) for one in answers if one.rule.id is RuleId.TARIFF_TERM] == [(expected, end)]


@pytest.mark.parametrize(
    ("verified", "expected"),
    [
        (date(2024, 11, 25), Said.VERIFIED),
        (date(2024, 11, 24), Said.VERIFIED),
        (date(2024, 11, 20), Said.VERIFIED_LONG_AGO),
        (None, Said.VERIFIED_ASKED),
    ],
)
def test_a_verification_two_years_ago_is_asked_about(verified: date | None, expected: Said) -> None:
    site = home()
    told = {"meter-1": replace(papers_on_file(site.meter("meter-1")), verified=verified)}
    answers = metering_check(site, TODAY, told).answers
    assert [one.said for one in answers if one.rule.id is RuleId.METER_VERIFIED] == [expected]


def test_a_home_in_order_has_one_question_left() -> None:
    """Everything on file but when the licensee last came: that is told to the ledger, not to the file."""
    check = metering_check(home(), TODAY)
    assert [one.said for one in check.questions] == [Said.VERIFIED_ASKED]
    assert {one.state for one in check.answers} >= {State.THERE, State.NOT_ASKED, State.TO_KNOW}
    assert State.MISSING not in {one.state for one in check.answers}


def test_papers_that_are_not_on_file_are_asked_for_one_by_one() -> None:
    nothing = {"commissioned": "", "registered_capacity_w": None, "quoted_annual_kwh": None, "warranty_until": ""}
    asked = {Said.COMMISSIONED_ASKED, Said.CAPACITY_ASKED, Said.QUOTE_ASKED, Said.WARRANTY_ASKED}
    assert asked <= said(home(papers=nothing))
    assert not asked & said(home())
    assert Said.LICENSEE_ASKED in said(replace(home(), payment=replace(home().payment, licensee="")))


def test_a_dc_battery_behind_another_inverter_leaves_the_meter_alone() -> None:
    inverters = (Inverter("inverter-1", 3_680.0), Inverter("inverter-2", 3_000.0, storage=Storage.DC))
    site = home(inverters=inverters, battery={"grid_charging": True, "licensee_told": True})
    rules = {one.rule.id for one in metering_check(site, TODAY).answers}
    assert RuleId.STORAGE_TOLD in rules
    assert not rules & {RuleId.STORAGE_OWN_ONLY, RuleId.STORAGE_NETTED, RuleId.STORAGE_ADDED}


def test_export_of_a_large_site_is_not_deemed_with_or_without_a_battery() -> None:
    large = home(arrays=BIG["arrays"], papers=BIG["papers"], coupling=AC, battery={"side": HOUSE})
    assert not said(large) & {Said.DEEMED_GOES_ON, Said.EXPORT_DEEMED}
    assert Said.DEEMED_GOES_ON in said(home(coupling=AC, battery={"side": HOUSE}))


@pytest.mark.parametrize("coupling", [AC, DC])
@pytest.mark.parametrize("side", [None, *Side])
@pytest.mark.parametrize("register", list(RegisterType))
def test_no_battery_goes_with_a_tariff_meter_unless_the_meter_is_fit_for_it(
    coupling: Storage, side: Side | None, register: RegisterType
) -> None:
    """All of position, coupling, charging, register and telling: one word on telling, one on the meter."""
    about_meter = {RuleId.STORAGE_OWN_ONLY, RuleId.STORAGE_NETTED, RuleId.STORAGE_ADDED}
    for grid in (True, False, None):
        for told in (True, False, None):
            answers = metering_check(stored(FIT, coupling, side, grid, told, register), TODAY).answers
            (telling,) = (one.state for one in answers if one.rule.id is RuleId.STORAGE_TOLD)
            assert telling is {True: State.THERE, False: State.MISSING, None: State.QUESTION}[told]
            (metered,) = (one.state for one in answers if one.rule.id in about_meter)
            house = coupling is AC and side is HOUSE
            both_ways = register in (NET, TWO) and (coupling is DC or side is PANELS)
            assert (metered is State.THERE) == (house or both_ways)
            if grid and register is RegisterType.FORWARD and (coupling is DC or side is PANELS):
                assert metered is State.MISSING


def test_two_generation_meters_are_each_asked_about() -> None:
    second = Meter("meter-9", home().meters[0].role, covers=("inverter-1",))
    site = replace(home(), meters=(*home().meters, second))
    about = {(one.rule.id, one.said) for one in metering_check(site, TODAY).questions if one.subject == "meter-9"}
    assert about == {
        (RuleId.METER_APPROVED, Said.APPROVAL_ASKED), (RuleId.METER_SERIAL, Said.SERIAL_ASKED),
        (RuleId.METER_CERTIFIED, Said.CERTIFIED_ASKED), (RuleId.METER_VERIFIED, Said.VERIFIED_ASKED),
        (RuleId.METER_IN_REACH, Said.REACH_ASKED),
    }  # fmt: skip


def test_a_battery_that_only_the_papers_know_of_is_asked_about() -> None:
    """Without a coupling on file nobody can say which side it stands on."""
    assert Said.SIDE_ASKED in said(home(battery={}))
    assert said(replace(home(), battery=Battery())) >= {Said.SIDE_ASKED, Said.BATTERY_TOLD_ASKED}


def test_an_empty_display_is_none_and_an_unknown_one_is_asked_about() -> None:
    none = replace(home(scheme=SEG), display=Display(shows=()))
    assert {Said.TOTAL_NOWHERE, Said.ENERGY_NOT_SEEN, Said.POWER_NOT_SEEN} <= said(none)
    unknown = replace(home(scheme=SEG), display=None)
    assert {Said.TOTAL_ASKED, Said.ENERGY_ASKED, Said.POWER_ASKED} <= said(unknown)

"""What holds of the metering check whatever the site: sources and marks, no figure of energy, unknown never fine."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.report.made_sites import DEEMED, GENERATED, METERED, TODAY, home
from watcher.domain.papers import Approval, Country, Display, ReadWith, Scheme, Shows, Side
from watcher.domain.site import Contact, Inverter, RegisterType, Role, Site, Storage
from watcher.report.country import Land
from watcher.report.metering import metering_check
from watcher.report.metering_answer import MeterPapers, Said, State
from watcher.report.metering_rules import RULES, RuleId
from watcher.report.metering_sources import Mark
from watcher.report.metering_words import ASKED, FOUND, SHAPES, line, row, sentence

yes_no_unknown = st.sampled_from([True, False, None])
day_or_unknown = st.sampled_from(["", "2011-05-04", "2015-03-20", "2019-06-01", "2027-02-01"])
text_or_unknown = st.sampled_from(["", "EX-1"])


@st.composite
def sites(draw: st.DrawFn) -> Site:
    scheme = draw(st.sampled_from(Scheme))
    coupling = draw(st.sampled_from(Storage))
    battery = None
    if coupling is not Storage.NONE:
        battery = {
            "side": draw(st.sampled_from([None, *Side])),
            "grid_charging": draw(yes_no_unknown),
            "licensee_told": draw(yes_no_unknown),
            "network_notification": draw(text_or_unknown),
        }
    meter = {
        "register": draw(st.sampled_from(RegisterType)),
        "approval": draw(st.sampled_from([None, *Approval])),
        "read_with": draw(st.sampled_from([None, *ReadWith])),
        "serial": draw(text_or_unknown),
        "certified_until": draw(day_or_unknown),
        "place": draw(st.sampled_from(["", "loft", "hall"])),
        "reader": draw(st.sampled_from(["", "occupier", "installer"])),
    }
    site = home(
        scheme=scheme,
        coupling=coupling,
        battery=battery,
        rates=draw(st.sampled_from([(), (GENERATED,), (GENERATED, DEEMED), (METERED,)])),
        meter=draw(st.sampled_from([None, meter])),
        export=draw(st.sampled_from([None, {}, {"half_hourly": None}, {"half_hourly": False}])),
        papers={
            "certificate": draw(text_or_unknown),
            "commissioned": draw(day_or_unknown),
            "network_notification": draw(text_or_unknown),
            "registered_capacity_w": draw(st.sampled_from([None, 3_680.0, 50_000.0])),
            "quoted_annual_kwh": draw(st.sampled_from([None, 3_650.0])),
            "warranty_until": draw(day_or_unknown),
        },
        country=draw(st.sampled_from([None, *Country])),
        longitude_deg=draw(st.sampled_from([-0.45, -6.0, 9.0])),
        contacts=draw(st.sampled_from([(), (Contact(Role.LANDLORD, "l@example.org"),)])),
    )
    shows = draw(st.sampled_from([None, (), (Shows.ENERGY,), (Shows.POWER,), tuple(Shows)]))
    display = Display(draw(text_or_unknown), shows, draw(st.sampled_from([None, *ReadWith])))
    second = Inverter("inverter-2", 2_000.0, storage=draw(st.sampled_from(Storage)))
    inverters = draw(st.sampled_from([site.inverters, (*site.inverters, second)]))
    return replace(site, display=draw(st.sampled_from([None, display])), inverters=inverters)


@given(sites())
def test_every_answer_has_clause_edition_and_mark(site: Site) -> None:
    for one in metering_check(site, TODAY).answers:
        where = one.rule.source
        assert where.clause.strip()
        assert where.edition.strip()
        assert where.mark in Mark
        assert line(one).endswith(f"; {where.mark})")


@given(sites())
def test_no_answer_holds_an_amount_of_energy(site: Site) -> None:
    """No reading is corrected, for none is reckoned: neither in the answer nor in its words."""
    check = metering_check(site, TODAY)
    for one in check.answers:
        assert re.search(r"\d\s*[kM]?Wh|correct", line(one)) is None
        assert not any(isinstance(getattr(one, field.name), int | float) for field in fields(one))
        assert not any("{" in cell for cell in row(check, one))


@given(sites())
def test_a_question_is_a_question_and_says_where_its_answer_belongs(site: Site) -> None:
    for one in metering_check(site, TODAY).answers:
        assert (one.said in ASKED) == (one.state is State.QUESTION)
        if one.state is State.QUESTION:
            question, arrow, where = sentence(one).partition(" -> ")
            assert "?" in question
            assert arrow
            assert where


def battery_without(name: str) -> Callable[[Site], Site]:
    return lambda site: site if site.battery is None else replace(site, battery=replace(site.battery, **_empty(name)))


def display_without(name: str) -> Callable[[Site], Site]:
    return lambda site: site if site.display is None else replace(site, display=replace(site.display, **_empty(name)))


def meters_without(name: str) -> Callable[[Site], Site]:
    return lambda site: replace(site, meters=tuple(replace(meter, **_empty(name)) for meter in site.meters))


def papers_without(name: str) -> Callable[[Site], Site]:
    return lambda site: replace(site, papers=replace(site.papers, **_empty(name)))


def payment_without(name: str) -> Callable[[Site], Site]:
    return lambda site: replace(site, payment=replace(site.payment, **_empty(name)))


def _empty(name: str) -> dict[str, Any]:
    empty = {"rates": (), **dict.fromkeys(TEXTS, "")}
    return {name: empty.get(name)}


TEXTS = (
    "network_notification", "serial", "certified_until", "reader", "certificate", "commissioned", "warranty_until",
    "licensee", "export_mpan",
)  # fmt: skip

TAKEN_OFF = {
    "country": lambda site: replace(site, country=None),
    "display": lambda site: replace(site, display=None),
    **{f"display.{name}": display_without(name) for name in ("shows", "read_with")},
    **{f"battery.{name}": battery_without(name) for name in ("side", "grid_charging", "licensee_told")},
    "battery.network_notification": battery_without("network_notification"),
    **{f"meter.{name}": meters_without(name) for name in ("approval", "read_with", "half_hourly", "serial")},
    "meter.certified_until": meters_without("certified_until"),
    **{f"papers.{name}": papers_without(name) for name in ("certificate", "commissioned", "network_notification")},
    **{f"papers.{name}": papers_without(name) for name in ("quoted_annual_kwh", "warranty_until")},
    **{f"payment.{name}": payment_without(name) for name in ("rates", "licensee", "export_mpan")},
}


@pytest.mark.parametrize("fact", TAKEN_OFF)
@given(site=sites())
def test_a_fact_taken_off_the_file_makes_nothing_fine(fact: str, site: Site) -> None:
    """Unknown is never better than known: no rule is met for the want of a fact."""
    if fact == "country" and site.country is Country.NORTHERN_IRELAND:
        return  # its place would then say Great Britain, against what the file says

    def met(site: Site) -> set[tuple[RuleId, str]]:
        # All that is generated may be recorded by a meter or by a display: either meets the rule.
        answers = [one for one in metering_check(site, TODAY).answers if one.state is State.THERE]
        return {(one.rule.id, "" if one.rule.id is RuleId.TOTAL_RECORDED else one.said) for one in answers}

    assert met(TAKEN_OFF[fact](site)) <= met(site)


@given(sites())
def test_what_nobody_knows_is_asked_once_and_not_answered_as_well(site: Site) -> None:
    about = [(one.rule.id, one.subject, one.said) for one in metering_check(site, TODAY).answers]
    assert len(about) == len(set(about))


@given(sites())
def test_northern_ireland_is_not_this_scheme_and_no_rule_of_britain_holds_there(site: Site) -> None:
    check = metering_check(replace(site, country=Country.NORTHERN_IRELAND), TODAY)
    assert check.land is Land.NORTHERN_IRELAND
    assert check.answers[0].state is State.NOT_THIS_SCHEME
    assert "not this scheme" in line(check.answers[0])
    assert {one.state for one in check.answers if one.rule.only_britain} <= {State.NOT_THIS_SCHEME}


@given(sites())
def test_while_nobody_knows_the_country_no_rule_of_britain_is_told(site: Site) -> None:
    check = metering_check(replace(site, country=None, latitude_deg=54.6, longitude_deg=-6.0), TODAY)
    assert next(one.said for one in check.answers if one.state is State.QUESTION) is Said.COUNTRY_ASKED
    assert not any(one.rule.only_britain for one in check.answers)


@given(sites())
def test_a_separate_meter_is_asked_for_by_the_tariff_alone(site: Site) -> None:
    answers = metering_check(replace(site, country=Country.GREAT_BRITAIN), TODAY).answers
    rules = {one.rule.id for one in answers}
    tariff = site.payment.scheme is Scheme.FEED_IN
    assert (RuleId.GENERATION_METER in rules) == tariff
    assert (RuleId.NO_SEPARATE_METER in rules) == (not tariff)


@given(sites(), st.sampled_from(["meter-1", "meter-2", "meter-99"]))
def test_papers_told_later_stand_before_the_file(site: Site, meter: str) -> None:
    told = {meter: MeterPapers("NEW-1", None, None)}
    serials = [one.detail for one in metering_check(site, TODAY, told).answers if one.rule.id is RuleId.METER_SERIAL]
    assert serials in ([], ["NEW-1"]) if meter == "meter-1" else "NEW-1" not in serials


def test_every_rule_is_in_the_table_and_every_finding_in_words() -> None:
    assert set(RULES) == set(RuleId)
    assert {rule.id for rule in RULES.values()} == set(RuleId)
    assert set(FOUND) | set(ASKED) == set(Said)
    assert not set(FOUND) & set(ASKED)
    assert set(SHAPES) == set(State)
    assert len(set(SHAPES.values())) == len(State)


def test_a_rule_from_memory_says_so() -> None:
    assert "check the current edition" in Mark.MEMORY
    assert {one.source.mark for one in RULES.values() if "MIS 3002, metering" in one.source.clause} == {Mark.MEMORY}

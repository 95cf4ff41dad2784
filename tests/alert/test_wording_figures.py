"""Figures in words: times, energies, money and parts, at their edges."""

from __future__ import annotations

import re
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.alert.wording_figures import Teller, begin, count, days, energy, energy_range, money, part, when
from watcher.alert.wording_money import lost_payment
from watcher.domain.alert import Alert, AlertState
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, parse_iso
from watcher.domain.site import Payment, Rate, Scheme

LONDON = ZoneInfo("Europe/London")


@pytest.mark.parametrize(
    ("instant", "now", "told"),
    [
        pytest.param("2026-06-09T10:20Z", "2026-06-10T00:00Z", "Tuesday 9 June, 11:20", id="summer time"),
        pytest.param("2026-01-09T10:20Z", "2026-06-10T00:00Z", "Friday 9 January, 10:20", id="winter time"),
        pytest.param("2025-12-31T23:30Z", "2026-01-02T00:00Z", "Wednesday 31 December 2025, 23:30", id="last year"),
        pytest.param("2026-06-30T23:30Z", "2026-07-02T00:00Z", "Wednesday 1 July, 00:30", id="the local day counts"),
        pytest.param("2026-10-25T00:30Z", "2026-10-26T00:00Z", "Sunday 25 October, 01:30 BST", id="double hour, first"),
        pytest.param("2026-10-25T01:30Z", "2026-10-26T00:00Z", "Sunday 25 October, 01:30 GMT", id="double hour, again"),
        pytest.param("2026-03-29T01:00Z", "2026-03-30T00:00Z", "Sunday 29 March, 02:00", id="after the missing hour"),
    ],
)
def test_a_time_is_told_as_the_site_knows_it(instant: str, now: str, told: str) -> None:
    assert when(parse_iso(instant), LONDON, parse_iso(now)) == told


def test_an_interval_over_midnight_names_both_days() -> None:
    low, high = parse_iso("2026-06-09T19:00Z"), parse_iso("2026-06-10T05:00Z")
    told = begin(low, low, high, LONDON, high)
    assert told == "some time between Tuesday 9 June, 20:00 and Wednesday 10 June, 06:00"


@pytest.mark.parametrize(
    ("kwh", "told"),
    [
        (0.0, "less than 0.1 kWh"),
        (0.04, "less than 0.1 kWh"),
        (0.06, "about 0.1 kWh"),
        (4.26, "about 4.3 kWh"),
        (37.4, "about 37 kWh"),
        (213.0, "about 210 kWh"),
        (4321.0, "about 4,300 kWh"),
    ],
)
def test_energy_is_rounded_to_what_an_estimate_is_worth(kwh: float, told: str) -> None:
    assert energy(kwh) == told


def test_a_range_that_rounds_to_one_value_is_no_range() -> None:
    assert energy_range(4.26, 4.28, 4.31) == ""
    assert energy_range(3.9, 4.28, 5.1) == "between 3.9 and 5.1 kWh"


@given(st.lists(st.floats(0, 1e5), min_size=3, max_size=3).map(sorted))
def test_the_ends_of_an_energy_range_are_never_the_wrong_way_round(ends: list[float]) -> None:
    found = re.findall(r"[\d,.]+", energy_range(*ends))
    assert [float(each.replace(",", "")) for each in found] == sorted(float(each.replace(",", "")) for each in found)


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (2.0, 9.9, "less than 10p"),
        (0.0, 45.0, "between £0.00 and £0.50"),
        (110.0, 150.0, "between £1.10 and £1.50"),
        (231.1, 305.6, "between £2.30 and £3.10"),
        (140.0, 140.0, "between £1.40 and £1.50"),
        (1234.0, 2345.0, "between £12 and £24"),
        (123_400.0, 234_500.0, "between £1,234 and £2,345"),
    ],
)
def test_money_is_a_range_rounded_outwards(low: float, high: float, told: str) -> None:
    assert money(low, high) == told


@given(st.floats(0, 1e6), st.floats(0, 1e6))
def test_a_money_range_holds_the_sums_it_was_made_from(one: float, other: float) -> None:
    low, high = sorted((one, other))
    found = re.findall(r"£([\d,.]+)", money(low, high))
    if found:
        told_low, told_high = (100 * float(each.replace(",", "")) for each in found)
        assert told_low <= low + 1e-6 * (1 + low)
        assert told_high >= high - 1e-6 * (1 + high)
        assert told_low < told_high
    else:
        assert high < 10


@pytest.mark.parametrize(
    ("share", "told"),
    [
        (0.0, "almost nothing"),
        (0.25, "about a quarter"),
        (0.34, "about one third"),
        (0.49, "about half"),
        (0.65, "about two thirds"),
        (0.76, "about three quarters"),
        (0.56, "about 56%"),
        (0.9, "about 90%"),
    ],
)
def test_a_share_near_a_plain_fraction_is_told_as_that_fraction(share: float, told: str) -> None:
    assert part(share) == told


def test_small_numbers_are_words() -> None:
    assert [count(number) for number in (2.0, 12.0, 13.0)] == ["two", "twelve", "13"]
    assert [days(number) for number in (0.0, 1.0, 2.0, 30.0)] == ["day", "day", "two days", "30 days"]


def test_a_sentence_whose_figure_is_missing_is_left_out() -> None:
    teller = Teller(LONDON, 0, dial_decimals=2)
    templates = ("It stands still.", "It shows {index_kwh:dial}.", "It is {share:part} of {volts:.0f} V.")
    assert teller.sentences(templates, {"index_kwh": 1234.5, "share": 0.5}) == ("It stands still.", "It shows 1234.50.")


# Payments: 10 to 20 kWh lost from 1 April on, over ten days

START_MS = parse_iso("2026-04-01T00:00Z")


def lost(finding: Finding, *rates: Rate, scheme: Scheme = Scheme.FEED_IN) -> tuple[float, float] | None:
    alert = Alert("s", finding, "x", AlertState.OPEN, START_MS, START_MS, START_MS, START_MS)
    alert = replace(alert, loss_mwh=15_000_000, loss_low_mwh=10_000_000, loss_high_mwh=20_000_000)
    return lost_payment(alert, Payment(scheme, "", rates), START_MS + 10 * DAY_MS)


_GENERATION, _DEEMED, _METERED = Rate(16.0, "generation"), Rate(5.0, "export", 0.5), Rate(15.0, "export")


@pytest.mark.parametrize(
    ("finding", "rates", "pence"),
    [
        pytest.param(Finding.NO_GENERATION, (), None, id="no rate, no money"),
        pytest.param(Finding.NO_GENERATION, (_GENERATION,), (160.0, 320.0), id="generation pays for every kWh"),
        pytest.param(Finding.NO_GENERATION, (_GENERATION, _DEEMED), (185.0, 370.0), id="deemed export follows it"),
        pytest.param(Finding.NO_GENERATION, (_METERED,), (0.0, 300.0), id="metered export: nothing to all of it"),
        pytest.param(Finding.METER_STALLED, (_METERED,), None, id="a still generation meter costs no metered export"),
        pytest.param(Finding.METER_STALLED, (_GENERATION, _METERED), (160.0, 320.0), id="but it costs the generation"),
        pytest.param(
            Finding.NO_GENERATION,
            (_GENERATION, Rate(17.0, "generation", from_ms=START_MS + 5 * DAY_MS)),
            (160.0, 340.0),
            id="a rate that changed meanwhile widens the range",
        ),
        pytest.param(
            Finding.NO_GENERATION,
            (Rate(10.0, "generation"), Rate(17.0, "generation", from_ms=START_MS)),
            (170.0, 340.0),
            id="a rate that ended before the loss does not count",
        ),
        pytest.param(
            Finding.NO_GENERATION,
            (Rate(40.0, "generation", 0.6), Rate(10.0, "generation", 0.4)),
            (280.0, 560.0),
            id="an extension is paid beside the first part",
        ),
    ],
)
def test_what_a_loss_costs(finding: Finding, rates: tuple[Rate, ...], pence: tuple[float, float] | None) -> None:
    found = lost(finding, *rates)
    assert found == (None if pence is None else pytest.approx(pence))


def test_without_a_scheme_no_money_is_named() -> None:
    assert lost(Finding.NO_GENERATION, _GENERATION, scheme=Scheme.NONE) is None

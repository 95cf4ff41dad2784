"""Case B3 at entry: a register that passes 99,999 is no slip, a fall that the plant cannot explain is one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.detect.made_homes import home_site
from watcher.align.entry_check import Odd, check_entry
from watcher.align.typed import MeterLife, TypedReading, gone_round_wh
from watcher.domain.instant import DAY_MS, HOUR_MS, parse_iso
from watcher.domain.site import SiteRecord

FIRST = parse_iso("2026-06-01T12:00Z")
SITE = home_site()  # 4 kWp


def life(decimals: int) -> MeterLife:
    meters = (replace(SITE.meters[0], digits=5, decimals=decimals),)
    return MeterLife(SiteRecord(SITE, SITE.arrays, SITE.inverters, meters), "meter-1")


@pytest.mark.parametrize(
    ("first_kwh", "text", "after_ms", "decimals", "odd"),
    [
        pytest.param(99_987.0, "00042", 7 * DAY_MS, 0, None, id="main: 55 kWh in a week"),
        pytest.param(99_987.0, "99942", 7 * DAY_MS, 0, Odd.BACKWARDS, id="a: 45 back"),
        pytest.param(54_210.0, "00150", 7 * DAY_MS, 0, Odd.STARTED_ANEW, id="b: replaced or reset?"),
        pytest.param(99_987.0, "00042", DAY_MS, 0, Odd.TOO_MUCH, id="c: 55 kWh in a day"),
        pytest.param(99_999.7, "00000.1", HOUR_MS, 1, None, id="d: hourly, five digits and a tenth"),
    ],
)
def test_case_b3_a_fall_is_a_roll_over_only_if_the_plant_can_have_made_it(
    first_kwh: float, text: str, after_ms: int, decimals: int, odd: Odd | None
) -> None:
    before = TypedReading("meter-1", FIRST, first_kwh * 1000)
    assert check_entry(text, FIRST + after_ms, life(decimals), [before]).odd is odd


def test_case_b3_a_the_question_says_how_far_back_and_what_a_roll_over_would_need() -> None:
    before = TypedReading("meter-1", FIRST, 99_987e3)
    check = check_entry("99942", FIRST + 7 * DAY_MS, life(0), [before])
    assert (check.fell_wh, check.round_wh) == (45e3, 99_955e3)


@pytest.mark.parametrize(
    ("digits", "before_kwh", "after_kwh", "counted_kwh"),
    # Worked from the definition of a register's modulus, ten to the power of its whole digits (own arithmetic).
    [
        pytest.param(5, 99_998.7, 2.1, 3.4, id="five digits and a tenth"),
        pytest.param(5, 99_999.0, 3.0, 4.0, id="five whole digits"),
        pytest.param(6, 999_990.0, 5.0, 15.0, id="six"),
    ],
)
def test_a_register_goes_round_at_its_modulus(
    digits: int, before_kwh: float, after_kwh: float, counted_kwh: float
) -> None:
    meter = replace(SITE.meters[0], digits=digits)
    modulus_wh = MeterLife(SiteRecord(SITE, SITE.arrays, SITE.inverters, (meter,)), "meter-1").modulus_wh(FIRST)
    assert gone_round_wh(1e3 * before_kwh, 1e3 * after_kwh, modulus_wh) == pytest.approx(1e3 * counted_kwh, abs=1e-6)


def test_five_digits_last_a_home_for_26_years() -> None:
    """4 kWp at 955 kWh/kWp a year (common practice, no source): 100,000 / 3,820."""
    assert life(0).modulus_wh(FIRST) / 3_820e3 == pytest.approx(26.2, abs=0.05)

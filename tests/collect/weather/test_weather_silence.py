"""When the operator hears that sunshine is missing: once for a source and a spell; and in which words."""

from __future__ import annotations

import pytest

from watcher.domain.instant import HOUR_MS, parse_iso
from watcher.domain.trouble import Trouble
from watcher.notify.notice import reference_silent_notice
from watcher.notify.silent_references import SilentReferences

NOON = parse_iso("2026-06-21T12:00Z")
FIRST, SECOND = "https://weather.example.org/v1/forecast", "https://radiation.example.org/api"


def trouble(source: str = FIRST, site: str = "home-1", since_ms: int = NOON, why: str = "it is down") -> Trouble:
    return Trouble(source, site, "weather-nowcast", since_ms, why)


def test_case_f6_one_notice_when_the_gap_exceeds_the_set_time_and_no_second() -> None:
    silent = SilentReferences(6 * HOUR_MS)
    told = [hour for hour in range(30) if silent.due([trouble()], NOON + hour * HOUR_MS)]
    assert told == [6]


def test_a_gap_that_ends_in_time_is_not_told() -> None:
    silent = SilentReferences(6 * HOUR_MS)
    assert silent.due([trouble()], NOON + 5 * HOUR_MS) == []
    assert silent.due([], NOON + 7 * HOUR_MS) == []


def test_the_next_spell_is_another_one() -> None:
    silent = SilentReferences(6 * HOUR_MS)
    assert silent.due([trouble()], NOON + 6 * HOUR_MS)
    assert silent.due([], NOON + 7 * HOUR_MS) == []
    again = trouble(since_ms=NOON + 8 * HOUR_MS)
    assert silent.due([again], NOON + 13 * HOUR_MS) == []
    assert silent.due([again], NOON + 14 * HOUR_MS) == [[again]]


def test_four_hundred_sites_of_one_source_are_one_notice() -> None:
    silent = SilentReferences(6 * HOUR_MS)
    troubles = [trouble(site=f"home-{number}", since_ms=NOON + number) for number in range(400)]
    assert silent.due(troubles, NOON + 6 * HOUR_MS) == [troubles]
    assert silent.due(troubles, NOON + 7 * HOUR_MS) == []
    assert silent.due(troubles[200:], NOON + 8 * HOUR_MS) == []


def test_two_sources_are_two_notices() -> None:
    silent = SilentReferences(6 * HOUR_MS)
    both = [trouble(), trouble(SECOND, since_ms=NOON + HOUR_MS)]
    assert silent.due(both, NOON + 6 * HOUR_MS) == [[both[0]]]
    assert silent.due(both, NOON + 7 * HOUR_MS) == [[both[1]]]


def test_the_notice_says_who_since_when_why_and_what_it_means() -> None:
    troubles = [trouble(site=f"home-{number}") for number in range(12)]
    notice = reference_silent_notice(
        troubles, "Watch <watch@firm.example>", "operator@firm.example", NOON + 7 * HOUR_MS
    )
    text = notice.get_content()
    assert notice["Subject"] == "No sunshine from weather.example.org since 2026-06-21T12:00:00Z"
    assert (notice["To"], notice["Auto-Submitted"]) == ("operator@firm.example", "auto-generated")
    assert FIRST in text
    assert "it is down" in text
    assert "12 of the sites: home-0, home-1, home-10, " in text
    assert "unknown until it returns" in text


@pytest.mark.parametrize("source", ["https://weather.example.org:8443/v1", "http://192.168.1.5/x", "nonsense"])
def test_the_subject_is_one_line_whatever_the_address(source: str) -> None:
    notice = reference_silent_notice([trouble(source)], "watch@firm.example", "operator@firm.example", NOON)
    assert notice["Subject"].startswith("No sunshine from ")
    assert "\n" not in notice["Subject"]

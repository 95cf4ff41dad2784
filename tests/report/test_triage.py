"""The order of a fleet: by what is lost and how sure that is; and the words and figures that go with it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_readings import energy, life, read, record, shares
from watcher.alert.policy import POLICY
from watcher.alert.wording_triage import BASES, SURENESS, TITLES, UNTOLD, check_first, doubtful, likely, since
from watcher.align.window import Floats
from watcher.detect.readings_found import Cause, ReadingsFinding, ReadingsJudged, Sureness, Untold
from watcher.detect.readings_only import judge_readings
from watcher.domain.finding import Finding
from watcher.domain.instant import parse_iso
from watcher.domain.site import Payment, Rate, Scheme, SiteRecord
from watcher.expect.expectation import Basis
from watcher.report.triage import Group, triage

SUN = energy()


def named(id: str, pence: float = 0.0) -> SiteRecord:
    whole = record()
    payment = Payment(Scheme.FEED_IN, rates=(Rate(pence, "generation"),)) if pence else Payment()
    return replace(whole, base=replace(whole.base, id=id, payment=payment))


def judged(share: Floats) -> ReadingsJudged:
    return judge_readings(read(share, SUN), life(), SUN, Basis.SATELLITE, POLICY[Finding.OUTPUT_LOW].limits)


def after(quarter: int, left: float) -> Floats:
    found = shares()
    return np.asarray(np.where(np.arange(len(found)) >= quarter, left * found, found))


WELL = judged(shares())
HALF = judged(after(20, 0.5))
STOPPED = judged(after(20, 0.0))
NEWEST = judged(after(38, 0.4))
MORE = judged(after(20, 1.4))
ODD_RATING = judged(np.asarray(0.6 * shares()))
FEW = judged(shares(quarters=2))


def test_the_dearest_and_surest_stand_first_and_the_untold_last() -> None:
    sites = {"a": WELL, "b": FEW, "c": ODD_RATING, "d": NEWEST, "e": HALF, "f": STOPPED, "g": MORE}
    rows = triage([(named(id), found) for id, found in sites.items()])
    assert [row.record.id for row in rows[:3]] == ["f", "e", "d"]
    assert {row.record.id for row in rows[3:5]} == {"c", "g"}
    assert [row.record.id for row in rows[5:]] == ["a", "b"]
    assert [row.rank for row in rows] == list(range(1, 8))
    assert [row.group for row in rows] == [Group.LOSES] * 3 + [Group.QUESTION] * 2 + [Group.WELL, Group.UNTOLD]


def test_the_order_does_not_hang_on_the_order_of_asking() -> None:
    sites = [(named(id), found) for id, found in zip("abcd", (HALF, HALF, WELL, STOPPED), strict=True)]
    assert triage(sites) == triage(sites[::-1])


def test_a_rate_on_file_turns_the_loss_into_payments() -> None:
    (paid,) = triage([(named("a", pence=50.0), HALF)])
    assert paid.finding is not None
    assert paid.pence_low == pytest.approx(50.0 * paid.finding.loss_low_wh / 1000.0, rel=1e-3)
    assert paid.pence_high == pytest.approx(50.0 * paid.finding.loss_high_wh / 1000.0, rel=1e-3)
    (unpaid,) = triage([(named("a"), HALF)])
    assert unpaid.pence_low is None


@pytest.mark.parametrize(
    ("found", "cause", "first"),
    [
        pytest.param(
            HALF, "About half of the output is missing. One of two strings", "Compare the strings'", id="half"
        ),
        pytest.param(STOPPED, "the meter has stopped, or the system makes nothing", "See in daylight", id="stopped"),
        pytest.param(NEWEST, "of the output is missing", "One reading alone says so", id="newest"),
        pytest.param(MORE, "more than before: panels were added", "Ask the owner", id="more"),
        pytest.param(ODD_RATING, "of what the record allows", "2.3 kW would fit", id="rating"),
    ],
)
def test_each_is_told_with_a_cause_and_what_to_check_first(found: ReadingsJudged, cause: str, first: str) -> None:
    (finding,) = found.findings
    assert cause in likely(finding)
    assert first in check_first(finding)


def test_every_way_to_answer_has_its_words() -> None:
    assert set(UNTOLD) == set(Untold)
    assert set(SURENESS) == set(Sureness)
    assert set(BASES) == set(Basis) - {Basis.CLEAR_SKY}
    assert set(TITLES) == {Finding.METER_STALLED, Finding.OUTPUT_LOW, Finding.SITE_RECORD_WRONG}


def test_every_set_of_causes_is_told_in_whole_sentences() -> None:
    """No figure left unfilled, no sentence without its end."""
    (half,) = HALF.findings
    sets = [(cause,) for cause in Cause] + [(Cause.PART_DEAD, Cause.METER_LOSES), (Cause.RATING_WRONG, Cause.PART_DEAD)]
    for finding in TITLES:
        for causes in sets:
            for share in (-0.4,) if causes == (Cause.PANELS_ADDED,) else (0.1, 0.25, 0.33, 0.5, 0.63, 0.75, 1.0):
                one: ReadingsFinding = replace(half, finding=finding, causes=causes, share=share)
                for text in (likely(one), check_first(one)):
                    assert text.endswith(".")
                    assert "{" not in text
                    assert "-" not in text.replace("AC-", "")


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        ("2020-06-02", "2020-06-28", "since June 2020"),
        ("2020-06-02", "2020-09-28", "since between June and September 2020"),
        ("2019-12-02", "2020-02-28", "since between December 2019 and February 2020"),
    ],
)
def test_an_onset_is_told_in_months(low: str, high: str, words: str) -> None:
    (half,) = HALF.findings
    bounds = (parse_iso(f"{day}T12:00:00Z") for day in (low, high))
    assert since(replace(half, **dict(zip(("onset_low_ms", "onset_high_ms"), bounds, strict=True)))) == words


def test_a_doubtful_reading_is_told_with_what_was_meant() -> None:
    book = read(shares(), SUN)
    place = next(n for n in range(10, 30) if book[n].typed[-3] != book[n].typed[-4])
    swapped = book[place].index_wh / 1000.0
    text = book[place].typed
    wrong = float(text[:-4] + text[-3] + text[-4] + text[-2:])
    book[place] = replace(book[place], index_wh=wrong * 1000.0, typed=f"{wrong:.0f}", typed_wh=wrong * 1000.0)
    found = judge_readings(book, life(), SUN, Basis.SATELLITE, POLICY[Finding.OUTPUT_LOW].limits)
    (one,) = found.doubtful
    assert one.offered_wh == swapped * 1000.0
    assert f"was {swapped:,.1f} meant?" in doubtful(one)

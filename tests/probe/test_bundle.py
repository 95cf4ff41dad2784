"""A saved probe comes back as it was, is judged the same, and is refused in words where it was cut or changed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probe.seeing import METER_AT_SITE, SITE, seen_inverter
from watcher.collect.modbus.blocks import Table
from watcher.domain.errors import SetupError
from watcher.probe.bundle import Bundle, bundle_text, read_bundle
from watcher.probe.judge import judge
from watcher.probe.page import unit_page
from watcher.probe.seen import Facts, Sample, UnitSeen
from watcher.simulate.odd_registers import Slip

VERSIONS = {"program": "0.1.0", "python": "3.11.2", "pymodbus": "3.16.1"}
IDENTITY = {"maker": "Simulated", "model": "Inverter", "version": "1.0"}


def a_bundle(slip: Slip = Slip.WORD_ORDER) -> Bundle:
    seen = replace(seen_inverter(slip), identity=IDENTITY, notes=("It said so's ''' \t once.", "And twice."))
    unknown = UnitSeen(7, None, (Sample(1_782_000_000_123, {(Table.INPUT, 65535): 1, (Table.HOLDING, 0): 0xFFFF}),))
    return Bundle((seen, replace(unknown, facts=METER_AT_SITE)), VERSIONS, "\n".join(unit_page(seen, judge(seen))))


@pytest.mark.parametrize("slip", list(Slip))
def test_a_bundle_comes_back_as_it_was_and_is_judged_the_same(slip: Slip) -> None:
    bundle = a_bundle(slip)
    back = read_bundle(bundle_text(bundle), "saved.txt")
    assert back.units == bundle.units
    assert back.versions == VERSIONS
    assert back.printed.rstrip() == bundle.printed.rstrip()
    assert [judge(one) for one in back.units] == [judge(one) for one in bundle.units]


PLACES = st.tuples(st.sampled_from(list(Table)), st.integers(0, 0xFFFF))


@given(st.lists(st.dictionaries(PLACES, st.integers(0, 0xFFFF), max_size=40), max_size=3), st.text(max_size=30))
def test_any_words_and_any_note_come_back(polls: list[dict[tuple[Table, int], int]], note: str) -> None:
    samples = tuple(Sample(1_782_000_000_000 + at, words) for at, words in enumerate(polls, start=1))
    bundle = Bundle((UnitSeen(1, None, samples or (Sample(0, {}),), SITE, notes=(note,)),), VERSIONS, note)
    back = read_bundle(bundle_text(bundle), "saved.txt")
    assert back.units == bundle.units


def test_what_identifies_a_home_is_not_in_it() -> None:
    seen = replace(seen_inverter(), identity={**IDENTITY, "serial": "0012345678"})
    text = bundle_text(Bundle((seen,), VERSIONS, "page"))
    assert "0012345678" not in text
    assert "Simulated" in text


TEXT = bundle_text(a_bundle())


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("format = 1", "format = 2", "must be a whole number, 1 to 1"),
        ("4 0 0000", "5 0 0000", "is no line of registers"),
        ("4 65535 0001", "4 65535 0001 0002", "goes past the last address"),
        ('role = "inverter"', 'role = "toaster"', "must be one of"),
        ("unit = 7", "unit = 700", "0 to 255"),
        ('type = "int32"', 'type = "int33"', "must be one of"),
        ("[printed]", "[prnted]", "did you mean printed?"),
        ('time = "2026', 'time = "20 26', "must be an instant"),
    ],
)
def test_a_changed_bundle_is_refused_in_words(before: str, after: str, told: str) -> None:
    assert before in TEXT
    with pytest.raises(SetupError, match=told.replace("?", r"\?")):
        read_bundle(TEXT.replace(before, after, 1), "saved.txt")


@given(st.integers(0, len(TEXT) - 30))
def test_a_bundle_cut_short_is_never_half_believed(length: int) -> None:
    with pytest.raises(SetupError):
        read_bundle(TEXT[:length], "saved.txt")


@given(st.integers(0, len(TEXT) - 1), st.characters(codec="utf-8"))
def test_a_bundle_with_one_sign_changed_is_read_or_refused_and_nothing_else(at: int, sign: str) -> None:
    try:
        back = read_bundle(TEXT[:at] + sign + TEXT[at + 1 :], "saved.txt")
    except SetupError:
        return
    for one in back.units:
        assert isinstance(one.facts, Facts)
        list(unit_page(one, judge(one, back.units)))

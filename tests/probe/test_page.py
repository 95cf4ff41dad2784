"""The page fits a phone, and says what it says in words."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probe.seeing import SITE, loaded, seen_inverter, seen_values
from watcher.probe.judge import judge
from watcher.probe.page import SAFETY_AFTER, SAFETY_BEFORE, WIDTH, safety, unit_page, wrapped
from watcher.simulate.odd_registers import Slip, TimeOfDay


def test_the_width_is_that_of_a_phone() -> None:
    assert WIDTH <= 60


@pytest.mark.parametrize("time", list(TimeOfDay))
@pytest.mark.parametrize("slip", list(Slip))
def test_no_line_is_too_wide_and_none_is_coloured(slip: Slip, time: TimeOfDay) -> None:
    seen = replace(
        seen_inverter(slip, time), identity={"maker": "M" * 32, "model": "O" * 32, "version": "1.0"}, notes=("n" * 130,)
    )
    lines = list(unit_page(seen, judge(seen)))
    assert [line for line in lines if len(line) > WIDTH] == []
    assert all(line.isprintable() for line in lines)


@given(st.text(max_size=300))
def test_any_sentence_fits(text: str) -> None:
    assert all(len(line) <= WIDTH for line in wrapped(text, "   - ", "     "))


def test_the_safety_words_say_reading_ladder_covers_and_who_may_wire() -> None:
    before, after = (" ".join(safety(lines)) for lines in (SAFETY_BEFORE, SAFETY_AFTER))
    assert "only reads" in before
    assert "not on a ladder" in before
    assert "every cover closed" in before
    assert "for the competent, with its supplies isolated" in after


def test_every_point_shows_name_value_unit_address_type_and_words() -> None:
    lines = list(unit_page(seen_inverter(), judge(seen_inverter())))
    at = lines.index("ac_power" + "2349 W".rjust(WIDTH - len("ac_power")))
    assert lines[at + 1] == "  input 5, int32: 0000 092D (was 0000 0929)"
    assert "Nothing looks wrong." in lines


def test_a_long_name_and_a_long_number_still_fit() -> None:
    registers = loaded(
        '[device]\ndescription = "x"\n[[point]]\nquantity = "battery_discharge_energy"\npart = "input-123456789012"\n'
        'address = 0\ntype = "uint64"\n'
    )
    seen = seen_values(registers, [{registers.points[0].name: 9.007e12}], SITE)
    lines = list(unit_page(seen, judge(seen)))
    assert max(len(line) for line in lines) <= WIDTH
    assert any("9007000000000" in line for line in lines)

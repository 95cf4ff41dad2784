"""A short run of the fuzzer, and what it must have seen to mean something."""

from __future__ import annotations

from tests.sheets.fuzz_sheets import fuzz


def test_no_spreadsheet_breaks_anything_and_every_refusal_has_its_place() -> None:
    found = fuzz(150, seed=20)
    assert found["sites"] > 30
    assert found["readings"] > 200
    assert found["problems told"] > 300

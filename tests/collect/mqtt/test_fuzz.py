"""A short cut of the fuzzing; `python -m tests.collect.mqtt.fuzz_payloads` is the whole."""

from __future__ import annotations

from tests.collect.mqtt.fuzz_payloads import run


def test_whatever_arrives_by_whatever_map_nothing_is_raised_and_nothing_impossible_stored() -> None:
    counted = run(seed=7, count=3000)
    assert counted["payloads"] == 3000
    assert counted["maps refused"] > 10
    assert counted["maps"] - counted["maps refused"] > 10
    assert counted["readings"] > 300
    assert counted["values refused"] > 300

"""The table of thresholds: whole, read by the detectors, and bent by a site file only where it may be."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from watcher.alert.policy import POLICY, policies, problems
from watcher.detect.registry import DETECTORS
from watcher.domain.alert import AlertClass
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, MINUTE_MS
from watcher.domain.site import Role
from watcher.expect.expectation import Basis

DETECT = Path(__file__).resolve().parents[2] / "watcher" / "detect"
_READ = re.compile(r"limit\(\s*(self\.name|Finding\.[A-Z_]+),\s*\"([a-z_]+)\"\s*,?\s*\)")
_WORD = re.compile(r"\"([a-z_]+?)_?(?:\{[^\"]*)?\"")
_NAME = re.compile(r"^    name = Finding\.([A-Z_]+)$", re.MULTILINE)


def _limits_read() -> set[tuple[Finding, str]]:
    """Every (finding, limit) a module of detect/ asks the scene for."""
    read: set[tuple[Finding, str]] = set()
    for path in DETECT.glob("*.py"):
        source = path.read_text(encoding="utf-8")
        own = _NAME.search(source)
        for whose, limit in _READ.findall(source):
            if whose == "self.name":
                assert own is not None, f"{path.name} reads a limit of its own and has no name"
                whose = f"Finding.{own[1]}"
            read.add((Finding[whose.removeprefix("Finding.")], limit))
    return read


def test_every_detector_has_a_policy_and_every_policy_a_detector() -> None:
    assert set(POLICY) == {detector.name for detector in DETECTORS}
    assert len({detector.name for detector in DETECTORS}) == len(DETECTORS)


def test_every_limit_that_is_read_is_in_the_table() -> None:
    assert _limits_read() <= {(finding, name) for finding, policy in POLICY.items() for name in policy.limits}


def test_every_limit_in_the_table_is_read() -> None:
    """By its name, or by the part of it that the basis is put to."""
    named = {name for path in DETECT.glob("*.py") for name in _WORD.findall(path.read_text(encoding="utf-8"))}
    bases = "|".join(basis.name.lower() for basis in Basis)
    for policy in POLICY.values():
        stems = {re.sub(f"_({bases})$", "", name) for name in policy.limits}
        assert {stem.rstrip("_") for stem in stems} <= named


@pytest.mark.parametrize("finding", POLICY, ids=str)
def test_a_policy_is_sound(finding: Finding) -> None:
    policy = POLICY[finding]
    assert policy.hold_ms >= 0
    assert policy.clear_ms > 0, "an alert that clears on nothing flaps"
    assert policy.unit_ms > 0
    assert policy.audience
    assert len(set(policy.audience)) == len(policy.audience)
    assert list(policy.remind_days) == sorted(set(policy.remind_days))
    assert all(days > 0 for days in policy.remind_days)
    assert all(value == value and value >= 0 for value in policy.limits.values())


def test_a_site_may_bend_times_and_limits_and_nothing_else_moves() -> None:
    table = policies({"string-open": {"hold_minutes": 90, "clear_minutes": 15.5, "sun_deg": 12.0}})
    bent, usual = table[Finding.STRING_OPEN], POLICY[Finding.STRING_OPEN]
    assert (bent.hold_ms, bent.clear_ms) == (90 * MINUTE_MS, 930_000)
    assert bent.limits == {**usual.limits, "sun_deg": 12.0}
    assert (bent.severity, bent.audience, bent.unit_ms, bent.remind_days) == (
        usual.severity,
        usual.audience,
        usual.unit_ms,
        usual.remind_days,
    )
    assert all(table[finding] == policy for finding, policy in POLICY.items() if finding is not Finding.STRING_OPEN)
    assert table.limits()[Finding.STRING_OPEN]["sun_deg"] == 12.0


def test_the_table_itself_is_left_as_it_was() -> None:
    before = {finding: dict(policy.limits) for finding, policy in POLICY.items()}
    policies({finding.value: dict.fromkeys(policy.limits, 0.5) for finding, policy in POLICY.items()})
    assert {finding: dict(policy.limits) for finding, policy in POLICY.items()} == before


@pytest.mark.parametrize(
    ("overrides", "keys"),
    [
        ({}, []),
        ({"meter-stalled": {"least_wh": 500, "hold_minutes": 5}}, []),
        ({"meter-stuck": {"least_wh": 500}}, ["policy.meter-stuck"]),
        (
            {"meter-stalled": {"leastwh": 500}, "output-low": {"margin": 1}},
            ["policy.meter-stalled.leastwh", "policy.output-low.margin"],
        ),
    ],
)
def test_an_override_of_what_is_not_there_is_told(overrides: dict[str, dict[str, float]], keys: list[str]) -> None:
    assert [problem.key for problem in problems(overrides, "home-1.toml")] == keys
    assert policies(overrides).by_finding.keys() == POLICY.keys()


SAFETY = [finding for finding, policy in POLICY.items() if policy.alert_class is AlertClass.SAFETY]


@pytest.mark.parametrize("finding", SAFETY, ids=str)
def test_no_site_can_put_off_or_mute_what_is_about_safety(finding: Finding) -> None:
    never = {finding.value: {"hold_minutes": 1e9, **dict.fromkeys(POLICY[finding].limits, 1e9)}}
    assert policies(never)[finding] == POLICY[finding]
    (problem,) = problems(never, "home-1.toml")
    assert problem.key == f"policy.{finding}"
    assert set(POLICY[finding].audience) == set(Role)


def test_days_are_judged_by_days() -> None:
    assert POLICY[Finding.OUTPUT_LOW].unit_ms == DAY_MS

"""The thresholds in force for a site: the table (policy_table.py) with what its file bends.

Rule: a safety finding is bent by nobody, and an unknown name stops a start rather than being passed over.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from watcher.alert.policy_row import Policy
from watcher.alert.policy_table import POLICY
from watcher.domain.alert import AlertClass
from watcher.domain.errors import Problem
from watcher.domain.finding import Finding
from watcher.domain.instant import MINUTE_MS

__all__ = ["POLICY", "Policies", "Policy", "policies", "problems"]


@dataclass(frozen=True, slots=True)
class Policies:
    """The table in force for one site."""

    by_finding: Mapping[Finding, Policy] = field(default_factory=lambda: POLICY)

    def __getitem__(self, finding: Finding) -> Policy:
        return self.by_finding[finding]

    def limits(self) -> Mapping[Finding, Mapping[str, float]]:
        return {finding: policy.limits for finding, policy in self.by_finding.items()}


_TIMES = {"hold_minutes": "hold_ms", "clear_minutes": "clear_ms"}
_DAYS = ("home_after_days",)
WORDS = (*_TIMES, *_DAYS)
"""What a site file may say of any finding that is not about safety, besides its limits."""


def policies(overrides: Mapping[str, Mapping[str, float]]) -> Policies:
    """The table with a site's overrides: one of WORDS, or one of the finding's limits by name.

    Unknown names are left out here; `problems` reports them before anything starts.
    """
    table = dict(POLICY)
    for name, numbers in overrides.items():
        if name not in {finding.value for finding in table}:
            continue
        policy = table[Finding(name)]
        if policy.alert_class is AlertClass.SAFETY:
            continue  # or a number in a file would mute it
        days = {key: round(value) for key, value in numbers.items() if key in _DAYS}
        times = {_TIMES[key]: round(value * MINUTE_MS) for key, value in numbers.items() if key in _TIMES}
        limits = {key: value for key, value in numbers.items() if key in policy.limits}
        table[Finding(name)] = replace(policy, **times, **days, limits={**policy.limits, **limits})  # type: ignore[arg-type]
    return Policies(table)


def problems(overrides: Mapping[str, Mapping[str, float]], place: str) -> tuple[Problem, ...]:
    """What is wrong with a site's overrides: unknown findings and unknown numbers."""
    found: list[Problem] = []
    names = {finding.value: policy for finding, policy in POLICY.items()}
    for name, numbers in overrides.items():
        if name not in names:
            found.append(Problem(place, f"policy.{name}", "", f"no such finding; there are {', '.join(names)}"))
            continue
        if names[name].alert_class is AlertClass.SAFETY:
            found.append(Problem(place, f"policy.{name}", "", "a safety finding cannot be changed for a site"))
            continue
        allowed = [*WORDS, *names[name].limits]
        found += [
            Problem(place, f"policy.{name}.{key}", "", f"no such number; there are {', '.join(allowed)}")
            for key in numbers
            if key not in allowed
        ]
    return tuple(found)

"""What a trial comes to: energy under right alerts, false alerts, waiting times, causes, losses; the naive script and
the oracle beside them.

Rule: counted from opening. Energy lost before an alert opened, or after it closed, is not covered by it; an alert that
stood before the fault began earns nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from statistics import median
from typing import Any

import numpy as np

from tests.bench.trial.intervals import poisson_interval
from tests.bench.trial.judging import Judged, Said
from tests.bench.trial.matching import AFTER_MS, Placed, Standing, covered_wh, is_right, place
from tests.bench.trial.naive import naive
from tests.bench.trial.oracle import Sigmas, measured_sigmas, seen_wh
from tests.bench.trial.plan import Basis
from tests.bench.trial.truth import Wrong
from watcher.align.window import Bools
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS

KNOWN = frozenset(map(str, Finding))
"""Findings the program can name; faults of other names are scored as not looked for."""


def score(trial: Sequence[Judged]) -> dict[str, Any]:
    """Every figure of a trial, as JSON values."""
    sigmas, measured = measured_sigmas(trial)
    placed = [place(one) for one in trial]
    return {
        "site_years": len(trial),
        "healthy": sum(one.plan.healthy for one in trial),
        "seconds_a_site_year": _round(median(one.took_s for one in trial)) if trial else None,
        "energy": _energy(trial, sigmas),
        "energy_by_finding": _energy_by(trial, sigmas),
        "meter_energy": _share(_sums(trial, "meter")),
        "naive": _naive(trial),
        "false_alerts": _false(trial, placed),
        "specificity": _specificity(trial),
        "waiting_days": _waiting(trial),
        "not_looked_for": dict(sorted(_not_looked_for(trial).items())),
        "cause": _cause(trial),
        "loss": _loss(trial),
        "sigma": measured,
    }


def stretches(said: Sequence[Said], wrong: Wrong, begin_ms: int, any_name: bool = False) -> list[tuple[int, int]]:
    """When right alerts about a fault stood open."""
    found: list[tuple[int, int]] = []
    for one in said:
        fits = replace(one, finding=wrong.finding, subject=wrong.subject) if any_name else one
        if is_right(fits, wrong, begin_ms):
            found.append((one.opened_ms, one.closed_ms if one.closed_ms is not None else 2**62))
    return found


def _sums(trial: Sequence[Judged], kind: str, basis: Basis | None = None) -> tuple[float, float]:
    """Energy covered and energy there was. [Wh]"""
    covered = total = 0.0
    for one in trial:
        for wrong in one.wrongs:
            if wrong.kind == kind and basis in (None, one.plan.basis):
                total += float(wrong.lost_wh.sum())
                begin_ms = one.plan.year.begin_ms
                covered += covered_wh(wrong, stretches(one.said, wrong, begin_ms), begin_ms)
    return covered, total


def _energy(trial: Sequence[Judged], sigmas: Sigmas) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for basis in (None, *Basis):
        mine = [one for one in trial if basis in (None, one.plan.basis)]
        covered, total = _sums(mine, "energy")
        best = sum(seen_wh(one, wrong, sigmas) for one in mine for wrong in one.wrongs if wrong.kind == "energy")
        found[str(basis or "all")] = {
            "lost_kwh": _round(total / 1000.0),
            "covered": _share((covered, total)),
            "oracle": _share((best, total)),
            "of_oracle": _share((covered, best)),
        }
    return found


def _energy_by(trial: Sequence[Judged], sigmas: Sigmas) -> dict[str, Any]:
    sums: dict[str, list[float]] = {}
    for one in trial:
        begin_ms = one.plan.year.begin_ms
        for wrong in one.wrongs:
            if wrong.kind == "energy":
                row = sums.setdefault(_name(wrong), [0.0, 0.0, 0.0, 0.0])
                row[0] += 1
                row[1] += float(wrong.lost_wh.sum())
                row[2] += covered_wh(wrong, stretches(one.said, wrong, begin_ms), begin_ms)
                row[3] += seen_wh(one, wrong, sigmas)
    return {
        name: {
            "faults": int(n),
            "lost_kwh": _round(total / 1e3),
            "covered": _share((got, total)),
            "oracle": _share((best, total)),
        }
        for name, (n, total, got, best) in sorted(sums.items(), key=lambda item: -item[1][1])
    }


def _naive(trial: Sequence[Judged]) -> dict[str, Any]:
    """The script cannot name anything: whatever loses energy counts as right, whatever misreads as well."""
    sums = {"energy": [0.0, 0.0], "meter": [0.0, 0.0]}
    false = 0
    for one in trial:
        said, begin_ms = naive(one), one.plan.year.begin_ms
        for wrong in one.wrongs:
            if wrong.kind in sums:
                mine = [alert for alert in said if (alert.finding == "output-low") == (wrong.kind == "energy")]
                sums[wrong.kind][0] += covered_wh(wrong, stretches(mine, wrong, begin_ms, any_name=True), begin_ms)
                sums[wrong.kind][1] += float(wrong.lost_wh.sum())
        false += sum(found.standing is Standing.FALSE for found in place(replace(one, said=said)))
    years = max(len(trial), 1)
    return {
        "energy_covered": _share((sums["energy"][0], sums["energy"][1])),
        "meter_covered": _share((sums["meter"][0], sums["meter"][1])),
        "false_a_site_year": _round(false / years),
    }


def _false(trial: Sequence[Judged], placed: Sequence[Sequence[Placed]]) -> dict[str, Any]:
    def rate(count: int, years: int) -> dict[str, Any]:
        low, high = poisson_interval(count)
        years = max(years, 1)
        return {
            "count": count,
            "a_site_year": _round(count / years),
            "low": _round(low / years),
            "high": _round(high / years),
        }

    by_finding: Counter[str] = Counter()
    misnamed: Counter[str] = Counter()
    by_basis: Counter[Basis] = Counter()
    for one, alerts in zip(trial, placed, strict=True):
        for alert in alerts:
            if alert.standing is Standing.FALSE:
                by_finding[alert.said.finding] += 1
                by_basis[one.plan.basis] += 1
            elif alert.standing is Standing.MISNAMED:
                misnamed[alert.said.finding] += 1
    years = Counter(one.plan.basis for one in trial)
    return {
        "all": rate(sum(by_finding.values()), len(trial)),
        "by_basis": {str(basis): rate(by_basis[basis], years[basis]) for basis in Basis},
        "by_finding": {name: rate(count, len(trial)) for name, count in by_finding.most_common()},
        "misnamed": dict(misnamed.most_common()),
    }


def _specificity(trial: Sequence[Judged]) -> dict[str, Any]:
    """Of days without anything wrong the share without an open alert."""
    quiet = {"healthy_sites": [0, 0], "all_fault_free_days": [0, 0]}
    for one in trial:
        alerted = days_with(one, [(said.opened_ms, said.closed_ms) for said in one.said])
        begin_ms = one.plan.year.begin_ms
        faulty = days_with(
            one, [(wrong.onset_ms(begin_ms), wrong.ends_ms(begin_ms) + AFTER_MS) for wrong in one.wrongs]
        )
        for name, counts in (
            ("healthy_sites", ~faulty if one.plan.healthy else ~faulty & False),
            ("all_fault_free_days", ~faulty),
        ):
            quiet[name][0] += int((counts & ~alerted).sum())
            quiet[name][1] += int(counts.sum())
    return {name: _share((good, total)) for name, (good, total) in quiet.items()}


def days_with(judged: Judged, spans: Sequence[tuple[int, int | None]]) -> Bools:
    """Days of the year touched by any of these stretches [ms]."""
    year = judged.plan.year
    found = np.zeros(year.days, dtype=bool)
    for low_ms, high_ms in spans:
        stop = year.days if high_ms is None else (high_ms - 1 - year.begin_ms) // DAY_MS + 1
        found[max(year.day_of(low_ms), 0) : max(stop, 0)] = True
    return found


def _waiting(trial: Sequence[Judged]) -> dict[str, Any]:
    """From onset to the first right alert; a fault that was never found waits for ever."""
    waits: dict[str, list[float]] = {}
    for one in trial:
        begin_ms = one.plan.year.begin_ms
        for wrong in one.wrongs:
            if wrong.finding not in KNOWN or (wrong.kind == "energy" and wrong.lost_wh.sum() < 1.0):
                continue
            opened = [alert.opened_ms for alert in one.said if is_right(alert, wrong, begin_ms)]
            wait = (min(opened) - wrong.onset_ms(begin_ms)) / DAY_MS if opened else float("inf")
            for key in (_name(wrong), f"{_name(wrong)} ({one.plan.basis})"):
                waits.setdefault(key, []).append(wait)
    return {
        name: {
            "faults": len(found),
            "found": sum(wait < float("inf") for wait in found),
            "median": None if median(found) == float("inf") else _round(median(found)),
        }
        for name, found in sorted(waits.items())
    }


def _not_looked_for(trial: Sequence[Judged]) -> Counter[str]:
    return Counter(wrong.finding for one in trial for wrong in one.wrongs if wrong.finding not in KNOWN)


def _cause(trial: Sequence[Judged]) -> dict[str, Any]:
    """Of faults found: named exactly; and of those with a known cause, the cause in a set of at most three."""
    exact = found = right = told = 0
    for one in trial:
        begin_ms = one.plan.year.begin_ms
        for wrong in one.wrongs:
            mine = [alert for alert in one.said if is_right(alert, wrong, begin_ms)]
            if wrong.kind == "other" or not mine:
                continue
            found += 1
            named = [alert for alert in mine if alert.finding == wrong.finding]
            exact += bool(named)
            if wrong.causes and named:
                told += 1
                right += any(len(alert.causes) <= 3 and set(alert.causes) & set(wrong.causes) for alert in named)
    return {"found": found, "exact_name": _share((exact, found)), "with_cause": told, "cause": _share((right, told))}


def _loss(trial: Sequence[Judged]) -> dict[str, Any]:
    """The loss an alert ends with against the truth up to its end; only alerts that state an interval."""
    inside, errors = 0, []
    for one in trial:
        begin_ms = one.plan.year.begin_ms
        for said, wrong in ((alert, wrong) for alert in one.said for wrong in one.wrongs):
            if wrong.kind == "other" or said.loss_wh <= 0.0 or not is_right(said, wrong, begin_ms):
                continue
            until_ms = said.closed_ms if said.closed_ms is not None else 2**62
            true = covered_wh(wrong, [(wrong.onset_ms(begin_ms), until_ms)], begin_ms)
            if true > 500.0:
                inside += said.loss_low_wh <= true <= said.loss_high_wh
                errors.append(abs(said.loss_wh - true) / true)
    return {
        "alerts": len(errors),
        "inside": _share((inside, len(errors))),
        "median_error": _round(median(errors)) if errors else None,
    }


def _name(wrong: Wrong) -> str:
    if wrong.variant:
        return f"{wrong.finding} {wrong.variant}"
    return f"{wrong.finding} {wrong.size} %" if wrong.size else wrong.finding


def _share(parts: tuple[float, float]) -> float | None:
    return _round(parts[0] / parts[1]) if parts[1] else None


def _round(value: float) -> float:
    return round(float(value), 4)

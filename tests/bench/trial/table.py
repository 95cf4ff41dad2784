"""The score as a page of plain text."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any


def table(score: Mapping[str, Any]) -> str:
    return "\n".join(_lines(score)) + "\n"


def _lines(score: Mapping[str, Any]) -> Iterator[str]:
    took = f"judging {score['seconds_a_site_year']} s each (median)"
    yield f"{score['site_years']} site-years, {score['healthy']} healthy; {took}"
    yield ""
    yield f"{'lost energy under a right alert':34}{'kWh':>9}{'covered':>10}{'oracle':>9}{'of oracle':>11}"
    for name, row in score["energy"].items():
        shares = f"{_percent(row['covered']):>10}{_percent(row['oracle']):>9}{_percent(row['of_oracle']):>11}"
        yield f"  {name:32}{row['lost_kwh']:9.0f}{shares}"
    yield f"  {'misread meter energy':41}{_percent(score['meter_energy']):>10}"
    naive = score["naive"]
    energy, meter = _percent(naive["energy_covered"]), _percent(naive["meter_covered"])
    yield (
        f"  naive evening script: energy {energy}, meter {meter}, false {naive['false_a_site_year']:.2f} a site-year"
    )
    yield ""
    yield f"{'lost energy by fault':34}{'faults':>8}{'kWh':>9}{'covered':>10}{'oracle':>9}"
    for name, row in score["energy_by_finding"].items():
        shares = f"{_percent(row['covered']):>10}{_percent(row['oracle']):>9}"
        yield f"  {name:32}{row['faults']:8d}{row['lost_kwh']:9.0f}{shares}"
    yield ""
    false = score["false_alerts"]
    yield f"{'false alerts a site-year':34}{'count':>8}{'rate':>9}   95 % Poisson"
    groups = {"all": false["all"], **false["by_basis"], **false["by_finding"]}
    for name, row in groups.items():
        yield f"  {name:32}{row['count']:8d}{row['a_site_year']:9.3f}   {row['low']:.3f} to {row['high']:.3f}"
    yield f"  wrongly named while something else was wrong: {_counts(false['misnamed'])}"
    specificity = score["specificity"]
    yield (
        f"  specificity: healthy sites {_percent(specificity['healthy_sites'])}, "
        f"all fault-free days {_percent(specificity['all_fault_free_days'])}"
    )
    yield ""
    yield f"{'days from onset to opening':50}{'faults':>8}{'found':>8}{'median':>9}"
    for name, row in score["waiting_days"].items():
        middle = "-" if row["median"] is None else f"{row['median']:.2f}"
        yield f"  {name:48}{row['faults']:8d}{row['found']:8d}{middle:>9}"
    yield ""
    cause, loss = score["cause"], score["loss"]
    exact, right = _percent(cause["exact_name"]), _percent(cause["cause"])
    yield f"cause: {cause['found']} found, name exact {exact}; cause right {right} of {cause['with_cause']}"
    inside, error = _percent(loss["inside"]), _percent(loss["median_error"])
    yield f"loss: {loss['alerts']} stated, interval covers {inside}, median error {error}"
    for basis, seasons in score["sigma"].items():
        yield f"daily sigma, {basis}: " + ", ".join(f"{name} {value:.3f}" for name, value in seasons.items())
    yield f"generated but not looked for by this program: {_counts(score['not_looked_for'])}"


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{100.0 * share:.1f} %"


def _counts(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{name} {count}" for name, count in counts.items()) or "none"

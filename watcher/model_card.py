"""The card of what was learned of an inverter: from which days, how well it does on others, whether it is used. Pure.

Rule: a figure of merit is of days the model had not seen, or it is not shown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np

from watcher.domain.instant import iso
from watcher.domain.model import Choice, Model
from watcher.expect.expectation import Basis
from watcher.expect.learned import BOUND, FEATURES, LEAF_HOURS, LEAVES, TREES, WIDER_PER_DEG
from watcher.train import EVERY_DAYS, FEWEST_DAYS, FEWEST_HELD, GAIN, HELD_SLOW_DAYS, slow_levels

SEASONS: Mapping[str, tuple[int, ...]] = {
    "winter": (11, 12, 1, 2),
    "spring and autumn": (3, 4, 9, 10),
    "summer": (5, 6, 7, 8),
}
FEWEST_OF_SEASON = 8

WHY = {
    Choice.USED: "used",
    Choice.FEW_DAYS: f"not used: too few healthy days so far to learn from ({FEWEST_DAYS} are needed)",
    Choice.UNTRIED: f"not used yet: it must first be tried on {FEWEST_HELD} later days",
    Choice.NO_BETTER: f"refused: on later days it is not better by {100 * GAIN:.0f} % than doing without",
}
REFERENCES = {
    Basis.NONE: "none",
    Basis.MEASURED: "a sensor on site",
    Basis.SATELLITE: "satellite",
    Basis.WEATHER: "a weather model",
    Basis.PEERS: "neighbours",
    Basis.CLEAR_SKY: "a clear sky",
}


def card(models: Sequence[Model]) -> dict[str, Any]:
    """Of all models of one inverter, the oldest first; ValueError for none. Spreads are shares of a day's energy."""
    newest = models[-1]
    used_since = None
    for one in models:
        used_since = None if one.choice is not Choice.USED else used_since or iso(one.made_ms)[:10]
    return {
        "inverter": newest.subject,
        "id": newest.id,
        "made": iso(newest.made_ms)[:10],
        "choice": newest.choice.value,
        "used_since": used_since,
        "reference": REFERENCES[Basis(newest.basis)],
        "days": newest.days,
        "first_day": _day(newest.first_day),
        "last_day": _day(newest.last_day),
        "hours": newest.hours,
        "sun_low_deg": newest.sun_low_deg,
        "sun_high_deg": newest.sun_high_deg,
        "features": list(FEATURES),
        "limit_w": newest.limit_w or None,
        "later_days": len(newest.held),
        "spread": _spreads(newest),
        "limits": {
            "bound": BOUND,
            "trees": TREES,
            "leaves": LEAVES,
            "hours_a_leaf": LEAF_HOURS,
            "made_every_days": EVERY_DAYS,
            "band_wider_per_degree": WIDER_PER_DEG,
        },
    }


def _day(ordinal: int) -> str | None:
    return date.fromordinal(ordinal).isoformat() if ordinal else None


def _spreads(model: Model) -> dict[str, dict[str, float]]:
    """By season the spread of later days about the level of their weeks: half of what lies between 16 and 84 %."""
    found: dict[str, dict[str, float]] = {}
    if len(model.held) < FEWEST_OF_SEASON:
        return found
    days = [one.day for one in model.held]
    month = np.array([date.fromordinal(day).month for day in days])
    chain, learned = np.array([one.chain for one in model.held]), np.array([one.learned for one in model.held])
    for season, months in {**SEASONS, "all": tuple(range(1, 13))}.items():
        where = np.isin(month, months)
        if int(where.sum()) < FEWEST_OF_SEASON:
            continue
        of = [day for day, asked in zip(days, where, strict=True) if asked]
        found[season] = {"days": int(where.sum())}
        for name, logs in (("without", chain[where]), ("with", learned[where])):
            low, high = np.quantile(logs - slow_levels(of, logs.tolist(), HELD_SLOW_DAYS), (0.16, 0.84))
            found[season][name] = round(float(high - low) / 2.0, 4)
    return found


def card_text(of: Mapping[str, Any]) -> str:
    """A card for people."""
    lines = [f"{of['inverter']}: {WHY[Choice(of['choice'])]}{_since(of)}"]
    if of["days"]:
        lines += [
            f"  as of {of['made']}, learned from {of['days']} healthy days, {of['first_day']} to {of['last_day']} "
            f"({of['hours']} hours, the sun {of['sun_low_deg']:.0f} to {of['sun_high_deg']:.0f} degrees high),",
            f"    held against {of['reference']}",
            f"  from {', '.join(of['features'])}",
        ]
    if of["limit_w"]:
        lines.append(f"  its output never passed {of['limit_w']:.0f} W: that is taken for its limit")
    if of["spread"]:
        lines += [
            f"  tried on {of['later_days']} later days it had not seen; how far such a day errs:",
            f"    {'':20}{'days':>6}{'without':>10}{'with':>10}",
        ]
        lines += [
            f"    {season:20}{one['days']:>6}{100 * one['without']:>9.1f}%{100 * one['with']:>9.1f}%"
            for season, one in of["spread"].items()
        ]
    bound, wider = of["limits"]["bound"], of["limits"]["band_wider_per_degree"]
    lines.append(
        f"  made anew every {of['limits']['made_every_days']} days; never more than a factor of {np.exp(bound):.2f} "
        f"either way; the band grows by {100 * wider:.1f} % for each degree of sun"
    )
    lines.append("    not seen before")
    return "\n".join(lines) + "\n"


def _since(of: Mapping[str, Any]) -> str:
    return f" since {of['used_since']}" if of["used_since"] else ""

"""What each fault of the plan does to panels and inverters, and what a watcher should call it.

Rule: a fault is done to the plant, never to its output after the fact; only the readings' own faults (telling.py) are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.trial.physics import Harm
from tests.bench.trial.plan import Fault
from tests.bench.trial.roofs import Obstacle, Panels, Roof
from watcher.align.window import Floats


@dataclass(frozen=True, slots=True)
class Deed:
    """subject, causes: what it should be called; an AC-only site cannot tell an input, so the inverter is its subject.

    companions: other findings that are right about it too
    """

    harm: Harm
    subject: str
    causes: tuple[str, ...] = ()
    companions: tuple[str, ...] = ()


PLANT_FAULTS = frozenset(
    (
        "no-generation", "output-low", "string-open", "string-low-current", "string-low-voltage", "string-intermittent",
        "module-lost", "power-limited", "late-start", "grid-voltage-trips", "shade-growing", "shade-new", "soiling",
        "ageing-fast",
    )
)  # fmt: skip


def deed_of(fault: Fault, roof: Roof, healthy_ac: Floats, sun_deg: Floats, heat: Floats) -> Deed:
    """healthy_ac: of the inverter it concerns, over the stretch of the fault; sun_deg, heat: over the same."""
    rng = np.random.default_rng(fault.draw)
    inverter, panels = subject_of(fault, roof)
    count = len(healthy_ac)
    limit_w = roof.limits_w[inverter]
    low = ("output-low",)
    match fault.finding:
        case "no-generation":
            return Deed(Harm(off={inverter: np.ones(count, dtype=bool)}), inverter)
        case "output-low":
            return Deed(Harm(derate={inverter: 1.0 - fault.size / 100.0}), inverter)
        case "string-open":
            lost = 1.0 if panels.parallel > 1 else float(panels.parallel)
            cause = "parallel-string" if panels.parallel > 1 else "voltage-open-circuit"
            return Deed(Harm(lost_strings={panels.id: lost}), panels.input, (cause,), low)
        case "string-low-current":
            return Deed(
                Harm(dim={panels.id: (3 * max(2, panels.modules // 2), rng.uniform(0.5, 0.8))}), panels.input, (), low
            )
        case "string-low-voltage":
            return Deed(Harm(volts_share={panels.id: rng.uniform(0.75, 0.92)}), panels.input, (), low)
        case "string-intermittent":
            return Deed(Harm(breaks_over_a={panels.id: rng.uniform(3.0, 5.0)}), panels.input, (), low)
        case "module-lost":
            parts = float(rng.choice([1.0, 2.0, 3.0]))
            return Deed(Harm(lost_parts={panels.id: parts}), panels.input, (), (*low, "string-low-voltage"))
        case "power-limited":
            return Deed(Harm(cap_w={inverter: limit_w * rng.uniform(0.35, 0.7)}), inverter, (), low)
        case "late-start":
            return Deed(Harm(off={inverter: _late(sun_deg, rng)}), inverter, (), low)
        case "grid-voltage-trips":
            return Deed(Harm(off={inverter: _trips(healthy_ac, limit_w, rng)}), inverter, (), low)
        case "shade-new" | "shade-growing":
            new = Obstacle(
                rng.uniform(120.0, 240.0),
                rng.uniform(20.0, 40.0),
                rng.uniform(25.0, 50.0),
                2 * panels.modules,
                0.1,
                0.4,
            )
            grown = np.linspace(0.0, 1.0, count) if fault.finding == "shade-growing" else np.ones(count)
            return Deed(Harm(obstacles={one.id: (new, grown) for one in roof.at(inverter)}), inverter, (), low)
        case "soiling":
            veil = 1.0 - fault.size / 100.0 * np.minimum(np.linspace(0.0, 1.6, count), 1.0)
            return Deed(Harm(veil={one.id: veil for one in roof.at(inverter)}), inverter, (), low)
        case "ageing-fast":
            worn = 1.0 - np.linspace(0.0, 0.08, count)
            return Deed(Harm(derate={inverter: worn}), inverter, (), low)
    raise ValueError(fault.finding)


def subject_of(fault: Fault, roof: Roof) -> tuple[str, Panels]:
    """Which inverter and which of its panels a fault strikes."""
    rng = np.random.default_rng((fault.draw, 1))
    panels = roof.panels[int(rng.integers(len(roof.panels)))]
    return panels.inverter, panels


def _late(sun_deg: Floats, rng: np.random.Generator) -> np.ndarray:
    """Off in the first one to two and a half hours of sun of each day."""
    up = sun_deg > 3.0
    since = np.zeros(len(up))
    run = 0
    for n, lit in enumerate(up):
        run = run + 1 if lit else 0
        since[n] = run
    return up & (since <= 12 * rng.uniform(1.0, 2.5))


def _trips(healthy_ac: Floats, limit_w: float, rng: np.random.Generator) -> np.ndarray:
    """Off the grid for a quarter of an hour, again and again, where much is fed in."""
    off = np.zeros(len(healthy_ac), dtype=bool)
    strong = np.flatnonzero(healthy_ac > 0.45 * limit_w)
    n = 0
    while n < len(strong):
        if rng.random() < 0.12:
            off[strong[n] : strong[n] + 3] = True
            n += 6
        n += 1
    return off

"""earth-fault: the inverter measures that the panels' wiring leaks to earth.

Insulation is measured before each start, so damp mornings show it first and noon hides it (case G3): the alert stands
over dry days. Its own word is enough; so is the resistance it measured, two intervals running below the least at which
the standard lets it start. What the mornings without output cost is told as well.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from watcher.align.window import Bools, Floats
from watcher.detect.by_event import by_event
from watcher.detect.scene import Judgement, Scene, ac_power, last_true, mwh, previous, sum_since
from watcher.detect.states import Bit, InputBit, said
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, local_day_of
from watcher.domain.site import Site


class EarthFault:
    name = Finding.EARTH_FAULT

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(inverter.id for inverter in site.inverters)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        shown, heard = said(scene, subject, (Bit.EARTH_FAULT,), (InputBit.EARTH_FAULT,))
        gauge = scene.window.gauge(f"{subject}.insulation_resistance")
        if gauge is not None:
            # Nought is what a device shows that has not measured yet.
            leaks = (gauge.value < scene.limit(self.name, "least_ohm")) & (gauge.value > 0.0)
            shown, heard = shown | (leaks & previous(leaks)), heard | ~np.isnan(gauge.value)
        ohms = gauge.value if gauge is not None else None

        def figures(at: int) -> Mapping[str, str | float]:
            told: dict[str, str | float] = {"mornings": float(_days_shown(scene, shown, at))}
            if ohms is not None and np.isfinite(ohms[at]):
                told["insulation_kohm"] = round(float(ohms[at]) / 1000.0, 1)
            return told

        return by_event(
            scene, self.name, subject, heard, shown, observed=ohms, unit="" if ohms is None else "ohm",
            lost_mwh=_lost_mwh(scene, subject, shown) if shown.any() else None,
            loss_share=scene.limit(self.name, "loss_share"), figures=figures,
        )  # fmt: skip


def _lost_mwh(scene: Scene, inverter: str, shown: Bools) -> Floats | None:
    """What was expected in spells without any output in which the fault was said, booked from the first word on."""
    found, expectation = ac_power(scene, inverter), scene.expected.by_subject.get(inverter)
    if found is None or expectation is None:
        return None
    idle = found[0] <= 0.0
    missing = np.where(idle, np.nan_to_num(mwh(expectation.expected)), 0.0)
    begun = last_true(~idle)
    said_in_spell = idle & (last_true(shown & idle) > begun)
    first = said_in_spell & ~(previous(said_in_spell) & previous(idle))
    return np.where(first, sum_since(missing, begun), np.where(said_in_spell, missing, 0.0))


def _days_shown(scene: Scene, shown: Bools, at: int) -> int:
    """On how many civil days of the window up to an interval the fault was said."""
    ends, zone = scene.window.ends(), scene.site.zone
    return len({local_day_of(int(ends[place]) - GRID_MS, zone) for place in np.flatnonzero(shown[: at + 1])})

"""supply-voltage-danger: the mains stands at a voltage that harms people's appliances, and no feeding-in made it.

Three signs, each enough: a phase at the second over-voltage step or beyond, two intervals running; phases of one supply
far apart, one above and one below what the law allows, as when the neutral is lost; or the inverter's word for too much
voltage after an hour in which it fed in nothing. While it feeds in, the same word is a grid trip (grid-voltage-trips).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from watcher.detect.by_event import by_event
from watcher.detect.presence import GRID_VOLTAGE_V
from watcher.detect.scene import Judgement, Scene, ac_power, last_true, previous
from watcher.detect.states import Bit, said
from watcher.domain.finding import Finding
from watcher.domain.site import Site

CAUSES: tuple[tuple[str, ...], ...] = ((), ("over-voltage",), ("neutral-lost",))
STATUTORY_V = (216.2, 253.0)  # 230 V -6 % +10 % (ESQCR 2002, regulation 27)
HIGHEST_V = 440.0  # the most that a phase can stand at without its neutral; more is no reading
FED_IN_INTERVALS = 12  # within the last hour: its own feeding may have raised the voltage


class SupplyVoltageDanger:
    name = Finding.SUPPLY_VOLTAGE_DANGER

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(inverter.id for inverter in site.inverters)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        n = scene.window.points
        word, heard = said(scene, subject, (Bit.AC_OVER_VOLTAGE,))
        if word.any():
            found = ac_power(scene, subject)
            fed = last_true(~(found[0] <= 0.0)) if found is not None else np.arange(n)
            word &= np.arange(n) - fed > FED_IN_INTERVALS
        gauges = [scene.window.gauge(f"{subject}.l{phase}.ac_voltage") for phase in (1, 2, 3)]
        columns = [gauge.value for gauge in gauges if gauge is not None]
        if not columns:
            return by_event(scene, self.name, subject, heard, word)
        highest = columns[0] if len(columns) == 1 else np.fmax.reduce(columns)
        high = (highest >= scene.limit(self.name, "danger_v")) & (highest <= HIGHEST_V)
        apart = np.zeros(n, dtype=bool)
        if len(columns) > 1:
            lowest = np.fmin.reduce(columns)
            apart = (highest - lowest >= scene.limit(self.name, "apart_v")) & (highest <= HIGHEST_V)
            apart &= (highest > STATUTORY_V[1]) & (lowest < STATUTORY_V[0]) & (lowest > GRID_VOLTAGE_V)
            apart &= previous(apart)
        high &= previous(high)

        def figures(at: int) -> Mapping[str, str | float]:
            return {"voltage_v": float(highest[at])} if np.isfinite(highest[at]) else {}

        return by_event(
            scene, self.name, subject, heard | ~np.isnan(highest), word | high | apart,
            causes=np.where(apart, 2, 1).astype(np.int8), cause_sets=CAUSES, observed=highest, unit="V",
            figures=figures,
        )  # fmt: skip

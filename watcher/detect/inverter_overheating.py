"""inverter-overheating: the inverter says that it is too hot, or its heat sink is hotter than any should be.

A hot inverter first gives less (power-limited); this is what comes after, when its protection speaks or its own
thermometer reads, two intervals running, what no derating leaves it at.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from watcher.detect.by_event import by_event
from watcher.detect.scene import Judgement, Scene, previous
from watcher.detect.states import Bit, InputBit, said
from watcher.domain.finding import Finding
from watcher.domain.site import Site


class InverterOverheating:
    name = Finding.INVERTER_OVERHEATING

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(inverter.id for inverter in site.inverters)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        said_so, heard = said(scene, subject, (Bit.OVER_TEMPERATURE,), (InputBit.OVER_TEMPERATURE,))
        sink = scene.window.gauge(f"{subject}.temp_heatsink")
        if sink is None:
            return by_event(scene, self.name, subject, heard, said_so)
        hot = sink.value >= scene.limit(self.name, "hottest_degc")
        hot &= previous(hot)

        def figures(at: int) -> Mapping[str, str | float]:
            found = float(sink.value[at])
            return {"temperature_degc": round(found, 1)} if np.isfinite(found) else {}

        return by_event(
            scene, self.name, subject, heard | ~np.isnan(sink.value), said_so | hot,
            observed=sink.value, unit="degC", figures=figures,
        )  # fmt: skip

"""module-lost: the voltage of a string has fallen in a step by one, two or three thirds of a module's.

Rule: judged on the daily voltage of each input, heat removed and beside the other inputs' where there are any, between
the ten days before and up to six after (string_days.py). Never on single hours: a chimney bypasses cells too, but not
all day. Nothing is said of a string whose number of modules is not on file.
"""

from __future__ import annotations

import numpy as np

from watcher.detect.contrast import plain_inputs
from watcher.detect.scene import FAULT, Judgement, Scene, unknown
from watcher.detect.string_days import walk
from watcher.detect.string_steps import Kind
from watcher.detect.string_verdict import Columns, put_days
from watcher.domain.finding import Finding
from watcher.domain.site import Site

CODES = ("module-lost.not-judged", "module-lost.as-usual", "module-lost.step-down")
CAUSES: tuple[tuple[str, ...], ...] = (("part-of-a-module",), ("whole-module",))
WHOLE_MODULE_PARTS = 2.5
"""Thirds of a module from which it is nearer to the whole of it than to two."""


class ModuleLost:
    name = Finding.MODULE_LOST

    def subjects(self, site: Site) -> tuple[str, ...]:
        return plain_inputs(site)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        found = walk(scene)
        if subject not in found.inputs:
            return unknown(scene, self.name, subject, CODES[0])
        columns = Columns.of(scene.window.points)
        put_days(scene, found, subject, Kind.MODULE, columns)
        for at in np.flatnonzero(columns.verdict == FAULT).tolist():
            columns.cause[at] = int(float(columns.facts[at].get("parts_lost", 0.0)) >= WHOLE_MODULE_PARTS)
        return columns.judgement(self.name, subject, CODES, CAUSES, scene.limit(self.name, "loss_share"))

"""string-low-current: an input makes a lasting fraction of its share at its usual voltage, in every direction of sun.

Rule: judged by the day, on the contrast with the other inputs (contrast.py, string_days.py); by the reference alone
only where there is no other, and then large losses only. Dirt, a new shadow on some panels and worn cells look alike
from here, so all three are named.
"""

from __future__ import annotations

from watcher.detect.contrast import plain_inputs
from watcher.detect.scene import Judgement, Scene, unknown
from watcher.detect.string_days import walk
from watcher.detect.string_steps import Kind
from watcher.detect.string_verdict import Columns, put_days
from watcher.domain.finding import Finding
from watcher.domain.site import Site

CODES = ("string-low-current.not-judged", "string-low-current.as-usual", "string-low-current.below")
CAUSES: tuple[tuple[str, ...], ...] = (("soiled-modules", "shaded-modules", "worn-cells"),)


class StringLowCurrent:
    name = Finding.STRING_LOW_CURRENT

    def subjects(self, site: Site) -> tuple[str, ...]:
        return plain_inputs(site)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        found = walk(scene)
        if subject not in found.inputs:
            return unknown(scene, self.name, subject, CODES[0])
        columns = Columns.of(scene.window.points)
        put_days(scene, found, subject, Kind.LOW_CURRENT, columns)
        return columns.judgement(self.name, subject, CODES, CAUSES, scene.limit(self.name, "loss_share"))

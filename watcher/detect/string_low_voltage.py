"""string-low-voltage: the voltage of a string has fallen by more than a module's, and its power with it.

Rule: the same step of voltage that is a module lost where it is no more than one (string_days.py decides). Current is
as usual, so light reaches the panels: several are bypassed, or many cells give less voltage than they did.
"""

from __future__ import annotations

from watcher.detect.contrast import plain_inputs
from watcher.detect.scene import Judgement, Scene, unknown
from watcher.detect.string_days import walk
from watcher.detect.string_steps import Kind
from watcher.detect.string_verdict import Columns, put_days
from watcher.domain.finding import Finding
from watcher.domain.site import Site

CODES = ("string-low-voltage.not-judged", "string-low-voltage.as-usual", "string-low-voltage.below")
CAUSES: tuple[tuple[str, ...], ...] = (("modules-bypassed", "worn-cells"),)


class StringLowVoltage:
    name = Finding.STRING_LOW_VOLTAGE

    def subjects(self, site: Site) -> tuple[str, ...]:
        return plain_inputs(site)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        found = walk(scene)
        if subject not in found.inputs:
            return unknown(scene, self.name, subject, CODES[0])
        columns = Columns.of(scene.window.points)
        put_days(scene, found, subject, Kind.LOW_VOLTAGE, columns)
        return columns.judgement(self.name, subject, CODES, CAUSES, scene.limit(self.name, "loss_share"))

"""string-intermittent: an input carries nothing while the light is strong, and flows again when it is weaker.

Rule: told of an input that breaks off on two days of eight while another input of the same inverter works; once is a
switch, a repair or a string that opened that day. It stands until the input has carried more than it broke at, on a day
without a break: a dull day proves nothing. Judged by the day (contrast.py measures it).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from watcher.detect.contrast import InputDay, plain_inputs
from watcher.detect.scene import OK, Judgement, Scene, unknown
from watcher.detect.string_days import KEPT_DAYS, walk
from watcher.detect.string_verdict import AC_SHARE, Columns
from watcher.domain.finding import Finding
from watcher.domain.instant import local_day
from watcher.domain.site import Site

CODES = ("string-intermittent.not-judged", "string-intermittent.carries-all", "string-intermittent.breaks-off")
CAUSES: tuple[tuple[str, ...], ...] = (("loose-contact",),)


class StringIntermittent:
    name = Finding.STRING_INTERMITTENT

    def subjects(self, site: Site) -> tuple[str, ...]:
        return plain_inputs(site)

    def judge(self, scene: Scene, subject: str) -> Judgement:
        found = walk(scene)
        if subject not in found.inputs:
            return unknown(scene, self.name, subject, CODES[0])
        columns = Columns.of(scene.window.points)
        for settled in found.settled:
            at = scene.window.index_of(settled.point_ms)
            today = settled.newest(subject).day
            broke = self._broke(scene, settled.days_of(subject, today.day - KEPT_DAYS + 1))
            if broke:
                begun_ms, ended_ms = local_day(date.fromordinal(broke[0].day), scene.site.zone)
                newest = frozenset() if settled.again else frozenset(day.toordinal() for day in settled.days)
                lost = {day.day: float(round(day.missed_wh * AC_SHARE * 1000.0)) for day in broke}
                columns.put_fault(at, ((begun_ms + ended_ms) // 2, begun_ms, ended_ms), lost, newest)
                columns.code[at], columns.units[at] = 2, 1
                columns.facts[at] = {
                    "input_number": subject.rpartition("-")[2],
                    "breaks_at_a": round(max(day.strong_a for day in broke), 2),
                    "days": float(len(broke)),
                }
            elif not today.broke and today.strong_a > 0.0:
                columns.verdict[at], columns.code[at], columns.units[at] = OK, 1, 1
        return columns.judgement(self.name, subject, CODES, CAUSES, scene.limit(self.name, "loss_share"))

    def _broke(self, scene: Scene, days: Sequence[InputDay]) -> list[InputDay]:
        """The days on which it broke off, ascending; none where they are too few, or it has been well since."""
        least, within, stronger = (scene.limit(self.name, name) for name in ("days", "within_days", "stronger"))
        found: list[InputDay] = []
        well = 0
        for day in days:
            if day.broke:
                apart = bool(found) and day.day - found[-1].day > within
                if well > 1 or (apart and len(found) < least):
                    found.clear()
                found.append(day)
                well = 0
            elif found and day.strong_a > stronger * max(one.strong_a for one in found):
                well += 1
        return found if len(found) >= least and not well else []

"""string-intermittent: an input carries nothing while the light is strong, and flows again when it is weaker.

Rule: told of an input that breaks off on two days of eight while another input of the same inverter works; once is a
switch, a repair or a string that opened that day. It is well again when it has carried more than it last broke at, on
a day without a break: a dull day proves nothing. Judged by the day (contrast.py measures it).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from watcher.detect.contrast import InputDay, plain_inputs
from watcher.detect.scene import OK, Judgement, Scene, unknown
from watcher.detect.string_days import walk
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
            last = settled.newest[subject].day.day
            broke = self._broke(scene, [day for day in found.days(subject, 0) if day.day <= last])
            today = found.rows[subject][last].day
            most_a = max((day.strong_a for day in broke), default=0.0)
            if broke and broke[-1].day == last:
                begun_ms, ended_ms = local_day(date.fromordinal(broke[0].day), scene.site.zone)
                newest = frozenset() if settled.again else frozenset(day.toordinal() for day in settled.days)
                lost = {day.day: float(round(day.missed_wh * AC_SHARE * 1000.0)) for day in broke}
                columns.put_fault(at, ((begun_ms + ended_ms) // 2, begun_ms, ended_ms), lost, newest)
                columns.code[at], columns.units[at] = 2, 1
                columns.facts[at] = {
                    "input_number": subject.rpartition("-")[2],
                    "breaks_at_a": round(most_a, 2),
                    "days": float(len(broke)),
                }
            elif not today.broke and today.strong_a > scene.limit(self.name, "stronger") * most_a:
                columns.verdict[at], columns.code[at], columns.units[at] = OK, 1, 1
        return columns.judgement(self.name, subject, CODES, CAUSES, scene.limit(self.name, "loss_share"))

    def _broke(self, scene: Scene, days: Sequence[InputDay]) -> list[InputDay]:
        """The days on which it broke off, up to the newest; none where they are too few, or it was well since."""
        within = scene.limit(self.name, "within_days")
        found: list[InputDay] = []
        well = 0
        for day in reversed(days):
            if day.broke:
                if found and found[0].day - day.day > within:
                    break
                found.insert(0, day)
            elif found and day.strong_a > scene.limit(self.name, "stronger") * max(one.strong_a for one in found):
                well += 1
                if well > 1:
                    break
        return found if len(found) >= scene.limit(self.name, "days") else []

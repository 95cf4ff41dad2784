"""The question whether a register that began anew belongs to another meter, and until when it is open.

Rule: what a meter and what it covers say is not compared while the question is open (case B2): nobody knows which meter
it is. An exchange or a reset that is told answers it, also for the days gone by. Where nobody ever answers, weeks later
what the two say since is compared all the same. Another meter, or inverter, has another history.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from watcher.align.facts import restarts_of
from watcher.align.window import Bools
from watcher.detect.scene import FAULT, Scene
from watcher.detect.settled import settling
from watcher.domain.day import DayFigure
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, local_day_of
from watcher.domain.site import Meter

FINDING = Finding.METER_RESTARTED


def is_answered(scene: Scene, meter: Meter, began_ms: int) -> bool:
    """Whether an exchange or a reset on file, or an entry of the site file, lies near where a register began anew."""
    near_ms = scene.limit(FINDING, "known_days") * DAY_MS
    told = [restart.at_ms for restart in restarts_of(scene.events, meter.id)]
    told += [meter.from_ms] if meter.from_ms else []
    return any(abs(at_ms - began_ms) <= near_ms for at_ms in told)


def kept_questions(scene: Scene, meter: Meter, asked: dict[int, int]) -> Iterator[DayFigure]:
    """What is kept of days on which the question was asked. asked: by interval, when the register began anew"""
    for one in settling(scene):
        for at, began_ms in asked.items():
            if one.part.start <= at < one.part.stop:
                values = {"began_ms": float(began_ms), "asked_ms": float(scene.window.ends()[at])}
                yield DayFigure(FINDING, meter.id, one.day, one.revision, one.point_ms, values)
                break


def open_question(scene: Scene, meter: Meter) -> Bools:
    """Intervals since the question was asked, where it has not been answered."""
    ends = scene.window.ends()
    asked = [
        figure.values["asked_ms"]
        for figure in scene.past.get((FINDING, meter.id), ())
        if not is_answered(scene, meter, int(figure.values["began_ms"]))
    ]
    now = scene.judged.get((FINDING, meter.id))
    if now is not None:  # one that is answered is no fault there
        asked += ends[now.verdict == FAULT].astype(np.float64).tolist()
    lasts_ms = scene.limit(FINDING, "open_days") * DAY_MS
    found = np.zeros(len(ends), dtype=bool)
    for asked_ms in asked:
        found |= (ends >= asked_ms) & (ends < asked_ms + lasts_ms)
    return found


def begun_anew(scene: Scene, meter: Meter) -> list[int]:
    """Ordinals of the days on which a register of the comparison began anew, as far as that was told or found."""
    told = [restart.at_ms for restart in restarts_of(scene.events, meter.id)]
    told += [int(figure.values["began_ms"]) for figure in scene.past.get((FINDING, meter.id), ())]
    told += [
        event.at_ms
        for event in scene.events
        if event.kind is EventKind.METER_EXCHANGE and event.subject in meter.covers
    ]
    return [local_day_of(at_ms, scene.site.zone).toordinal() for at_ms in told]

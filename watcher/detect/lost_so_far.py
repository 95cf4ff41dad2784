"""What an outage has cost from its beginning on, also where that lies before the window.

Rule: figures of days keep what each of them lost and whether anything was made on it; days in a row on which nothing
was made are one outage. So the sum is the same however time was cut, and however late the sunshine came.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.detect.scene import Scene, last_true
from watcher.detect.settled import settling
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import local_day


def figures(
    scene: Scene, finding: Finding, subject: str, lost_mwh: Floats, known_ms: Ints, works: Bools
) -> Iterator[DayFigure]:
    """What is kept of each day: what it lost, what of that after it last made something, whether it made nothing.

    lost_mwh, works: by interval what was lost, and whether something was made. known_ms: since when that is known
    """
    for one in settling(scene):
        lost = np.where(known_ms[one.part] <= one.point_ms, lost_mwh[one.part], 0.0)
        made = works[one.part]
        after = lost[int(last_true(made)[-1]) + 1 :]
        values = {"lost_wh": lost.sum() / 1000.0, "after_wh": after.sum() / 1000.0, "nothing": float(not made.any())}
        if values["lost_wh"] > 0.0 or values["nothing"]:
            figure = {name: float(value) for name, value in values.items()}
            yield DayFigure(finding, subject, one.day, one.revision, one.point_ms, figure)


def before_window_mwh(scene: Scene, finding: Finding, subject: str) -> float:
    """What an outage that stands as the window begins had cost by then."""
    found, expected = 0.0, None
    for one in reversed(scene.past.get((finding, subject), ())):
        if local_day(one.day, scene.site.zone)[0] >= scene.window.start_ms:
            continue
        if expected is not None and one.day.toordinal() != expected:
            break  # a day of which nothing is kept made something, and lost nothing
        expected = one.day.toordinal() - 1
        found += one.values["after_wh"] * 1000.0
        if not one.values["nothing"]:
            break
    return float(round(found))

"""A device's own alarm turned into a judgement: one trustworthy word is enough, and good words prove nothing.

Rules: every interval in which it is said is FAULT. Rows that came late are never judged at their own points, so a day
that settles with such a word in it is FAULT as well, unless someone has inspected the device since. Only an inspection
ends the alert (alert/lifecycle.py).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.detect.scene import (
    FAULT,
    OK,
    UNKNOWN,
    Judgement,
    Scene,
    Small,
    accrued,
    last_true,
    unknown,
    usable_through,
)
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, local_day

Evidence = Callable[[int], Mapping[str, str | float]]


def by_event(
    scene: Scene,
    finding: Finding,
    device: str,
    heard: Bools,
    shown: Bools,
    *,
    causes: Small | None = None,
    cause_sets: tuple[tuple[str, ...], ...] = ((),),
    observed: Floats | None = None,
    unit: str = "",
    lost_mwh: Floats | None = None,
    loss_share: float = 0.0,
    figures: Evidence | None = None,
) -> Judgement:
    """heard: intervals in which the device would have said it. shown: in which it did.

    lost_mwh: energy each interval lost to it, whole, as soon as what was expected is known
    figures: numbers of the latest interval in which it was shown, beside when and how often
    """
    window, n = scene.window, scene.window.points
    if not heard.any() and not shown.any():
        return unknown(scene, finding, device, f"{finding}.no-readings")
    if not shown.any():
        return _quiet(scene, finding, device, heard, cause_sets, unit)
    ends = window.ends()
    first = np.arange(n)
    settled = np.zeros(n, dtype=bool)
    inspected_ms = _inspected_ms(scene, finding, device)
    for day, points in scene.settling.items():
        start, end = ((at_ms - window.start_ms) // GRID_MS for at_ms in local_day(day, scene.site.zone))
        part = slice(max(start, 0), max(end, 0))
        fresh = np.flatnonzero(shown[part] & (ends[part] > inspected_ms))
        for point_ms in points if len(fresh) else ():
            at = window.index_of(point_ms)
            if 0 <= at < n:
                settled[at], first[at] = True, part.start + int(fresh[0])
    fault = shown | settled
    latest = np.where(shown, np.arange(n), np.maximum(last_true(shown), 0))
    clean = last_true(heard & ~shown)[np.maximum(first - 1, 0)]
    low_ms = np.where(clean >= 0, ends[clean], window.start_ms)
    high_ms = np.maximum(ends[first], low_ms)
    loss = np.zeros(n)
    if lost_mwh is not None:
        loss = accrued(lost_mwh, usable_through(window, scene.expected.known_ms), fault)
    verdict = np.where(fault, FAULT, np.where(heard, OK, UNKNOWN)).astype(np.int8)
    return Judgement(
        finding=finding,
        subject=device,
        verdict=verdict,
        code=verdict,
        codes=_codes(finding),
        cause=np.where(fault, 0 if causes is None else causes[latest], 0).astype(np.int8),
        cause_sets=cause_sets,
        observed=np.full(n, np.nan) if observed is None else np.where(fault, observed[latest], np.nan),
        expected=np.full(n, np.nan),
        unit=unit,
        onset_ms=np.maximum(high_ms - GRID_MS, low_ms).astype(np.int64),
        onset_low_ms=low_ms.astype(np.int64),
        onset_high_ms=high_ms.astype(np.int64),
        loss_mwh=loss,
        arrears_mwh=np.zeros(n),
        loss_share=loss_share,
        evidence=partial(_evidence, ends, shown, latest, figures),
    )


def _evidence(
    ends: Ints, shown: Bools, latest: Ints, figures: Evidence | None, point: int
) -> Mapping[str, str | float]:
    at = int(latest[point])
    told: dict[str, str | float] = {"times_said": float(np.count_nonzero(shown[: point + 1]))}
    told["last_said_ms"] = float(ends[at])
    return told | dict(figures(at) if figures is not None else {})


def _codes(finding: Finding) -> tuple[str, str, str]:
    """In the order of the verdicts: unknown, fine, at fault."""
    return f"{finding}.no-readings", f"{finding}.not-said", f"{finding}.said"


def _quiet(
    scene: Scene, finding: Finding, device: str, heard: Bools, cause_sets: tuple[tuple[str, ...], ...], unit: str
) -> Judgement:
    n = scene.window.points
    verdict = np.where(heard, OK, UNKNOWN).astype(np.int8)
    zero, none, nan = np.zeros(n, dtype=np.int64), np.zeros(n), np.full(n, np.nan)
    nothing = np.zeros(n, dtype=np.int8)
    return Judgement(
        finding, device, verdict, verdict, _codes(finding), nothing, cause_sets, nan, nan, unit,
        zero, zero, zero, none, none, 0.0, lambda _point: {},
    )  # fmt: skip


def _inspected_ms(scene: Scene, finding: Finding, device: str) -> int:
    """When the device was last inspected for this, as far as that is recorded; 0 for never."""
    looked = (
        event.at_ms
        for event in scene.events
        if event.kind is EventKind.INSPECTED
        and event.subject.partition(".")[0] == device
        and f"/{finding}/" in str(event.values.get("alert", f"/{finding}/"))
    )
    return max(looked, default=0)

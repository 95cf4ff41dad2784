"""meter-silent: a meter that is read automatically is not heard, while what it covers is.

Says nothing about the register: a meter may count on unheard. Another visit than a stalled one (case B1, S2). Any
channel will do: a meter that gives its power, or sends pulses, is heard though it never shows its register.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from watcher.align.window import Ints, Window
from watcher.detect.presence import board_was_heard
from watcher.detect.scene import (
    FAULT,
    OK,
    UNKNOWN,
    Judgement,
    Scene,
    counted_mwh,
    heard,
    last_true,
    trailing_sum,
    unknown,
)
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, HOUR_MS
from watcher.domain.site import MeterRole, Site, SourceKind

CODES = ("meter-silent.nothing-heard", "meter-silent.heard", "meter-silent.not-heard")
BY_HAND = (SourceKind.TYPED,)


class MeterSilent:
    name = Finding.METER_SILENT

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(
            meter.id
            for meter in site.meters
            if meter.role is MeterRole.GENERATION
            and (source := site.source_of(meter.id)) is not None
            and source.kind not in BY_HAND
        )

    def judge(self, scene: Scene, subject: str) -> Judgement:
        window, meter = scene.window, scene.site.meter(subject)
        source = scene.site.source_of(subject)
        others = [found for name in meter.covers if (found := counted_mwh(scene, name)) is not None]
        if not others or source is None:
            return unknown(scene, self.name, subject, CODES[0])

        ends, n = window.ends(), window.points
        neighbour = np.logical_or.reduce([is_heard for _, is_heard in others])
        seen_ms = _seen_ms(window, subject)
        # Never heard inside the window: silent since its neighbours were first heard there.
        begun = int(np.argmax(neighbour)) if bool(neighbour.any()) else n
        since_ms = np.where(seen_ms > 0, seen_ms, window.start_ms if begun == n else ends[min(begun, n - 1)])

        patience_ms = max(int(scene.limit(self.name, "hours") * HOUR_MS), int(4000 * source.every_s))
        is_heard = heard(window, seen_ms, source.every_s)
        # Only beside an inverter that generates: a dark circuit silences the meter too (silence.py).
        booked = np.sum([energy for energy, _ in others], axis=0)
        generates = trailing_sum(booked, 12) > 0
        silent = ~is_heard & neighbour & generates & (ends - since_ms >= patience_ms)
        if source.kind is SourceKind.MQTT:  # while its broker is away nobody can hear it, whatever else is heard
            listened = np.cumsum(board_was_heard(scene, subject)) * GRID_MS
            last = np.clip((since_ms - window.start_ms) // GRID_MS - 1, 0, n - 1)
            silent &= listened - listened[last] >= patience_ms
        verdict = np.where(silent, FAULT, np.where(is_heard, OK, UNKNOWN)).astype(np.int8)
        zero = np.zeros(n)

        def evidence(point: int) -> Mapping[str, str | float]:
            return {"last_heard_ms": float(since_ms[point]), "serial": meter.serial}

        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=verdict,
            codes=CODES,
            cause=np.where(silent, 1, 0).astype(np.int8),
            cause_sets=((), ("not-heard",)),
            observed=np.full(n, np.nan),
            expected=np.full(n, np.nan),
            unit="",
            onset_ms=since_ms.astype(np.int64),
            onset_low_ms=since_ms.astype(np.int64),
            onset_high_ms=since_ms.astype(np.int64),
            loss_mwh=zero,
            arrears_mwh=zero,
            loss_share=0.0,
            evidence=evidence,
        )


def _seen_ms(window: Window, device: str) -> Ints:
    """For each point when a device was last heard by any of its channels; 0 before the first."""
    ends, seen_ms = window.ends(), np.zeros(window.points, dtype=np.int64)
    for name, counter in window.counters.items():
        if name.partition(".")[0] == device:
            seen_ms = np.maximum(seen_ms, counter.seen_ms)
    for name, gauge in window.gauges.items():
        if name.partition(".")[0] == device:
            last = last_true(~np.isnan(gauge.value) & (gauge.known_ms <= ends))
            seen_ms = np.maximum(seen_ms, np.where(last >= 0, ends[last], 0))
    return seen_ms

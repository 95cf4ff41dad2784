"""One line that a meter's pulses come in on: how many there were, added to what the store says there were before.

Rule: the store is the only memory. A start goes on from the newest count in it, so the count never falls and nothing
is counted twice; what was counted since the last flush, a minute at most, is lost with a crash, and so is what came
while nobody listened. While the line cannot be heard or is flooded with light there is no reading, not one of zero.
"""

from __future__ import annotations

import asyncio
import logging
from collections import Counter
from collections.abc import Mapping

from watcher.collect.collectors import Collected
from watcher.collect.pulse.source import PulseInput
from watcher.collect.pulse.train import PulseTrain, Timing
from watcher.domain.instant import floor_grid
from watcher.domain.pulse_line import Level
from watcher.domain.quantity import BOARD
from watcher.domain.reading import Reading
from watcher.domain.site import Source
from watcher.domain.trouble import Trouble

log = logging.getLogger(__name__)

FLOODED = "the sensor sees light that is no lamp's, so no pulse can be told; shade it"


class PulseCollector:
    """refused: what was no pulse, and turns without a reading (flooded), by kind

    too-fast-but-counted: pulses sooner after another than rated power allows. trouble: None where all is well
    """

    stamps_now = True  # a count holds when it is read: the daemon may hold it until it knows the time

    def __init__(self, site: str, source: Source, line: PulseInput, timing: Timing, counted: float) -> None:
        """counted: where the count stood, from the store."""
        self.name = f"{site}/{source.address}"
        self.every_s, self.first_s = source.every_s, 0.0
        self.devices = (source.device,)
        self.trouble: Trouble | None = None
        self._site, self._source, self._line = site, source, line
        self._active = 0 if source.active is Level.LOW else 1
        self._counted = counted
        self._train = PulseTrain(timing)
        self._flooded = 0
        self._heard_from: float | None = None
        self._listened_ms = -1
        self._said = 0

    @property
    def refused(self) -> Mapping[str, int]:
        counted = Counter(self._train.refused)
        counted.update(self._line.refused)
        counted["flooded"] += self._flooded
        counted["too-fast-but-counted"] = self._train.too_fast
        return +counted

    async def collect(self, now_ms: int, monotonic: float) -> Collected:
        try:
            self._line.open()
            edges, quiet_ns = self._line.take()
        except OSError as error:
            self._line.close()
            self._in_trouble(str(error), now_ms)
            return Collected(self._site)
        for edge in edges:
            self._train.edge(edge.at_ns, edge.level == self._active)
        if quiet_ns is not None:
            self._train.advance(quiet_ns)
        if self._train.too_fast > self._said:
            log.warning("pulses-too-fast site=%s device=%s so-far=%d", self._site, *self.devices, self._train.too_fast)
            self._said = max(2 * self._said, self._train.too_fast)  # ever more seldom
        if self._train.flooded:
            self._flooded += 1
            self._in_trouble(FLOODED, now_ms)
            return Collected(self._site)
        if self._heard_from is None:
            self._heard_from = monotonic
        if self.trouble is not None:
            log.info("pulses-heard-again site=%s device=%s", self._site, *self.devices)
            self.trouble = None
        return Collected(self._site, self._readings(now_ms, monotonic))

    def _readings(self, now_ms: int, monotonic: float) -> tuple[Reading, ...]:
        """The count; and once an interval that the line was heard, for energy can be missed while it was not."""
        device = self._source.device
        count = Reading(f"{device}.pulse_count", now_ms, self._counted + self._train.count)
        if self._heard_from is None or floor_grid(now_ms) == self._listened_ms:
            return (count,)
        self._listened_ms = floor_grid(now_ms)
        return (count, Reading(f"{BOARD}.{device}.uptime", now_ms, round(monotonic - self._heard_from)))

    def _in_trouble(self, why: str, now_ms: int) -> None:
        if self.trouble is None:
            log.warning("pulses-not-heard site=%s device=%s why=%s", self._site, *self.devices, why)
        self._heard_from = None
        since_ms = now_ms if self.trouble is None else self.trouble.since_ms
        self.trouble = Trouble(self._source.address, self._site, self._source.device, since_ms, why)

    async def close(self) -> None:
        await asyncio.to_thread(self._line.close)

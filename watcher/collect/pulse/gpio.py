"""A line of the kernel's GPIO character device, with the kernel's own time of each edge. Never tried on a pin.

Rule: the line is only ever an input. A thread of its own fetches edges, so that a busy daemon costs none: the kernel
keeps few. It dates them by its monotonic clock, which is also ours. What it dropped shows in its numbering and is
counted.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import Counter, deque
from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from watcher.collect.pulse.source import GpioLine
from watcher.collect.pulse.train import Edge
from watcher.domain.pulse_line import Bias

log = logging.getLogger(__name__)

KERNEL_KEEPS = 1024
BUFFERED = 200_000
"""Edges kept for the collector, a few minutes of the worst flicker; the oldest are given up beyond."""

_WAIT_S = 0.5
_JOIN_S = 5.0


class GpioInput:
    """Levels are told as they are; which of them is active is the collector's affair.

    refused: lost, edges the kernel dropped; given-up, edges we had no room for
    """

    def __init__(self, line: GpioLine, bias: Bias) -> None:
        self.refused: Counter[str] = Counter()
        self._line, self._bias = line, bias
        self._edges: deque[Edge] = deque()
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._quiet_ns: int | None = None
        self._gone: OSError | None = None

    def open(self) -> None:
        if self._thread is not None:
            return
        try:
            import gpiod
            from gpiod.line import Bias as Pull
            from gpiod.line import Clock, Direction
            from gpiod.line import Edge as Edges
        except ImportError:
            raise OSError("the package gpiod is not installed: pip install 'pv-watcher[gpio]'") from None
        bias = {Bias.PULL_UP: Pull.PULL_UP, Bias.PULL_DOWN: Pull.PULL_DOWN, Bias.NONE: Pull.DISABLED}[self._bias]
        settings = gpiod.LineSettings(
            direction=Direction.INPUT, edge_detection=Edges.BOTH, bias=bias, event_clock=Clock.MONOTONIC
        )
        try:
            request = gpiod.request_lines(
                self._line.chip,
                consumer="pv-watcher",
                config={self._line.offset: settings},
                event_buffer_size=KERNEL_KEEPS,
            )
        except ValueError as error:  # no such line on the chip
            raise OSError(str(error)) from None
        self._stop.clear()
        self._gone, self._quiet_ns = None, None
        self._thread = threading.Thread(target=self._fetch, args=(request,), name="pulses", daemon=True)
        self._thread.start()

    def take(self) -> tuple[Sequence[Edge], int | None]:
        with self._lock:
            edges, quiet_ns, gone = list(self._edges), self._quiet_ns, self._gone
            self._edges.clear()
        if gone is not None and not edges:
            self.close()
            raise gone
        return edges, quiet_ns

    def close(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(_JOIN_S)
        self._thread = None

    def _fetch(self, request: Any) -> None:
        last_number: int | None = None
        try:
            while not self._stop.is_set():
                asked_ns = time.monotonic_ns()
                if not request.wait_edge_events(timedelta(seconds=_WAIT_S)):
                    # Whatever happened before we asked would have been told.
                    with self._lock:
                        self._quiet_ns = asked_ns
                    continue
                last_number = self._keep(request.read_edge_events(), last_number)
        except OSError as error:
            with self._lock:
                self._gone = error
        finally:
            request.release()

    def _keep(self, events: Sequence[Any], last_number: int | None) -> int | None:
        with self._lock:
            for event in events:
                number = event.line_seqno
                if last_number is not None and number > last_number + 1:
                    self.refused["lost"] += number - last_number - 1
                last_number = number
                rising = event.event_type is event.Type.RISING_EDGE
                self._edges.append(Edge(event.timestamp_ns, int(rising)))
            while len(self._edges) > BUFFERED:
                self._edges.popleft()
                self.refused["given-up"] += 1
        return last_number

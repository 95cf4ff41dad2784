"""What stands around the kernel's interface: the fetching thread, on events that a request of the test hands out.

The events have the fields of gpiod 2's. No pin was ever touched by this.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from datetime import timedelta
from enum import Enum

import pytest

from watcher.collect.pulse.gpio import GpioInput
from watcher.collect.pulse.source import GpioLine, file_of, line_of
from watcher.collect.pulse.train import Edge
from watcher.domain.pulse_line import Bias


@dataclass(frozen=True)
class Event:
    class Type(Enum):
        RISING_EDGE = 1
        FALLING_EDGE = 2

    timestamp_ns: int
    line_seqno: int
    event_type: Type


class Request:
    """Hands out batches, is quiet once, then fails as a chip does that was unplugged."""

    def __init__(self, *batches: list[Event]) -> None:
        self.batches, self.released, self.quiet = list(batches), threading.Event(), 1

    def wait_edge_events(self, timeout: timedelta) -> bool:
        if self.batches:
            return True
        if self.quiet:
            self.quiet -= 1
            return False
        raise OSError("No such device")

    def read_edge_events(self) -> list[Event]:
        return self.batches.pop(0)

    def release(self) -> None:
        self.released.set()


def test_edges_come_with_their_own_times_and_what_the_kernel_dropped_is_counted() -> None:
    falling, rising = Event.Type.FALLING_EDGE, Event.Type.RISING_EDGE
    request = Request([Event(10, 1, falling), Event(20, 2, rising)], [Event(90, 7, falling)])
    line = GpioInput(GpioLine("/dev/gpiochip0", 17), Bias.PULL_UP)
    line._fetch(request)
    edges, quiet_ns = line.take()
    assert edges == [Edge(10, 0), Edge(20, 1), Edge(90, 0)]
    assert quiet_ns is not None
    assert quiet_ns > 90
    assert line.refused == {"lost": 4}
    assert request.released.is_set()
    with pytest.raises(OSError, match="No such device"):
        line.take()


@pytest.mark.parametrize(
    ("address", "line"),
    [
        ("gpio:/dev/gpiochip0/17", GpioLine("/dev/gpiochip0", 17)),
        ("gpio:/dev/by-name/header/4", GpioLine("/dev/by-name/header", 4)),
        ("file:/run/edges.txt", None),
    ],
)
def test_an_address_names_a_line_or_a_file(address: str, line: GpioLine | None) -> None:
    assert line_of(address) == line


def test_the_path_of_a_file() -> None:
    assert file_of("file:/run/edges.txt") == "/run/edges.txt"

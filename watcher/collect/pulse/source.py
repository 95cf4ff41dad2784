"""Where edges come from: what a collector needs of a line, whatever it is. And the address of one, taken apart."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from watcher.collect.pulse.train import Edge


class PulseInput(Protocol):
    """refused: what it could not take, by kind."""

    @property
    def refused(self) -> Mapping[str, int]: ...

    def open(self) -> None:
        """Listen from now on; does nothing while it listens. OSError: it cannot, and why."""
        ...

    def take(self) -> tuple[Sequence[Edge], int | None]:
        """The edges since the last call, and until when there are no others; None where nobody knows. [ns]

        OSError: the line is gone; what was taken so far was all. It may be opened again.
        """
        ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class GpioLine:
    """chip: the character device. offset: of the line on it."""

    chip: str
    offset: int


_GPIO = re.compile(r"gpio:(/dev/\S+)/([0-9]{1,4})")


def line_of(address: str) -> GpioLine | None:
    """The line an address "gpio:/dev/gpiochip0/17" names; None where it names a file of edges."""
    match = _GPIO.fullmatch(address)
    return None if match is None else GpioLine(match[1], int(match[2]))


def file_of(address: str) -> str:
    """The path in "file:PATH"."""
    return address.removeprefix("file:")

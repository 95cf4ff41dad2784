"""One line for each address, whichever sites and devices use it: many a device, and every serial port, serves only one.

Rule: a line belongs to nobody in particular; who lets go of it closes a connection that the next question makes anew.
"""

from __future__ import annotations

from watcher.collect.modbus.client import tcp_line
from watcher.collect.modbus.line import BusLine
from watcher.domain.site import Source, SourceKind


class LineDesk:
    def __init__(self) -> None:
        self._lines: dict[str, BusLine] = {}

    def line(self, source: Source) -> BusLine:
        """The line a source of kind modbus-tcp or modbus-rtu is on."""
        if source.address not in self._lines:
            self._lines[source.address] = _made(source)
        return self._lines[source.address]


def _made(source: Source) -> BusLine:
    if source.kind is SourceKind.MODBUS_RTU:
        from watcher.collect.modbus.rtu_line import (
            RtuLine,
        )  # only where there is a serial port is there a driver for it

        return RtuLine(source.address, source.serial)
    return tcp_line(source.address)

"""The devices on one line: each polled by itself, each with its own patience.

Rule: a silent device costs its own readings and nothing else; what is known not to answer is asked rarely. A line that
is not there at all is tried rarely too, whichever device is due.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import repeat

from watcher.collect.modbus.line import BusLine, SilentError
from watcher.collect.modbus.map_reader import RegisterMapReader
from watcher.collect.modbus.models import INDEX_POINTS
from watcher.collect.modbus.plan import DeviceRole
from watcher.collect.modbus.reader import SunSpecReader
from watcher.collect.modbus.register_map import SUNSPEC, RegisterMap
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.reading import Reading

log = logging.getLogger(__name__)

FIRST_WAIT_S, LONGEST_WAIT_S = 15.0, 300.0
"""A silent device is left alone for this long, twice as long each time, up to the longest."""


@dataclass(frozen=True, slots=True)
class DeviceOnBus:
    """id: in the site. unit: Modbus unit id. map, counts: as in domain/site.py's Source.

    registers: the register map of that name; None for a device that speaks SunSpec
    """

    id: str
    unit: int
    map: str
    counts: str
    role: DeviceRole
    registers: RegisterMap | None = None


@dataclass(frozen=True, slots=True)
class Polled:
    """identity: maker, model, options, version and serial as far as given; None unless it was read anew.

    notes: oddities of the device to be recorded; each is given once until it is over
    """

    readings: tuple[Reading, ...]
    identity: Mapping[str, str] | None
    notes: tuple[str, ...] = ()


class _Patience:
    """How long to leave something alone that did not answer."""

    def __init__(self) -> None:
        self.failed = 0
        self._not_before = float("-inf")

    def waiting(self, monotonic: float) -> bool:
        # Polls come on a beat: one that comes a moment early is not put off by a whole beat more.
        return monotonic < self._not_before - 1.0

    def lost(self, monotonic: float) -> None:
        self._not_before = monotonic + min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(self.failed, 10))
        self.failed += 1

    def found(self) -> None:
        self.failed, self._not_before = 0, float("-inf")


class _Unit:
    def __init__(self, device: DeviceOnBus) -> None:
        if device.role not in ("inverter", "meter", "generation-meter") or device.counts not in INDEX_POINTS:
            raise ValueError(f"{device.id}: no device is {device.role!r} and counts what is {device.counts!r}")
        self.device = device
        self.reader = _reader(device)
        self.patience = _Patience()
        self.remedy = Remedy.RETRY  # what would have helped the last time it failed


def _reader(device: DeviceOnBus) -> SunSpecReader | RegisterMapReader:
    if device.registers is not None:
        return RegisterMapReader(device.id, device.registers, device.role, device.counts)
    return SunSpecReader(device.id, device.role, device.counts)


class ModbusBus:
    """The devices of one site on one line, each with a unit id of its own.

    refused: what went wrong so far on the whole line, by kind, for the health page: unconnected, silent, broken (the
        connection lost with the question), refused (exceptions, those while a map is being learned included), short,
        mismatched (to another question), moved (values whose scale factor changed); on a serial line garbled, late
        (bytes that came after the time-out), echoed, reopened and hanging too
    """

    def __init__(self, line: BusLine, devices: Sequence[DeviceOnBus]) -> None:
        self.line = line
        self._line_patience = _Patience()
        self._units = {device.id: _Unit(device) for device in devices}

    @property
    def refused(self) -> Mapping[str, int]:
        return self.line.counted

    def silent(self, device: str) -> bool:
        """Whether a device did not answer when it was asked last."""
        return self._units[device].patience.failed > 0

    def due(self, device: str, monotonic: float) -> bool:
        """Whether asking would touch the wire."""
        return not (self._units[device].patience.waiting(monotonic) or self._line_patience.waiting(monotonic))

    async def poll(self, device: str, now_ms: int, monotonic: float) -> Polled:
        """Read one device; its readings carry now_ms.

        A device that did not answer is left alone for 15 s, then twice as long each time, up to 300 s: a poll within
        that time raises CollectError with the cause "waiting" and the last remedy, and touches no wire. A device that
        was silent is given longer (see PATIENCE). monotonic: seconds on the caller's clock, for this alone.
        """
        unit = self._units[device]
        if unit.device.map != SUNSPEC and unit.device.registers is None:
            raise CollectError(device, "reading", Remedy.FIX_SETUP, f"no register map is called {unit.device.map!r}")
        if not self.due(device, monotonic):
            raise CollectError(device, "reading", unit.remedy, "waiting")
        try:
            asking = unit.reader.poll(now_ms)
            poll = await self.line.converse(unit.device.unit, asking, patient=unit.patience.failed > 0)
        except CollectError as error:
            self._line_patience.found()
            unit.patience.lost(monotonic)
            unit.remedy = error.remedy
            raise
        except (SilentError, OSError) as error:
            if isinstance(error, OSError):
                self._line_patience.lost(monotonic)
            else:
                self._line_patience.found()  # somebody took the connection, if only a gateway
            unit.patience.lost(monotonic)
            unit.reader.away()
            # A port that may not be opened stays so until somebody allows it.
            unit.remedy = Remedy.FIX_SETUP if isinstance(error, PermissionError) else Remedy.RETRY
            raise CollectError(device, "reading", unit.remedy, error) from error
        self._line_patience.found()
        unit.patience.found()
        for note in poll.notes:
            log.warning("device-oddity device=%s note=%s", device, note)
        self.line.counted["moved"] += len(poll.decoded.moved)
        values = poll.decoded.values
        readings = tuple(map(Reading, values.keys(), repeat(now_ms), values.values()))
        return Polled(readings, poll.identity, poll.notes)

    async def close(self) -> None:
        self.line.close()

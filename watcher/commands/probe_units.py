"""The units of one address, asked one after the other and a few times over.

Rule: a unit that says nothing costs itself; the probe goes on with the next. Polls of all units lie between each other,
so that a meter and its inverter are seen at the same time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from watcher.clock import Clock, SystemClock
from watcher.collect.modbus.blocks import Table, UnansweredError
from watcher.collect.modbus.probe_talk import (
    GATEWAY,
    SILENCE,
    Described,
    MapPoll,
    again,
    describe,
    scan,
    somebody,
    there,
)
from watcher.collect.modbus.probe_wire import NobodyError, ProbeWire, refusal, serial_wire, tcp_wire, trouble
from watcher.collect.modbus.register_map import RegisterMap
from watcher.commands.probe_asked import AboutUnit, Asked
from watcher.config.address import port_of
from watcher.probe.seen import UNKNOWN, Facts, Place, Sample, UnitSeen
from watcher.probe.sunspec_map import described, role_of

POLLS = 3
"""How often everything is read: enough to see what moves."""

HUNT_S = 0.5
"""How long each of many units is given to say anything."""

ANY_UNIT = 8
"""A device that answers under so many unit ids does not look at them."""


@dataclass(slots=True)
class _Found:
    """A unit that answered. poll: how its registers are read again; None where nobody has described them."""

    unit: int
    facts: Facts
    registers: RegisterMap | None
    poll: MapPoll | None
    standard: bool = False
    identity: Mapping[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)


class Prober:
    """say: takes a line about what is being done."""

    def __init__(self, asked: Asked, say: Callable[[str], None], clock: Clock | None = None) -> None:
        self._asked, self._say = asked, say
        self._clock = clock if clock is not None else SystemClock()
        self._began_ms, self._began = self._clock.now_ms(), self._clock.monotonic()

    def _now_ms(self) -> int:
        # Counted on from the beginning: a clock that is set meanwhile must not put the polls out of order.
        return self._began_ms + round((self._clock.monotonic() - self._began) * 1000)

    async def run(self) -> tuple[UnitSeen, ...]:
        """Everything that answered. NobodyError where nothing did."""
        units = await self._hunted() if self._asked.hunt else self._asked.units
        wire = self._wire(self._asked.timeout_s)
        try:
            await wire.open()
            found = await self._met(wire, units)
            await self._polled(wire, found)
        finally:
            wire.close()
        return tuple(
            UnitSeen(
                one.unit, one.registers, tuple(one.samples), one.facts, one.standard, one.identity, tuple(one.notes)
            )
            for one in found
        )

    def _wire(self, timeout_s: float, *, once: bool = False) -> ProbeWire:
        if self._asked.serial is not None:
            return serial_wire(self._asked.address, self._asked.serial, timeout_s, once=once)
        host, port = port_of(self._asked.address)
        return tcp_wire(host, port, timeout_s, once=once)

    async def _hunted(self) -> tuple[int, ...]:
        """Which of many unit ids answer."""
        self._say(f"Asking {len(self._asked.units)} unit ids, one after the other.")
        found: list[int] = []
        wire = self._wire(min(HUNT_S, self._asked.timeout_s), once=True)
        try:
            await wire.open()
            for unit in self._asked.units:
                if await wire.converse(unit, there()):
                    self._say(f"Unit {unit} answers.")
                    found.append(unit)
                if len(found) == ANY_UNIT and found == list(self._asked.units[:ANY_UNIT]):
                    self._say(f"It answers under any unit id, so it does not look at them: taken as unit {found[0]}.")
                    return (found[0],)
        finally:
            wire.close()
        if not found:
            raise NobodyError(f"None of {len(self._asked.units)} unit ids answered.")
        return tuple(found)

    async def _met(self, wire: ProbeWire, units: tuple[int, ...]) -> list[_Found]:
        """Each unit's first words: what it is and how it is to be read."""
        found, silent = [], []
        for unit in units:
            self._say(f"Asking unit {unit}.")
            try:
                found.append(await self._first(wire, unit))
            except NobodyError as nobody:
                silent.append(str(nobody))
                self._say(str(nobody))
        if not found:
            raise NobodyError(silent[0] if len(silent) == 1 else f"None of {len(silent)} units could be read.")
        return found

    async def _first(self, wire: ProbeWire, unit: int) -> _Found:
        about = self._asked.about.get(unit, AboutUnit())
        registers = self._asked.registers or about.registers
        if registers is not None:
            return _Found(unit, about.facts, registers, MapPoll(registers, around=True))
        if not self._asked.scan:
            try:
                told = await wire.converse(unit, describe(self._now_ms()))
            except UnansweredError as error:
                if error.refused.code in GATEWAY:
                    raise NobodyError(f"Unit {unit}: {refusal(error.refused.code)}.") from None
                if error.refused == SILENCE and not await wire.converse(unit, somebody()):
                    raise NobodyError(await wire.why_silent(unit)) from None
                told = Described(None, {}, trouble(error.refused))
            if told.found is not None and (own := described(told.found, about.facts.role)) is not None:
                facts = about.facts if about.facts.role != UNKNOWN else replace(about.facts, role=role_of(told.found))
                poll = MapPoll(own, around=False)
                return _Found(unit, facts, own, poll, True, told.identity, list(told.found.notes))
            self._say("It does not describe itself (SunSpec); looking for registers that answer.")
        found = _Found(unit, about.facts, None, None)
        await self._scanned(wire, found)
        return found

    async def _scanned(self, wire: ProbeWire, found: _Found) -> None:
        words: dict[Place, int] = {}
        for table in Table:
            words.update(await wire.converse(found.unit, scan(self._asked.ranges, table)))
        if not words and not await wire.converse(found.unit, somebody()):
            raise NobodyError(await wire.why_silent(found.unit))
        looked = ", ".join(f"{first}-{last}" for first, last in self._asked.ranges)
        found.notes.append(f"Looked at {looked} in both tables (--scan looks elsewhere).")
        found.samples.append(Sample(self._now_ms(), words))

    async def _polled(self, wire: ProbeWire, found: list[_Found]) -> None:
        apart_s = self._asked.seconds / (POLLS - 1)
        polls = POLLS if self._asked.seconds > 0 else 1
        began = self._clock.monotonic()
        for turn in range(polls):
            if turn:
                await self._clock.sleep_until(began + turn * apart_s)
            self._say(f"Poll {turn + 1} of {polls}.")
            for one in found:
                if one.poll is None and turn == 0:
                    continue  # the scan was its first
                try:
                    one.samples.append(await self._once(wire, one))
                except (NobodyError, UnansweredError) as error:
                    told = f"{trouble(error.refused)}." if isinstance(error, UnansweredError) else str(error)
                    if not one.samples:
                        self._say(told)
                    one.notes.append(f"Poll {turn + 1} failed. {told}")
            # What does not answer at once is given up: nobody waits beside a device for nothing.
            gone = [one for one in found if not one.samples]
            if len(gone) == len(found):
                raise NobodyError(found[0].notes[0].partition("failed. ")[2])
            found[:] = [one for one in found if one.samples]

    async def _once(self, wire: ProbeWire, one: _Found) -> Sample:
        if one.poll is None:
            places = tuple(one.samples[0].words)
            return Sample(self._now_ms(), await wire.converse(one.unit, again(places)))
        try:
            words = await wire.converse(one.unit, one.poll.read(self._now_ms()))
        except UnansweredError as error:
            if error.refused == SILENCE:
                raise NobodyError(await wire.why_silent(one.unit)) from None
            raise
        for table, refused in one.poll.refused.items():
            note = f"It does not answer for {table.name.lower()} registers ({refusal(refused.code)})."
            if note not in one.notes:
                one.notes.append(note)
        return Sample(self._now_ms(), words)

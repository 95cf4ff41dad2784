"""The facts of the silence table for one inverter, point by point, as columns.

Rule: a fact at a point rests on nothing later. What an interface is powered by is learned from nights gone by. A
register proves generation only by what it counted after the inverter was last seen to generate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.align.window import Bools, Counter, Ints, Window
from watcher.detect.scene import Scene, ac_power, heard, last_true, middle_value
from watcher.detect.silence import (
    BoardFact,
    GridFact,
    InterfaceFact,
    InverterFact,
    MeterFact,
    Outcome,
    SunFact,
    decide,
)
from watcher.domain.finding import Finding
from watcher.domain.instant import MINUTE_MS, POINTS_A_DAY
from watcher.domain.quantity import BOARD
from watcher.domain.site import Source, SourceKind

Fact = InverterFact | MeterFact | GridFact | SunFact | BoardFact | InterfaceFact
Facts = npt.NDArray[np.int8]
"""A fact per point, as its place in its enumeration."""

GRID_VOLTAGE_V = 50.0
"""Under this no mains is connected."""


@dataclass(frozen=True, slots=True)
class Presence:
    """One column a fact; see silence.py.

    last_heard_ms: when the inverter was last heard, 0 before the first
    meter_heard_ms: the same of the meter; 0 where there is none
    """

    inverter: Facts
    meter: Facts
    grid: Facts
    sun: Facts
    board: Facts
    interface: Facts
    last_heard_ms: Ints
    meter_heard_ms: Ints

    def outcomes(self) -> tuple[list[Outcome], Ints]:
        """The outcomes that occur, and for each point the place of its own among them."""
        columns = (self.inverter, self.meter, self.grid, self.sun, self.board, self.interface)
        places = tuple(column.astype(np.int64) for column in columns)
        code_of = np.ravel_multi_index(places, _SIZES)
        codes = np.flatnonzero(np.bincount(code_of, minlength=int(np.prod(_SIZES))))
        place_of = np.zeros(int(np.prod(_SIZES)), dtype=np.int64)
        place_of[codes] = np.arange(len(codes))
        found = []
        for code in codes:
            at = [int(place) for place in np.unravel_index(code, _SIZES)]
            inverter, meter, grid, sun, board, interface = (
                options[place] for options, place in zip(_OPTIONS, at, strict=True)
            )
            found.append(decide(inverter, meter, grid, sun, board, interface))  # type: ignore[arg-type]
        return found, place_of[code_of]


_OPTIONS: tuple[list[Fact], ...] = (
    list(InverterFact),
    list(MeterFact),
    list(GridFact),
    list(SunFact),
    list(BoardFact),
    list(InterfaceFact),
)
_BOARD_PATIENCE = 2  # intervals: it says every five minutes that it is there
_SIZES = tuple(len(options) for options in _OPTIONS)


def presence(scene: Scene, inverter: str) -> Presence:
    """The facts of an inverter and of the meter that covers it alone."""
    return scene.once(("presence", inverter), lambda: _presence(scene, inverter))


def _presence(scene: Scene, inverter: str) -> Presence:
    n = scene.window.points
    last_heard_ms, every_s = device_heard_ms(scene, inverter)
    is_heard = heard(scene.window, last_heard_ms, every_s)
    rating_w = scene.site.inverter(inverter).ac_limit_w
    found = ac_power(scene, inverter)
    producing = np.zeros(n, dtype=bool)
    if found is not None:
        usable = ~np.isnan(found[0]) & (found[1] <= scene.window.ends())
        at = last_true(usable)
        producing = (at >= 0) & (found[0][at] > 0.002 * rating_w) & is_heard
    inverter_fact = _pick(n, [(~is_heard, InverterFact.SILENT), (producing, InverterFact.PRODUCING)], InverterFact.IDLE)
    board_heard = board_was_heard(scene, inverter)
    worked = last_true(producing)
    worked_ms = np.where(worked >= 0, scene.window.ends()[worked], 0)
    # Until then a register may have counted what the inverter was still seen to make.
    since_ms = np.select([producing, is_heard], [np.zeros(n, dtype=np.int64), worked_ms], last_heard_ms)
    meter, meter_heard_ms = _meter(scene, inverter, since_ms)
    return Presence(
        inverter=inverter_fact,
        meter=meter,
        grid=_grid(scene, inverter),
        sun=_pick(n, [(_must_work(scene, inverter), SunFact.UP)], SunFact.DOWN),
        board=_pick(n, [(board_heard, BoardFact.HEARD)], BoardFact.NOT_HEARD),
        interface=_interface(scene, is_heard, board_heard),
        last_heard_ms=last_heard_ms,
        meter_heard_ms=meter_heard_ms,
    )


def device_heard_ms(scene: Scene, device: str) -> tuple[Ints, float]:
    """When any channel of a device was last heard [ms], 0 before the first, and how often it is asked [s]."""
    window = scene.window
    source = scene.site.source_of(device)
    every_s = max(source.every_s, source.period_s) if source else 60.0
    latest = np.zeros(window.points, dtype=np.int64)
    for name, counter in window.counters.items():
        if name.partition(".")[0] == device:
            latest = np.maximum(latest, counter.seen_ms)
    ends = window.ends()
    anything = np.zeros(window.points, dtype=bool)
    for name, gauge in window.gauges.items():
        if name.partition(".")[0] == device:
            anything |= ~np.isnan(gauge.value) & (gauge.known_ms <= ends)
    at = last_true(anything)
    return np.maximum(latest, np.where(at >= 0, ends[at], 0)), every_s


def board_was_heard(scene: Scene, device: str) -> Bools:
    """Where our own board was there to listen to a device. A history from a file has no board: then always.

    A device behind a broker is heard only through it, so there the board says of each that the broker was reached.
    """
    source = scene.site.source_of(device)
    if source is not None and source.kind is SourceKind.FILE:
        return np.ones(scene.window.points, dtype=bool)
    behind_broker = source is not None and source.kind is SourceKind.MQTT
    gauge = scene.window.gauge(f"{BOARD}.{device}.uptime" if behind_broker else f"{BOARD}.uptime")
    if gauge is None:
        return np.zeros(scene.window.points, dtype=bool)
    there = last_true(~np.isnan(gauge.value))
    return np.asarray((there >= 0) & (np.arange(scene.window.points) - there <= _BOARD_PATIENCE))


def _must_work(scene: Scene, inverter: str) -> Bools:
    """Sun enough that a healthy inverter is awake whatever the weather."""
    expectation = scene.expected.by_subject.get(inverter)
    high = scene.expected.sun_elevation_deg > scene.limit(Finding.INVERTER_SILENT, "sun_deg")
    if expectation is None:
        return np.asarray(high)
    rating_w = scene.site.inverter(inverter).ac_limit_w
    return np.asarray(high & (expectation.bound > scene.limit(Finding.INVERTER_SILENT, "bound_share") * rating_w))


def register_of(window: Window, meter: str) -> Counter | None:
    """The register of a meter: its index, or the pulses it sent."""
    return window.counter(f"{meter}.energy_index") or window.counter(f"{meter}.pulse_count")


def _meter(scene: Scene, inverter: str, since_ms: Ints) -> tuple[Facts, Ints]:
    """Of the first automatically read meter that covers this inverter alone, and when it was last heard.

    It moves where it lately counted between two readings that both lie after since_ms. A meter that is shared with
    other inverters can be silent; what it counts says nothing about this one.
    """
    window, n = scene.window, scene.window.points
    read = [meter for meter in scene.site.meters_covering(inverter) if _is_read(scene.site.source_of(meter.id))]
    alone = [meter for meter in read if meter.covers == (inverter,)]
    for meter in alone or read:
        register = register_of(window, meter.id)
        if register is None:
            continue
        seen_ms, every_s = device_heard_ms(scene, meter.id)
        silent = (~heard(window, seen_ms, every_s), MeterFact.SILENT)
        if not alone:
            return _pick(n, [silent], MeterFact.NONE), seen_ms
        patience_ms = max(30 * MINUTE_MS, int(2500 * every_s))
        counted = last_true(register.booked_mwh > 0)  # over a gap in its readings nobody knows when
        moved_ms = np.where(counted >= 0, register.moved_ms[counted], 0)
        moves = (moved_ms > 0) & (window.ends() - moved_ms <= patience_ms)
        moves &= (since_ms == 0) | (moved_ms > since_ms + int(1000 * every_s))
        return _pick(n, [silent, (moves, MeterFact.MOVING)], MeterFact.STILL), seen_ms
    return _pick(n, [], MeterFact.NONE), np.zeros(n, dtype=np.int64)


def _is_read(source: Source | None) -> bool:
    return source is not None and source.kind is not SourceKind.TYPED


def _grid(scene: Scene, inverter: str) -> Facts:
    n = scene.window.points
    gauge = scene.window.gauge(f"{inverter}.l1.ac_voltage")
    if gauge is None:
        return _pick(n, [], GridFact.UNKNOWN)
    with np.errstate(invalid="ignore"):
        seen, absent = gauge.value >= GRID_VOLTAGE_V, gauge.value < GRID_VOLTAGE_V
    return _pick(n, [(seen, GridFact.SEEN), (absent, GridFact.ABSENT)], GridFact.UNKNOWN)


def _interface(scene: Scene, is_heard: Bools, board_heard: Bools) -> Facts:
    """Heard through most earlier nights: powered from the mains side; never by night: from the panels."""
    n = scene.window.points
    night = (scene.expected.sun_elevation_deg < -6.0) & board_heard
    facts = _pick(n, [], InterfaceFact.UNKNOWN)
    nights: list[float] = []
    for day in range(-(-n // POINTS_A_DAY)):
        part = slice(day * POINTS_A_DAY, (day + 1) * POINTS_A_DAY)
        if len(nights) >= 2:
            share = middle_value(np.array(nights))
            facts[part] = _place(InterfaceFact.AC if share > 0.5 else InterfaceFact.DC)
        # A night counts only on a day on which the inverter was heard at all.
        if bool(is_heard[part].any()) and int(night[part].sum()) >= 12:
            seen = is_heard[part][night[part]]
            nights.append(np.count_nonzero(seen) / len(seen))
    return facts


def _pick(n: int, choices: list[tuple[Bools, Fact]], otherwise: Fact) -> Facts:
    """The first choice whose mask holds."""
    facts = np.full(n, _place(otherwise), dtype=np.int8)
    for mask, fact in reversed(choices):
        facts[mask] = _place(fact)
    return facts


def _place(fact: Fact) -> int:
    return list(type(fact)).index(fact)

"""meter-night-energy: a generation meter counts at night, when nothing can be generated.

Rule: a night is told by the sun, well below the horizon, and by the register at its two ends. What an inverter with a
battery on its DC side, or a battery's own, says it gave is left out: that is on file. Twice in five nights is no
chance. A few watts all night, every night, are told as well, but as what they are: an inverter's own needs on a
register that adds them, or a register that creeps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from watcher.align.possible import is_battery
from watcher.align.window import Bools, Window
from watcher.detect.meter_sides import Register, side_of
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, mwh, unknown
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, POINTS_A_DAY
from watcher.domain.site import MeterRole, Site, Storage

CODES = (
    "meter-night-energy.not-judged",
    "meter-night-energy.stands-still",
    "meter-night-energy.counts",
    "meter-night-energy.one-night",
    "meter-night-energy.counts-little",
    "meter-night-energy.between",
)
_STILL, _COUNTS, _ONE, _LITTLE, _BETWEEN = 1, 2, 3, 4, 5
CAUSES = (
    (),
    ("battery-discharge",),
    ("grid-charging",),
    ("own-need-or-creep",),
    ("battery-discharge", "grid-charging", "other-circuit"),
)
_DISCHARGE, _CHARGING, _STANDBY, _ANY = 1, 2, 3, 4

NIGHTS = 5
"""So many nights are looked at together."""

SHORT = POINTS_A_DAY // 16
"""A dark stretch shorter than this is a twilight, or cut by the window."""

BLOCK = 0.8
"""A charge or a discharge puts so much of a night's energy into a part of it."""

OWN_SHARE = 0.1
"""What an inverter says it gave at night and what its meter counts may differ by so much: both their errors at low
load (common practice, no source)."""


class Night(NamedTuple):
    """first, stop: its intervals since the first reading in it. energy: counted beyond what is on file [Wh]. given: by
    the inverters, whether that is on file or not; taken: by them from the mains, as far as they tell [Wh]
    """

    first: int
    stop: int
    energy_wh: float
    given_wh: float
    taken_wh: float = 0.0
    on_file: bool = False

    @property
    def power_w(self) -> float:
        return self.energy_wh / ((self.stop - self.first) * GRID_MS / HOUR_MS)


def _beyond(night: Night) -> float:
    """What a night counted beyond what a register of its own may be out by on what the battery gave. [Wh]"""
    return night.energy_wh - OWN_SHARE * night.given_wh


class MeterNightEnergy:
    name = Finding.METER_NIGHT_ENERGY

    def subjects(self, site: Site) -> tuple[str, ...]:
        inverters = {inverter.id for inverter in site.inverters}
        return tuple(
            meter.id
            for meter in site.meters
            if meter.role is MeterRole.GENERATION and meter.covers and inverters.issuperset(meter.covers)
        )

    def judge(self, scene: Scene, subject: str) -> Judgement:
        window, meter = scene.window, scene.site.meter(subject)
        step = 1000.0 * meter.resolution_wh
        register = side_of(scene, subject, ("energy_index", "pulse_count"), step)
        if not isinstance(register, Register):
            return unknown(scene, self.name, subject, CODES[0])
        site = scene.site
        batteries = {inverter.id for inverter in site.inverters if is_battery(site, inverter)}
        given = {name: "battery_discharge_energy" if name in batteries else "ac_energy" for name in meter.covers}
        covered = {name: side_of(scene, name, (register,), step) for name, register in given.items()}
        storing = {inverter.id for inverter in site.inverters if inverter.storage is Storage.DC} | batteries
        n = window.points
        verdict, code, cause = (np.zeros(n, dtype=np.int8) for _ in range(3))
        onset, units = (np.zeros(n, dtype=np.int64) for _ in range(2))
        observed = np.full(n, np.nan)
        facts: dict[int, Mapping[str, str | float]] = {}
        much = max(scene.limit(self.name, "steps") * meter.resolution_wh, scene.limit(self.name, "least_wh"))
        little = max(scene.limit(self.name, "little_steps") * meter.resolution_wh, scene.limit(self.name, "little_wh"))
        nights: list[Night] = []
        for first, stop in _dark(scene.expected.sun_elevation_deg < -scene.limit(self.name, "sun_deg")):
            night = _night(register, covered, storing, first, stop)
            if night is None:
                continue
            nights.append(night)
            at, lately = stop - 1, nights[-NIGHTS:]
            least = max(much, OWN_SHARE * night.given_wh if storing else 0.0)
            over = [one for one in lately if one.energy_wh > least]
            observed[at], units[at] = night.energy_wh, 1
            if night.energy_wh > least:
                told = len(over) >= scene.limit(self.name, "nights")
                verdict[at], code[at] = (FAULT, _COUNTS) if told else (UNKNOWN, _ONE)
                cause[at] = _cause(register, over, scene.limit(self.name, "little_w")) if told else 0
            elif len(lately) == NIGHTS and not over and sum(map(_beyond, lately)) > little:
                verdict[at], code[at], cause[at] = FAULT, _LITTLE, _STANDBY
                over = lately
            elif night.energy_wh <= least / 2.0:
                verdict[at], code[at] = OK, _STILL
            else:
                code[at] = _BETWEEN
            if verdict[at] == FAULT:
                onset[at] = window.start_ms + GRID_MS * over[0].first
                facts[at] = {
                    "night_kwh": round(sum(one.energy_wh for one in over) / 1000.0, 3),
                    "nights": float(len(over)),
                    "power_w": round(float(np.mean([one.power_w for one in over])), 1),
                    "serial": meter.serial,
                }
        zero = np.zeros(n)
        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=code,
            codes=CODES,
            cause=cause,
            cause_sets=CAUSES,
            observed=observed,
            expected=np.where(np.isnan(observed), np.nan, 0.0),
            unit="Wh",
            onset_ms=onset,
            onset_low_ms=np.where(onset > 0, onset - DAY_MS, 0),
            onset_high_ms=np.where(onset > 0, onset + DAY_MS // 4, 0),
            loss_mwh=zero,
            arrears_mwh=zero,
            loss_share=0.0,
            evidence=lambda point: facts.get(point, {}),
            units=units,
        )


def _dark(below: Bools) -> list[tuple[int, int]]:
    """First interval and the one after the last of each night that lies whole in the window."""
    edges = np.flatnonzero(np.diff(below.astype(np.int8), prepend=0, append=0))
    pairs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return [(first, stop) for first, stop in pairs if first > 0 and stop < len(below) and stop - first >= SHORT]


def _night(register: Register, covered: Mapping[str, object], storing: set[str], first: int, stop: int) -> Night | None:
    """None where the night cannot be told: an end unseen, a register that leapt, a battery's share not known."""
    found = _counted(register, first, stop)
    if found is None:
        return None
    begin, counted = found
    given = 0.0
    for name, side in covered.items():
        own = _counted(side, first, stop) if isinstance(side, Register) else None
        if own is None and name in storing:
            return None
        given += 0.0 if own is None else own[1]
    allowed = given if storing else 0.0
    taken = sum(_taken_mwh(register.window, name, begin, stop) for name in covered)
    return Night(begin, stop, (counted - allowed) / 1000.0, given / 1000.0, taken / 1000.0, bool(storing))


def _taken_mwh(window: Window, inverter: str, first: int, stop: int) -> float:
    """What an inverter says it drew from the mains, as known when the night ended. [mWh] 0 where it does not tell."""
    gauge = window.gauge(f"{inverter}.ac_power")
    if gauge is None:
        return 0.0
    known = gauge.known_ms[first:stop] <= window.start_ms + GRID_MS * stop
    return float(np.nansum(mwh(np.maximum(-gauge.value[first:stop][known], 0.0))))


def _counted(register: Register, first: int, stop: int) -> tuple[int, float] | None:
    """The interval after that of the first reading in the dark, and what was counted from there on. [mWh]

    Only by what was known when the night ended. None where the register was not seen within an hour of both ends, or
    shows something else than it has counted: it leapt, began anew, or went on unseen.
    """
    counter, start_ms = register.counter, register.window.start_ms + GRID_MS * first
    reading = int(np.searchsorted(counter.seen_ms, start_ms))
    if reading >= min(first + HOUR_MS // GRID_MS, stop - 1):
        return None
    if counter.seen_ms[stop - 1] < register.window.start_ms + GRID_MS * stop - HOUR_MS:
        return None
    counted = float(counter.booked_mwh[reading + 1 : stop].sum())
    shown = 1000.0 * (counter.shown_wh[stop - 1] - counter.shown_wh[reading])
    return (reading + 1, counted) if abs(shown - counted) <= register.step_mwh else None  # NaN is not


def _cause(register: Register, nights: Sequence[Night], little_w: float) -> int:
    """By who says it too, by how much it is, and by the hours it falls in."""
    energy = sum(one.energy_wh for one in nights)
    if sum(one.taken_wh for one in nights) > 0.6 * energy and not all(one.power_w <= little_w for one in nights):
        return _CHARGING
    if sum(one.given_wh for one in nights if not one.on_file) > 0.6 * energy:
        return _DISCHARGE  # only a battery lets an inverter give something at night
    if all(one.power_w <= little_w for one in nights):
        return _STANDBY
    votes = [_block(register, one) for one in nights]
    for found in (_DISCHARGE, _CHARGING):
        if votes.count(found) > len(votes) / 2:
            return found
    return _ANY


def _block(register: Register, night: Night) -> int:
    """Whether a night's energy stands in its first half or in a block after the evening; 0 where it is spread."""
    energy = register.counter.booked_mwh[night.first : night.stop]
    total = float(energy.sum())
    if total <= 0.0:
        return 0
    reached = np.cumsum(energy)
    begin = int(np.searchsorted(reached, (1.0 - BLOCK) / 2.0 * total))
    end = int(np.searchsorted(reached, (1.0 + BLOCK) / 2.0 * total))
    length = night.stop - night.first
    if end - begin > 0.5 * length:
        return 0
    return _DISCHARGE if end < 0.5 * length else _CHARGING

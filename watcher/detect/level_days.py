"""The days of an inverter as `output-low` sees them, and the state of its level after each.

Rule: a day is judged with what was known at a point; days before the window come back as the figures that were left
when they settled. What a figure keeps is whatever the next day needs, and nothing of a day judged under other facts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import Enum
from functools import lru_cache
from typing import NamedTuple
from zlib import crc32

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.detect.area import Area
from watcher.detect.clear_spells import clear_ratio
from watcher.detect.level import BANK, HIGHEST_NOON_DEG, KEPT_DAYS, Level, Ratio, State, kept
from watcher.detect.scene import Judgement, mwh
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.site import Site
from watcher.expect.expectation import Basis


class Status(Enum):
    """The values stand in the ledger; a day that was not judged is a 0 there."""

    LOW = 1.0
    BETWEEN = 2.0
    FINE = 3.0


class Sums(NamedTuple):
    """Of a day as known at a point: made and allowed [mWh], the bound over what counts and in all [W].

    basis: the poorest that serves at least a quarter of it. clearness: allowed of what a clear sky would give
    clear: ratio of its clear spells, where it had some
    """

    made_mwh: float
    allowed_mwh: float
    bound_seen: float
    bound_whole: float
    basis: Basis
    clearness: float
    clear: float | None


@dataclass(frozen=True, slots=True)
class Columns:
    """What the days are added up from. known_ms: when an interval's power and expectation are both known.

    temp_air, sun_deg, ac_limit_w: for its clear spells
    bounds: first interval and the one after the last, by civil day
    stood_from_ms: for days on which it did not generate at all for a while, since when that is known
    blamed: what explains days, by what it was found of. around: what neighbours tell of the area, if they are asked
    Every settling point looks at all days before it, and mostly finds each as it was: what was added up is kept.
    """

    power: Floats
    expected: Floats
    bound: Floats
    both: Bools
    known_ms: Ints
    temp_air: Floats
    sun_deg: Floats
    ac_limit_w: float
    bounds: Mapping[date, tuple[int, int]]
    basis: Callable[[slice, Bools], Basis]
    stood_from_ms: Mapping[date, int]
    blamed: Sequence[tuple[str, Judgement]] = ()
    around: Area | None = None
    explained: dict[tuple[int, int], int] = field(default_factory=dict)
    _done: dict[tuple[date, bytes], Sums] = field(default_factory=dict)

    def sums(self, day: date, point_ms: int) -> Sums:
        part = slice(*self.bounds[day])
        chosen = self.both[part] & (self.known_ms[part] <= point_ms)
        key = (day, chosen.tobytes())
        if key not in self._done:
            columns = (self.power, self.expected, self.bound, self.temp_air, self.sun_deg)
            content = b"".join(column[part].tobytes() for column in columns)
            found = _added_up(content, chosen.tobytes(), self.ac_limit_w)
            self._done[key] = found._replace(basis=self.basis(part, chosen))
        return self._done[key]


@lru_cache(maxsize=128)
def _added_up(content: bytes, chosen: bytes, ac_limit_w: float) -> Sums:
    """The sums of a day, on no basis yet. From one day to the next nearly all days of the window are the same.

    content: of power, expected, bound, air and sun, one after the other
    """
    power, expected, bound, temp_air, sun_deg = np.frombuffer(content).reshape(5, -1)
    used = np.frombuffer(chosen, dtype=bool)
    allowed, bound_seen = expected[used], float(np.sum(bound[used]))
    return Sums(
        float(np.sum(mwh(np.maximum(power[used], 0.0)))),
        float(np.sum(mwh(allowed))),
        bound_seen,
        float(np.sum(bound)),
        Basis.NONE,
        min(float(np.sum(allowed)) / bound_seen, 1.0) if bound_seen > 0.0 else 0.0,
        clear_ratio(power, bound, expected, temp_air, sun_deg, ac_limit_w, used),
    )


@dataclass(frozen=True, slots=True)
class Day:
    """One civil day as known at a point: intervals first..last-1 of the window.

    allowed_mwh: by the reference. expected_mwh: that at the plant's usual level; share: made of it
    explained: a code or 0. status: None where it was not judged. state: of the level after it
    basis: of what was allowed
    offset: ln of its clear spells' ratio less that of the day by the reference, None where it had no such spells
    """

    day: date
    first: int
    last: int
    made_mwh: float
    allowed_mwh: float
    expected_mwh: float
    explained: int
    status: Status | None
    share: float
    ratio: Ratio | None
    state: State
    basis: Basis
    offset: float | None = None

    @property
    def missing_mwh(self) -> float:
        return float(np.round(max(self.expected_mwh - self.made_mwh, 0.0)))

    def figure(self, finding: Finding, subject: str, facts: float, revision: int, settled_ms: int) -> DayFigure:
        """What is kept of it. facts: a number of those it was judged under"""
        values = {"on_file": facts, "status": 0.0, "allowed_wh": self.allowed_mwh / 1000.0}
        if self.status is not None and self.ratio is not None:
            values |= {"status": self.status.value, "made_wh": self.made_mwh / 1000.0}
            values |= state_values(self.ratio, self.state)
            if self.offset is not None:
                values["clear_offset"] = self.offset
        return DayFigure(finding, subject, self.day, revision, settled_ms, values)


@dataclass(frozen=True, slots=True)
class Before:
    """What the days before the window left. ratios: made of allowed on those that were not low. state: after them

    offsets: of the days that had clear spells, the newest last
    allowed_mwh: by day, since the last of them can belong to a loss that goes on
    """

    ratios: tuple[float, ...] = ()
    state: State = field(default_factory=State)
    allowed_mwh: Mapping[date, float] = field(default_factory=dict)
    offsets: tuple[float, ...] = ()


def on_file(site: Site, subject: str) -> float:
    """A number of the facts an inverter's expectation rests on: days judged under other facts are no measure."""
    return float(crc32(repr((site.inverter(subject), site.arrays_of(subject))).encode()))


def before(figures: Iterable[DayFigure], facts: float, first: date | None) -> Before:
    """From the figures of the days before `first`, ascending. facts: a number of those they were judged under"""
    if first is None:
        return Before()
    under = [one for one in figures if one.day < first and one.values["on_file"] == facts]
    judged = [one for one in under if one.values["status"] > 0.0]
    ratios = tuple(
        one.values["made_wh"] / one.values["allowed_wh"] for one in judged if one.values["status"] > Status.LOW.value
    )
    allowed = {one.day: one.values["allowed_wh"] * 1000.0 for one in under}
    offsets = tuple(one.values["clear_offset"] for one in judged if "clear_offset" in one.values)
    return Before(ratios, state_of(judged), allowed, offsets)


_CHUNK = 48
"""Days whose membership of the level stands in one number: a float holds so many bits exactly."""

_LEVEL = ("log", "se", "age", "factor", "lag", "noon_deg")


def state_values(ratio: Ratio, state: State) -> dict[str, float]:
    """Everything of a state but its days, which have figures of their own; what is 0 is left out."""
    values = {
        "log": ratio.log,
        "sigma": ratio.sigma,
        "noon_deg": ratio.noon_deg,
        "doubtful": float(ratio.doubtful),
        "before": state.before,
        "alarmed": float(state.alarmed),
        "loss": state.loss,
        "closed": float(state.closed),
        "above": float(state.above),
    }
    values |= {f"sum_{place}": total for place, total in enumerate(state.sums)}
    values |= {f"since_{place}": float(first) for place, first in enumerate(state.since)}
    if state.level is not None:
        values |= {f"level_{name}": float(getattr(state.level, name)) for name in _LEVEL}
    joined: dict[int, int] = {}
    for one in state.days:
        if one.joins:
            chunk, bit = divmod(ratio.day - one.day, _CHUNK)
            joined[chunk] = joined.get(chunk, 0) | 1 << bit
    values |= {f"joined_{chunk}": float(bits) for chunk, bits in joined.items()}
    return {name: value for name, value in values.items() if value}


@lru_cache(maxsize=8192)
def _ratio_of(figure: DayFigure, joins: bool) -> Ratio:
    values = figure.values
    return Ratio(
        figure.day.toordinal(),
        values.get("log", 0.0),
        values["sigma"],
        bool(values.get("doubtful", 0.0)),
        joins,
        values.get("clear_offset", math.nan),
        values.get("noon_deg", HIGHEST_NOON_DEG),
    )


def state_of(judged: Sequence[DayFigure]) -> State:
    """The state after the last of these days."""
    if not judged:
        return State()
    last = judged[-1].values
    today = judged[-1].day.toordinal()

    def value(name: str) -> float:
        return last.get(name, 0.0)

    chunks = [int(value(f"joined_{chunk}")) for chunk in range((today - judged[0].day.toordinal()) // _CHUNK + 1)]
    days = []
    for one in judged:
        chunk, bit = divmod(today - one.day.toordinal(), _CHUNK)
        joins = bool(chunks[chunk] >> bit & 1)
        if joins or today - one.day.toordinal() <= KEPT_DAYS:  # others would not be kept
            days.append(_ratio_of(one, joins))
    return State(
        kept(tuple(days), today),
        tuple(value(f"sum_{place}") for place in range(len(BANK))),
        tuple(int(value(f"since_{place}")) for place in range(len(BANK))),
        value("before"),
        Level(*(value(f"level_{name}") for name in _LEVEL)) if value("level_factor") else None,
        int(value("alarmed")),
        value("loss"),
        int(value("closed")),
        int(value("above")),
    )

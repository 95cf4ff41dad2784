"""What people read from the meters of a fleet: quarter by quarter, late or early, sometimes not, sometimes wrong.

Rule: the register is what was counted; a slip of the pen changes what was written down and nothing else. Every slip is
kept beside the readings, so that whoever claims to find it can be held to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watcher.align.window import Floats
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS
from watcher.simulate.fleet import BEGIN_MS, END_MS, FleetHome

QUARTER_MS = round(365.25 / 4 * DAY_MS)
DIGITS = 5


@dataclass(frozen=True, slots=True)
class Written:
    """kwh: what was written. true_kwh: what the display showed. slip: "" or what kind of mistake it is"""

    at_ms: int
    kwh: float
    true_kwh: float
    slip: str = ""


@dataclass(frozen=True, slots=True)
class Exchanged:
    """A meter exchange as it stands in the papers. [kWh]"""

    at_ms: int
    final_kwh: float
    opening_kwh: float


@dataclass(frozen=True, slots=True)
class Book:
    """The readings of one home in order of time."""

    readings: tuple[Written, ...]
    exchange: Exchanged | None = None


def keep_book(home: FleetHome, counted: Floats, rng: np.random.Generator, slips: float = 0.03) -> Book:
    """counted: by hour [Wh]. slips: share of the readings that are mistyped"""
    sums = np.concatenate(([0.0], np.cumsum(counted))) / 1000.0
    hours = BEGIN_MS + HOUR_MS * np.arange(len(sums), dtype=np.int64)
    exchange = None
    if home.meter_exchange_ms:
        final = _shown(home.index_kwh + float(np.interp(home.meter_exchange_ms, hours, sums)), home.decimals)
        exchange = Exchanged(home.meter_exchange_ms, final, 0.0)

    def display(at_ms: int) -> float:
        total = float(np.interp(at_ms, hours, sums))
        if exchange is not None and at_ms > exchange.at_ms:
            return _shown(total - float(np.interp(exchange.at_ms, hours, sums)), home.decimals)
        return _shown(home.index_kwh + total, home.decimals)

    found: list[Written] = []
    habit_days = float(rng.uniform(2.0, 12.0))
    for n in range(int((END_MS - BEGIN_MS) / QUARTER_MS) + 1):
        at_ms = BEGIN_MS + n * QUARTER_MS + int(rng.normal(0.0, habit_days)) * DAY_MS
        at_ms += int(rng.uniform(8.0, 20.0) * 60) * MINUTE_MS
        missed = rng.random() < 0.08 and 0 < n < 39
        if missed or not BEGIN_MS <= at_ms < END_MS or (found and at_ms < found[-1].at_ms + 20 * DAY_MS):
            continue
        true = display(at_ms)
        slip, written = "", true
        if rng.random() < slips and found:
            slip, written = _slip(true, rng)
        if written == true:
            slip = ""
        found.append(Written(at_ms, written, true, slip))
    return Book(tuple(found), exchange)


def _shown(kwh: float, decimals: int) -> float:
    step = 10**decimals
    return float(np.floor(kwh * step) / step % 10**DIGITS)


def _slip(true: float, rng: np.random.Generator) -> tuple[str, float]:
    whole, part = divmod(true, 1.0)
    digits = list(f"{int(whole):05d}")
    kind = str(rng.choice(["exchanged", "misread", "tenth-read", "dropped"]))
    if kind == "exchanged":
        places = [n for n in range(4) if digits[n] != digits[n + 1]]
        n = int(rng.choice(places)) if places else 0
        digits[n], digits[n + 1] = digits[n + 1], digits[n]
    elif kind == "misread":
        n = int(rng.integers(1, 4))
        digits[n] = str((int(digits[n]) + int(rng.choice([1, 3, 5, 7]))) % 10)
    elif kind == "tenth-read":
        return kind, float(int(whole) * 10 + int(part * 10))
    else:
        n = int(rng.integers(0, 5))
        return kind, float(int("".join(digits[:n] + digits[n + 1 :])))
    return kind, float(int("".join(digits))) + round(part, 1)

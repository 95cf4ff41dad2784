"""Whether a reading as it is typed can be right, and what was meant where a slip of the pen explains it.

Rules: a reading is held against the display's digits, the readings around it, what the plant can make in the time, and
what the inverter or the sunshine says of it. A reading that is odd is asked about, never refused: the person may be
right. A value is offered only where one kind of slip leads to one value that fits.

Less than the sunshine promised is no slip by itself: that is what readings are there to tell. It is asked about only
where a slip would explain it, while less than the inverter itself counted always is.

Without the model stack, since readings are checked where they are typed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import combinations

from watcher.align.possible import ROLLOVER_FACTOR
from watcher.align.typed import MeterLife, Standing, TypedReading, gone_round_wh

INVERTER_SHARE = 0.15
"""How far a meter and what its inverters say of weeks may differ: errors of both, hours between two looks (B5)."""

ROUNDED_WH = 1000.0
"""People leave the decimals out."""

SUN_LOW, SUN_HIGH = 0.3, 1.5
"""Of what the sunshine promises, outside which a reading is odd: months of shade and dirt, a wrong reference."""

SUN_MEANT = (0.6, 1.3)
"""Of what the sunshine promises, inside which a value may have been meant."""

ROUND_SHARE = 0.1
"""Of its range, that a register which went round can have counted at most for that to be the story."""

FAR_DOWN = 0.5
"""Of the last reading, under which a register may have begun anew; a little back is a slip."""

MOST_DIGITS = 12


class Odd(StrEnum):
    """Why a reading is asked about."""

    TOO_MANY_DIGITS = "too-many-digits"
    BACKWARDS = "backwards"
    STARTED_ANEW = "started-anew"  # far down, near zero: replaced or reset?
    TOO_MUCH = "too-much"
    TOO_LITTLE = "too-little"
    ABOVE_A_LATER_ONE = "above-a-later-one"
    OTHER_SERIAL = "other-serial"


class Slip(StrEnum):
    """What may have happened between the eye and the key."""

    DIGITS_EXCHANGED = "digits-exchanged"
    POINT_MISSING = "point-missing"  # or in another place
    DIGIT_MISREAD = "digit-misread"
    MEGAWATT_HOURS = "megawatt-hours"
    WRONG_REGISTER = "wrong-register"


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """Another register that someone may have read instead, and where it may stand by now. [Wh]"""

    name: str
    low_wh: float
    high_wh: float


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the time between two instants, by who knows it. [Wh]

    inverter_wh, expected_wh: by start and end, what the inverters counted and what the sunshine promises; None where
        that is not known
    elsewhere: other registers as they may stand at the time of reading
    """

    inverter_wh: Callable[[int, int], float | None] = lambda _start_ms, _end_ms: None
    expected_wh: Callable[[int, int], float | None] = lambda _start_ms, _end_ms: None
    elsewhere: Sequence[Elsewhere] = ()


@dataclass(frozen=True, slots=True)
class EntryCheck:
    """odd: None where the reading fits. slip, offered_wh: what explains it, and the value meant, where that is clear

    low_wh, high_wh: where the index should stand; None where nothing says so. most_wh: the most it can have counted
    before_wh: the last good reading's index. fell_wh: how far the reading lies under it
    round_wh: what was counted if the register went round. register: the other register that was read
    """

    odd: Odd | None = None
    slip: Slip | None = None
    offered_wh: float | None = None
    low_wh: float | None = None
    high_wh: float | None = None
    most_wh: float | None = None
    before_wh: float | None = None
    fell_wh: float | None = None
    round_wh: float | None = None
    register: str = ""
    serial: str = ""

    @property
    def fits(self) -> bool:
        return self.odd is None


def index_of(text: str) -> float:
    """The index somebody typed, in kWh as on the display: "41371", "41,371.4 kWh", "41371,4". ValueError otherwise.

    A comma before three last digits parts thousands, any other is the decimal point.
    """
    plain = re.sub(r"\s|_|'", "", text).lower().removesuffix("kwh")
    plain = re.sub(r",(?=[0-9]{3}(?:[^0-9]|$))", "", plain).replace(",", ".")
    if not re.fullmatch(r"[0-9]+(\.[0-9]*)?|\.[0-9]+", plain) or len(plain) > MOST_DIGITS:
        raise ValueError(f"{text!r} is no meter reading: digits, and a point where the display has one")
    return float(plain)


def check_entry(
    text: str,
    at_ms: int,
    life: MeterLife,
    readings: Sequence[TypedReading],
    known: Known | None = None,
    serial: str = "",
) -> EntryCheck:
    """Hold a reading against what is known. ValueError for a text that is no number.

    readings: those typed so far, in order of time; only good ones count. serial: as read from the meter, "" if not
    """
    kwh = index_of(text)
    work = _Check(round(kwh * 1000.0, 3), at_ms, life, readings, known if known is not None else Known())
    in_force = life.serial_at(at_ms)
    if serial and in_force and serial != in_force:
        return EntryCheck(Odd.OTHER_SERIAL, before_wh=work.before_wh, serial=in_force)
    return work.result(_digits(text))


def still_odd(reading: TypedReading, life: MeterLife, readings: Sequence[TypedReading], known: Known) -> Odd | None:
    """What is odd of a reading that was asked about, between the good ones around it as they are now."""
    return _Check(reading.index_wh, reading.at_ms, life, readings, known).odd_of(reading.index_wh)


@dataclass
class _Check:
    value_wh: float
    at_ms: int
    life: MeterLife
    readings: Sequence[TypedReading]
    known: Known
    before_wh: float | None = None
    before_ms: int = 0
    after_wh: float | None = None
    after_ms: int = 0
    most_wh: float = float("inf")
    meant: tuple[float, float] | None = None
    bounds: tuple[float, float] | None = None
    by_sun: bool = False
    modulus_wh: float = field(default=0.0)

    def __post_init__(self) -> None:
        self.modulus_wh = self.life.modulus_wh(self.at_ms)
        self._neighbours()
        if self.before_wh is None:
            return
        self.most_wh = self.life.possible_wh(self.before_ms, self.at_ms, ROLLOVER_FACTOR)
        step_wh = self.life.facts(self.at_ms)[1].resolution_wh
        made_wh = self.known.inverter_wh(self.before_ms, self.at_ms)
        if made_wh is not None:
            margin_wh, round_wh = INVERTER_SHARE * made_wh, max(2.0 * step_wh, ROUNDED_WH)
            self.meant = (made_wh - margin_wh, made_wh + margin_wh)
            self.bounds = (self.meant[0] - round_wh, self.meant[1] + round_wh)
            return
        due_wh = self.known.expected_wh(self.before_ms, self.at_ms)
        if due_wh is not None:
            self.by_sun = True
            self.bounds = (max(0.0, SUN_LOW * due_wh - step_wh), SUN_HIGH * due_wh + 2.0 * step_wh)
            self.meant = (SUN_MEANT[0] * due_wh - step_wh, SUN_MEANT[1] * due_wh + step_wh)

    def _neighbours(self) -> None:
        """The good readings around it, those of an exchange included; not across one that left no opening index."""
        good = [one for one in self.readings if one.standing is Standing.GOOD and one.at_ms != self.at_ms]
        earlier = [(one.at_ms, one.index_wh) for one in good if one.at_ms < self.at_ms]
        later = [(one.at_ms, one.index_wh) for one in good if one.at_ms > self.at_ms]
        for change in self.life.changes:
            if change.opened_ms <= self.at_ms:
                earlier = [one for one in earlier if one[0] > change.opened_ms]
                if change.opening_wh is not None:
                    earlier.insert(0, (change.opened_ms, change.opening_wh))
            elif change.at_ms >= self.at_ms:
                later = [one for one in later if one[0] <= change.at_ms]
                if change.final_wh is not None:
                    later.append((change.at_ms, change.final_wh))
                break
        if earlier:
            self.before_ms, self.before_wh = earlier[-1]
        if later:
            self.after_ms, self.after_wh = later[0]

    def result(self, digits: tuple[str, int]) -> EntryCheck:
        odd = self.odd_of(self.value_wh, len(digits[0][: digits[1]]))
        found = _Found() if odd is None else self._slip(digits)
        if odd is Odd.TOO_LITTLE and self.by_sun and (found.offered_wh is None or self.value_wh == self.before_wh):
            odd, found = None, _Found()
        fell_wh = None if self.before_wh is None else self.before_wh - self.value_wh
        gone_wh = None if fell_wh is None or fell_wh <= 0 else self.modulus_wh - fell_wh
        meant = self.meant
        low_wh, high_wh = (None, None) if meant is None else (self._index(meant[0]), self._index(meant[1]))
        return EntryCheck(
            odd, found.slip, found.offered_wh, low_wh, high_wh,
            None if self.most_wh == float("inf") else self.most_wh,
            self.before_wh, None if gone_wh is None else fell_wh, gone_wh, found.register,
        )  # fmt: skip

    def odd_of(self, value_wh: float, whole_digits: int = 0) -> Odd | None:
        """Why a value is odd; None where it fits."""
        if value_wh >= self.modulus_wh or whole_digits > self.life.facts(self.at_ms)[1].digits:
            return Odd.TOO_MANY_DIGITS
        if self.before_wh is not None:
            gained_wh = value_wh - self.before_wh
            if gained_wh < 0 and (fell := self._fall(value_wh)) is not None:
                return fell
            gained_wh = self._gained(value_wh)
            if gained_wh > self.most_wh or (self.bounds is not None and gained_wh > self.bounds[1]):
                return Odd.TOO_MUCH
            if self.bounds is not None and gained_wh < self.bounds[0]:
                return Odd.TOO_LITTLE
        if self.after_wh is not None and value_wh > self.after_wh:
            round_wh = gone_round_wh(value_wh, self.after_wh, self.modulus_wh)
            if round_wh > self.life.possible_wh(self.at_ms, self.after_ms, ROLLOVER_FACTOR):
                return Odd.ABOVE_A_LATER_ONE
        return None

    def _fall(self, value_wh: float) -> Odd | None:
        """What a value under the last one is; None for a roll-over that the plant can have made."""
        round_wh = self._gained(value_wh)
        if self.most_wh == float("inf"):
            return Odd.BACKWARDS
        if round_wh <= self.most_wh:
            return None
        if round_wh <= ROUND_SHARE * self.modulus_wh:
            return Odd.TOO_MUCH
        far_down = value_wh <= FAR_DOWN * (self.before_wh or 0.0)
        return Odd.STARTED_ANEW if far_down and value_wh <= self.most_wh else Odd.BACKWARDS

    def _gained(self, value_wh: float) -> float:
        before_wh = self.before_wh or 0.0
        gone = value_wh < before_wh
        return gone_round_wh(before_wh, value_wh, self.modulus_wh) if gone else value_wh - before_wh

    def _index(self, gained_wh: float) -> float:
        return ((self.before_wh or 0.0) + gained_wh) % self.modulus_wh

    def _slip(self, digits: tuple[str, int]) -> _Found:
        """The first kind of slip that leads to a value that fits. Nothing is offered where it leads to several."""
        for slip, make in SLIPS.items():
            fitting = {wh for text, point in make(*digits) if self._may_be_meant(wh := _wh(text, point))}
            if fitting:
                return _Found(slip, fitting.pop() if len(fitting) == 1 else None)
        for other in self.known.elsewhere:
            if other.low_wh <= self.value_wh <= other.high_wh:
                return _Found(Slip.WRONG_REGISTER, None, other.name)
        return _Found()

    def _may_be_meant(self, value_wh: float) -> bool:
        """Whether a value would have fitted well; without a word on the energy nothing says so."""
        if self.before_wh is None or self.meant is None or value_wh == self.value_wh:
            return False
        gained_wh = self._gained(value_wh)
        low_wh, high_wh = self.meant
        return low_wh <= gained_wh <= min(high_wh, self.most_wh) and self.odd_of(value_wh) is None


@dataclass(frozen=True, slots=True)
class _Found:
    slip: Slip | None = None
    offered_wh: float | None = None
    register: str = ""


def _digits(text: str) -> tuple[str, int]:
    """The digits as typed, leading zeros included, and how many of them stand before the point."""
    plain = re.sub(r",(?=[0-9]{3}(?:[^0-9]|$))", "", re.sub(r"\s|_|'", "", text)).replace(",", ".")
    whole, _, part = re.sub(r"[^0-9.]", "", plain).partition(".")
    return whole + part, len(whole)


def _wh(digits: str, point: int) -> float:
    """Digits with a point after some of them, in kWh on the display. [Wh]"""
    return round(float(f"{digits[:point] or '0'}.{digits[point:] or '0'}") * 1000.0, 3)


def _exchanged(digits: str, point: int) -> Iterable[tuple[str, int]]:
    for one, other in combinations(range(len(digits)), 2):
        changed = list(digits)
        changed[one], changed[other] = changed[other], changed[one]
        yield "".join(changed), point


def _moved(digits: str, point: int) -> Iterable[tuple[str, int]]:
    """The point up to three places further left or two further right."""
    padded = digits + "00"
    return ((padded, place) for place in range(max(1, point - 3), min(len(padded), point + 2) + 1) if place != point)


def _misread(digits: str, point: int) -> Iterable[tuple[str, int]]:
    for place in range(len(digits)):
        for digit in "0123456789":
            yield digits[:place] + digit + digits[place + 1 :], point


def _megawatt_hours(digits: str, point: int) -> Iterable[tuple[str, int]]:
    yield digits + "000", point + 3


SLIPS: Mapping[Slip, Callable[[str, int], Iterable[tuple[str, int]]]] = {
    Slip.DIGITS_EXCHANGED: _exchanged,
    Slip.POINT_MISSING: _moved,
    Slip.DIGIT_MISREAD: _misread,
    Slip.MEGAWATT_HOURS: _megawatt_hours,
}
"""In the order in which they are looked for: a slip that changes little first."""

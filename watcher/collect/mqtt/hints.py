"""Values that are a thousand times too small: kW taken for W. Pure.

Rule: a hint, said once, and never a correction. It takes many values over hours, all far below what the device can do,
and digits behind the point that watts do not have.
"""

from __future__ import annotations

_VALUES = 50
_SPAN_MS = 6 * 3_600_000
_SMALL = 1 / 400


class ThousandTimes:
    """name: of a power's channel. most_w: what the device can do [W]"""

    def __init__(self, name: str, most_w: float) -> None:
        self._name, self._most_w = name, most_w
        self._count = 0
        self._top = 0.0
        self._broken = False
        self._first_ms: int | None = None
        self._over = False

    def note(self, time_ms: int, value: float) -> str:
        """What to ask, or ""."""
        if self._over or value <= 0:
            return ""
        self._count += 1
        self._top = max(self._top, value)
        self._broken = self._broken or value != round(value)
        self._first_ms = time_ms if self._first_ms is None else min(self._first_ms, time_ms)
        if self._top > self._most_w * _SMALL:
            self._over = True  # it has been seen to be watts
            return ""
        if self._count < _VALUES or not self._broken or time_ms - self._first_ms < _SPAN_MS:
            return ""
        self._over = True
        return (
            f"{self._name} has never been above {self._top:.12g} W in {self._count} values, of a device of "
            f'{self._most_w:.12g} W: should its topic map say unit = "kW"?'
        )

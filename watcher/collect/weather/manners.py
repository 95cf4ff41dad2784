"""How often one service may be asked. Pure: instants in, a reason not to ask out.

Rule: never two questions within the spacing, never more in a UTC day than the cap, never before the time a service
asked us to wait until, and after a failure ever longer pauses.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from enum import StrEnum

from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, floor_day

FIRST_PAUSE_MS = 5 * MINUTE_MS
LONGEST_PAUSE_MS = HOUR_MS


class NotNow(StrEnum):
    SPACING = "spacing"  # another question has only just been asked
    TOLD = "told"  # the service named a time
    SPENT = "spent"  # the day's questions are used up


@dataclass(frozen=True, slots=True)
class Limits:
    """spacing_s: least time between two questions to a service. calls_a_day: most questions in a UTC day"""

    spacing_s: float = 1.0
    calls_a_day: int = 1000


@dataclass(slots=True)
class Manners:
    """What is known of our dealings with one service; kept on disk between runs.

    asked_ms: the last question. day_ms, calls: the UTC day and how many questions were asked on it
    wait_until_ms: when the service wants to be asked again, 0 where it did not say
    """

    asked_ms: int = 0
    day_ms: int = 0
    calls: int = 0
    wait_until_ms: int = 0

    def not_now(self, now_ms: int, limits: Limits) -> NotNow | None:
        """Why nothing may be asked at this instant; None where it may."""
        # A clock put back must not silence us for longer than any service can ask: both bounds are checked.
        if now_ms < self.wait_until_ms <= now_ms + DAY_MS:
            return NotNow.TOLD
        if floor_day(now_ms) == self.day_ms and self.calls >= limits.calls_a_day:
            return NotNow.SPENT
        if 0 <= now_ms - self.asked_ms < limits.spacing_s * 1000:
            return NotNow.SPACING
        return None

    def free_ms(self, now_ms: int, limits: Limits) -> int:
        """The instant from which something may be asked again; now where it may already."""
        match self.not_now(now_ms, limits):
            case None:
                return now_ms
            case NotNow.TOLD:
                return self.wait_until_ms
            case NotNow.SPENT:
                return floor_day(now_ms) + DAY_MS
            case NotNow.SPACING:
                return self.asked_ms + math.ceil(limits.spacing_s * 1000)

    def ask(self, now_ms: int) -> None:
        """A question goes out."""
        if floor_day(now_ms) != self.day_ms:
            self.day_ms, self.calls = floor_day(now_ms), 0
        self.asked_ms = now_ms
        self.calls += 1

    def told_to_wait(self, now_ms: int, wait_s: float) -> None:
        self.wait_until_ms = now_ms + min(round(wait_s * 1000), DAY_MS)


def pause_ms(failures: int, seed: str) -> int:
    """How long to leave a service alone after so many failures in a row, at least one.

    Doubles from five minutes to an hour, and by up to a quarter longer by the seed, so that homes which lost the
    service together do not come back to it together.
    """
    pause = min(FIRST_PAUSE_MS << min(failures - 1, 10), LONGEST_PAUSE_MS)
    return round(pause * (1 + share(seed) / 4))


def share(seed: str) -> float:
    """A number from 0 up to 1 that a text always gives."""
    return int.from_bytes(hashlib.sha256(seed.encode()).digest()[:6]) / (1 << 48)


def turn_ms(now_ms: int, every_ms: int, seed: str) -> int:
    """The last instant up to now at which a question was due: every so often, at an offset of the seed's own."""
    offset_ms = round(share(seed) * every_ms)
    return now_ms - (now_ms - offset_ms) % every_ms

"""Whether the time of day was ever put right since this machine started.

Rule: once it has been, it stays so until the next start: the kernel forgets after some nine hours without a time server
(its own estimate of the error passes 16 s), yet a clock that ran on its own for a week is wrong by seconds, not days.
A machine that runs no time service is never told anything; what it is to be taken for is a setting.
"""

from __future__ import annotations

import ctypes
import os
from collections.abc import Callable
from contextlib import suppress
from enum import StrEnum
from pathlib import Path


class ClockWait(StrEnum):
    """Whether readings are dated only once a time service has set the clock."""

    IF_SERVED = "if-served"  # where a time service runs on this machine
    ALWAYS = "always"
    NEVER = "never"


_SERVICES = (
    "/run/systemd/timesync",
    "/run/chrony",
    "/run/chronyd.pid",
    "/run/ntpd.pid",
    "/run/ntpsec",
    "/run/openntpd",
)
"""What the usual time services leave while they run."""

_SET = Path("/run/systemd/timesync/synchronized")
"""Stays until the next start once one service has set the clock."""

_BOOT = Path("/proc/sys/kernel/random/boot_id")
_TIME_ERROR = 5
_TIMEX_BYTES = 512
"""Longer than the kernel's struct on any machine; all zero it asks and changes nothing."""


def boot_id() -> str:
    """Names this start of the machine; "" where the kernel does not tell. Uptime means nothing beyond it."""
    with suppress(OSError):
        return _BOOT.read_text().strip()
    return ""


def kernel_synchronised() -> bool:
    """What the kernel says (adjtimex(2): TIME_ERROR is an unsynchronised clock); False where it cannot be asked."""
    try:
        adjtimex = ctypes.CDLL(None).adjtimex
    except (OSError, AttributeError):
        return False
    state: int = adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    return 0 <= state < _TIME_ERROR


def told_of_time() -> bool:
    """Whether a time service has set the clock since the machine started."""
    return _SET.exists() or kernel_synchronised()


def time_service_runs() -> bool:
    return any(os.path.exists(place) for place in _SERVICES)


class Synchronised:
    """Asked by the clock. mark: a file that keeps which start of the machine was told, for our restart"""

    def __init__(
        self,
        wait: ClockWait,
        mark: Path,
        told: Callable[[], bool] = told_of_time,
        served: Callable[[], bool] = time_service_runs,
        boot: str | None = None,
    ) -> None:
        self._wait, self._mark, self._told, self._served = wait, mark, told, served
        self._boot = boot_id() if boot is None else boot
        self._once = False
        with suppress(OSError, UnicodeError):
            self._once = bool(self._boot) and mark.read_text().strip() == self._boot

    def __call__(self) -> bool:
        if self._once or self._wait is ClockWait.NEVER:
            return True
        if self._told():
            self._once = True
            with suppress(OSError):  # only a restart without a time server would miss it
                self._mark.write_text(self._boot)
            return True
        return self._wait is ClockWait.IF_SERVED and not self._served()

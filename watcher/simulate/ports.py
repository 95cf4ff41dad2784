"""Where a running simulated home is reached, all on loopback."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Ports:
    modbus: int
    weather: int
    mail: int

"""How a line that pulses come in on is wired."""

from __future__ import annotations

from enum import StrEnum


class Level(StrEnum):
    """Of the line in a pulse."""

    LOW = "low"
    HIGH = "high"


class Bias(StrEnum):
    """What the computer holds the line at while nobody drives it."""

    PULL_UP = "pull-up"
    PULL_DOWN = "pull-down"
    NONE = "none"

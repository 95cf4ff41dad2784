"""Chance that can be asked at any place.

Rule: a value depends on the seed, the name and the number alone, never on what was asked before. So the world comes
out the same however time is stepped.
"""

from __future__ import annotations

import random

_MASK = 2**64 - 1


class Noise:
    """Values that look standard normal (mean 0, deviation 1, never beyond 3.5), one for each whole number."""

    def __init__(self, seed: int, name: str) -> None:
        self._key = random.Random(f"{seed}/{name}").getrandbits(64)

    def bits(self, number: int) -> int:
        """64 well mixed bits (the splitmix64 finaliser, from memory)."""
        z = (self._key + number * 0x9E3779B97F4A7C15) & _MASK
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
        return z ^ (z >> 31)

    def normal(self, number: int) -> float:
        """The sum of four uniform values, moved and stretched to mean 0 and deviation 1."""
        z = self.bits(number)
        total = (z & 0xFFFF) + (z >> 16 & 0xFFFF) + (z >> 32 & 0xFFFF) + (z >> 48)
        return (total / 65536.0 - 2.0) * 1.7320508

    def uniform(self, number: int) -> float:
        """Between 0 and 1."""
        return self.bits(number) / 2.0**64

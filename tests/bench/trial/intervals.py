"""How far a count may mislead: exact intervals, by bisection so that no library is needed."""

from __future__ import annotations

from collections.abc import Callable
from math import exp, lgamma, log


def poisson_interval(count: int, level: float = 0.95) -> tuple[float, float]:
    """Exact limits of the mean that gave this count (Garwood 1936)."""
    tail = (1.0 - level) / 2.0
    low = 0.0 if count == 0 else _solve(lambda mean: 1.0 - _at_most(count - 1, mean) - tail, count)
    return low, _solve(lambda mean: tail - _at_most(count, mean), count)


def _at_most(count: int, mean: float) -> float:
    if mean <= 0.0:
        return 1.0
    return sum(exp(n * log(mean) - mean - lgamma(n + 1)) for n in range(count + 1))


def _solve(rising: Callable[[float], float], count: int) -> float:
    low, high = 0.0, 4.0 * count + 20.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rising(middle) < 0.0 else (low, middle)
    return 0.5 * (low + high)

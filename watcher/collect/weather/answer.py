"""What an answer comes to, whatever its shape, and the checks all shapes share. Pure: bytes in, readings out.

Rule: strict. A missing value is no reading; a value outside its quantity's range is refused and counted; anything else
that is not as agreed is an error in words that says whether asking again helps.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NoReturn

from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import SECOND_MS
from watcher.domain.quantity import QUANTITIES
from watcher.domain.reading import Reading

DOING = "reading the weather service's answer"
NAMES = ("ghi", "dni", "dhi", "temp_air", "wind_speed")
"""What a service may tell, under our own names and in our own units."""


@dataclass(frozen=True, slots=True)
class WeatherAnswer:
    """readings: by quantity, each in order of time, labelled with the end of their period.

    generated_ms: when the service made the answer; None where its shape does not say
    period_s: what each value is the mean of
    refused: values that lay outside their quantity's range, as text, and are not among the readings
    """

    generated_ms: int | None
    period_s: float
    readings: tuple[Reading, ...]
    refused: tuple[str, ...] = ()


Columns = Mapping[str, Sequence[Any]]
"""By our name, a value for each time, still as the service wrote it; None where it has none."""


def answer_of(
    device: str, times: Sequence[int], columns: Columns, period_s: float, generated_ms: int | None = None
) -> WeatherAnswer:
    """The answer in columns as readings of a device. CollectError where a column holds something else than numbers.

    times: ends of the periods. [ms]
    """
    if any(after - before < period_s * SECOND_MS for before, after in pairwise(times)):
        fail(device, Remedy.RETRY, "its times do not ascend by whole periods")
    readings: list[Reading] = []
    refused: list[str] = []
    for name, column in columns.items():
        quantity = QUANTITIES[name]
        if len(column) != len(times):
            fail(device, Remedy.RETRY, f"{len(times)} times but {len(column)} values of {name}")
        for time_ms, value in zip(times, column, strict=True):
            if value is None:
                continue
            if not is_number(value):
                fail(device, Remedy.RETRY, f"{name} holds {value!r}, which is no number")
            if quantity.low <= value <= quantity.high:
                readings.append(Reading(f"{device}.{name}", time_ms, float(value)))
            else:
                refused.append(f"{name} = {value} {quantity.unit}")
    return WeatherAnswer(generated_ms, period_s, tuple(readings), tuple(refused))


def json_object(body: bytes, device: str) -> dict[str, Any]:
    """The JSON object an answer is."""
    try:
        found = json.loads(body, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        # Cut short on the way, or a page of some proxy: the next answer may be whole.
        raise CollectError(device, DOING, Remedy.RETRY, f"no JSON: {error}") from None
    if not isinstance(found, dict):
        fail(device, Remedy.FIX_SETUP, "a JSON object is expected; is the address right?")
    return found


def table_at(found: Mapping[str, Any], path: str, device: str) -> dict[str, Any]:
    """The object at a path of keys, such as "properties.parameter"."""
    inner: Any = found
    for key in path.split("."):
        inner = inner.get(key) if isinstance(inner, dict) else None
    if not isinstance(inner, dict):
        fail(device, Remedy.FIX_SETUP, f"it has no object {path}; are address and shape right?")
    return inner


def column_of(found: Mapping[str, Any], name: str, device: str) -> list[Any]:
    """The list under a key that is there."""
    column = found[name]
    if not isinstance(column, list):
        fail(device, Remedy.FIX_SETUP, f"{name} is no list")
    return column


def is_number(value: object) -> bool:
    # JSON knows numbers too long for a float; they are out of range, not infinite, so they pass here.
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and (isinstance(value, int) or math.isfinite(value))
    )


def fail(device: str, remedy: Remedy, text: str) -> NoReturn:
    raise CollectError(device, DOING, remedy, text)


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no JSON number")

"""A weather service's answer to readings. Pure: bytes in, readings out.

Rule: strict. A null is no reading; a value outside its quantity's range is refused and counted; anything else that
is not as agreed is an error in words that says whether asking again helps.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NoReturn

from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import SECOND_MS, parse_iso
from watcher.domain.quantity import QUANTITIES
from watcher.domain.reading import Reading
from watcher.domain.site import Label

DOING = "reading the weather service's answer"
NAMES = ("ghi", "dni", "dhi", "temp_air", "wind_speed")
"""What the service tells, under our own names and in our own units."""


@dataclass(frozen=True, slots=True)
class WeatherAnswer:
    """readings: by quantity, each in order of time, labelled with the end of their period.

    generated_ms: when the service made the answer. period_s: what each value is the mean of.
    refused: values that lay outside their quantity's range, as text, and are not among the readings
    """

    generated_ms: int
    period_s: float
    readings: tuple[Reading, ...]
    refused: tuple[str, ...] = ()


def parse_answer(body: bytes, device: str) -> WeatherAnswer:
    """The readings in an answer, as channels of `device`. CollectError when it is not as agreed."""
    try:
        found = json.loads(body, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        # Cut short on the way, or a page of some proxy: the next answer may be whole.
        raise CollectError(device, DOING, Remedy.RETRY, f"no JSON: {error}") from None
    if not isinstance(found, dict):
        _fail(device, Remedy.FIX_SETUP, "a JSON object is expected; is the address right?")
    missing = [name for name in ("generated", "period_s", "label", "time", *NAMES) if name not in found]
    if missing:
        _fail(device, Remedy.FIX_SETUP, f"it lacks {', '.join(missing)}; is the address right?")
    if found["label"] != Label.MEAN_ENDING:
        text = f"its values are labelled {found['label']!r}; only {str(Label.MEAN_ENDING)!r} is understood"
        _fail(device, Remedy.FIX_SETUP, text)
    period_s = found["period_s"]
    if not _is_number(period_s) or not 0 < period_s <= 86_400:
        _fail(device, Remedy.FIX_SETUP, f"period_s = {period_s!r} is no length of time")
    generated_ms = _instant(found["generated"], device)
    times = [_instant(text, device) for text in _column(found, "time", device)]
    if any(after - before < period_s * SECOND_MS for before, after in pairwise(times)):
        _fail(device, Remedy.RETRY, "its times do not ascend by whole periods")
    return _with_values(found, times, generated_ms, float(period_s), device)


def _with_values(
    found: Mapping[str, Any], times: list[int], generated_ms: int, period_s: float, device: str
) -> WeatherAnswer:
    readings: list[Reading] = []
    refused: list[str] = []
    for name in NAMES:
        column, quantity = _column(found, name, device), QUANTITIES[name]
        if len(column) != len(times):
            _fail(device, Remedy.RETRY, f"{len(times)} times but {len(column)} values of {name}")
        for time_ms, value in zip(times, column, strict=True):
            if value is None:
                continue
            if not _is_number(value):
                _fail(device, Remedy.RETRY, f"{name} holds {value!r}, which is no number")
            if quantity.low <= value <= quantity.high:
                readings.append(Reading(f"{device}.{name}", time_ms, float(value)))
            else:
                refused.append(f"{name} = {value} {quantity.unit}")
    return WeatherAnswer(generated_ms, period_s, tuple(readings), tuple(refused))


def _column(found: Mapping[str, Any], name: str, device: str) -> list[Any]:
    column = found[name]
    if not isinstance(column, list):
        _fail(device, Remedy.FIX_SETUP, f"{name} is no list")
    return column


def _instant(text: object, device: str) -> int:
    try:
        return parse_iso(text if isinstance(text, str) else "")
    except (ValueError, OverflowError):
        _fail(device, Remedy.RETRY, f"{text!r} is no instant with an offset")


def _is_number(value: object) -> bool:
    # JSON knows numbers too long for a float; they are out of range, not infinite, so they pass here.
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and (isinstance(value, int) or math.isfinite(value))
    )


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no JSON number")


def _fail(device: str, remedy: Remedy, text: str) -> NoReturn:
    raise CollectError(device, DOING, remedy, text)

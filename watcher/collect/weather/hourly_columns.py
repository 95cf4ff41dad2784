"""The hourly-columns shape: an object "hourly" with "time" and a list for each variable. Pure.

As public weather-model services document it; never called by us:

    GET <address>?latitude=..&longitude=..&hourly=shortwave_radiation,..&wind_speed_unit=ms&timezone=GMT
                 &start_date=2026-06-20&end_date=2026-06-21

    {"utc_offset_seconds": 0, "hourly_units": {"shortwave_radiation": "W/m\u00b2", ...},
     "hourly": {"time": ["2026-06-20T00:00", ...], "shortwave_radiation": [0.0, null, ...], ...}}

A radiation is the mean of the hour before its time; temperature and wind are those of the moment, and become the mean
of the two ends of that hour. Times without an offset are believed only with utc_offset_seconds = 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from watcher.collect.weather.answer import WeatherAnswer, answer_of, column_of, fail, is_number, json_object, table_at
from watcher.collect.weather.question import Cell, Question
from watcher.domain.errors import Remedy
from watcher.domain.instant import HOUR_MS, from_ms, to_ms

PERIOD_S = 3600.0
VARIABLES = {
    "ghi": ("shortwave_radiation", "W/m\u00b2"),
    "dni": ("direct_normal_irradiance", "W/m\u00b2"),
    "dhi": ("diffuse_radiation", "W/m\u00b2"),
    "temp_air": ("temperature_2m", "\u00b0C"),
    "wind_speed": ("wind_speed_10m", "m/s"),
}
"""By our name, theirs and the unit it was asked in."""
_MOMENTARY = ("temp_air", "wind_speed")
_BEYOND = 1000.0


def question(cell: Cell, first_ms: int, until_ms: int) -> Question:
    """Asks for the UTC days that hold the ends of the hours in (first_ms, until_ms]."""
    return Question(
        "",
        {
            "latitude": f"{cell.latitude_deg:.4f}",
            "longitude": f"{cell.longitude_deg:.4f}",
            "hourly": ",".join(theirs for theirs, _ in VARIABLES.values()),
            "wind_speed_unit": "ms",
            "timezone": "GMT",
            "start_date": f"{from_ms(first_ms):%Y-%m-%d}",
            "end_date": f"{from_ms(until_ms):%Y-%m-%d}",
        },
    )


def parse(body: bytes, device: str) -> WeatherAnswer:
    """The readings in an answer, as channels of `device`. CollectError when it is not as agreed."""
    found = json_object(body, device)
    hourly, units = table_at(found, "hourly", device), table_at(found, "hourly_units", device)
    offset_s = found.get("utc_offset_seconds")
    if offset_s != 0 or isinstance(offset_s, bool):
        fail(device, Remedy.FIX_SETUP, f"its times are {offset_s!r} seconds off UTC, which was not asked for")
    if "time" not in hourly or VARIABLES["ghi"][0] not in hourly:
        fail(device, Remedy.FIX_SETUP, "it lacks time or shortwave_radiation; are address and shape right?")
    times = [_instant(text, device) for text in column_of(hourly, "time", device)]
    columns: dict[str, Sequence[Any]] = {}
    for name, (theirs, unit) in VARIABLES.items():
        if theirs not in hourly:
            continue
        if units.get(theirs) != unit:
            fail(device, Remedy.FIX_SETUP, f"{theirs} is in {units.get(theirs)!r}; {unit!r} was asked for")
        column = column_of(hourly, theirs, device)
        columns[name] = _over_the_hour(times, column) if name in _MOMENTARY else column
    return answer_of(device, times, columns, PERIOD_S)


def _over_the_hour(times: Sequence[int], column: Sequence[Any]) -> Sequence[Any]:
    """Momentary values as means of the hour before; None where one of its ends is missing."""
    if len(column) != len(times):
        return column  # said with the others
    means: list[Any] = [None] * len(column)
    for at in range(1, len(column)):
        before, value = column[at - 1], column[at]
        if value is not None and not is_number(value):
            means[at] = value  # said with the others
        elif is_number(before) and is_number(value) and times[at] - times[at - 1] == HOUR_MS:
            extreme = max(before, value, key=abs)
            # What is out of any range goes on as it is, to be refused and counted.
            means[at] = (before + value) / 2 if abs(extreme) < _BEYOND else extreme
    return means


def _instant(text: object, device: str) -> int:
    try:
        at = datetime.fromisoformat(text if isinstance(text, str) else "")
        if at.tzinfo is not None:
            raise ValueError
        return to_ms(at.replace(tzinfo=UTC))
    except (ValueError, OverflowError):
        fail(device, Remedy.RETRY, f"{text!r} is no time of the form 2026-06-21T12:00")

"""The date-keyed shape: an object for each parameter, its values under their hour. Pure.

As public satellite-radiation services document it; never called by us:

    GET <address>?parameters=ALLSKY_SFC_SW_DWN,..&community=RE&latitude=..&longitude=..&start=20260620&end=20260621
                 &format=JSON&time-standard=UTC

    {"header": {"fill_value": -999.0, "time_standard": "UTC"},
     "parameters": {"ALLSKY_SFC_SW_DWN": {"units": "Wh/m^2"}, ...},
     "properties": {"parameter": {"ALLSKY_SFC_SW_DWN": {"2026062000": 0.0, ...}, ...}}}

A value is the mean of the hour that begins at its key, so it is labelled an hour later. The fill value stands for
days not yet worked out. Local solar time is what such a service gives when it is not asked for UTC: its hours do not
begin with ours, and it is refused.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Any

from watcher.collect.weather.answer import WeatherAnswer, answer_of, fail, is_number, json_object, table_at
from watcher.collect.weather.question import Cell, Question
from watcher.domain.errors import Remedy
from watcher.domain.instant import HOUR_MS, from_ms, to_ms

PERIOD_S = 3600.0
PARAMETERS = {
    # Energy of an hour in Wh/m2 is its mean power in W/m2.
    "ghi": ("ALLSKY_SFC_SW_DWN", ("Wh/m^2", "W/m^2")),
    "dni": ("ALLSKY_SFC_SW_DNI", ("Wh/m^2", "W/m^2")),
    "dhi": ("ALLSKY_SFC_SW_DIFF", ("Wh/m^2", "W/m^2")),
    "temp_air": ("T2M", ("C",)),
    "wind_speed": ("WS10M", ("m/s",)),
}
"""By our name, theirs and the units it may be in."""
_KEY = re.compile(r"[0-9]{10}")


def question(cell: Cell, first_ms: int, until_ms: int) -> Question:
    """Asks for the UTC days that hold the hours ending in (first_ms, until_ms]."""
    return Question(
        "",
        {
            "parameters": ",".join(theirs for theirs, _ in PARAMETERS.values()),
            "community": "RE",
            "latitude": f"{cell.latitude_deg:.4f}",
            "longitude": f"{cell.longitude_deg:.4f}",
            "start": f"{from_ms(first_ms):%Y%m%d}",
            "end": f"{from_ms(until_ms - 1):%Y%m%d}",
            "format": "JSON",
            "time-standard": "UTC",
        },
    )


def parse(body: bytes, device: str) -> WeatherAnswer:
    """The readings in an answer, as channels of `device`. CollectError when it is not as agreed."""
    found = json_object(body, device)
    header, told = table_at(found, "header", device), table_at(found, "properties.parameter", device)
    units = table_at(found, "parameters", device)
    standard, fill = header.get("time_standard"), header.get("fill_value")
    if standard != "UTC":
        fail(device, Remedy.FIX_SETUP, f"its times are {standard!r}; only 'UTC' is understood")
    if not is_number(fill):
        fail(device, Remedy.FIX_SETUP, f"its fill value is {fill!r}, which is no number")
    if PARAMETERS["ghi"][0] not in told:
        fail(device, Remedy.FIX_SETUP, f"it lacks {PARAMETERS['ghi'][0]}; are address and shape right?")
    by_name: dict[str, dict[int, Any]] = {}
    for name, (theirs, allowed) in PARAMETERS.items():
        if theirs not in told:
            continue
        unit = units[theirs].get("units") if isinstance(units.get(theirs), dict) else None
        if unit not in allowed:
            fail(device, Remedy.FIX_SETUP, f"{theirs} is in {unit!r}; {allowed[0]!r} is expected")
        by_hour = table_at(told, theirs, device)
        by_name[name] = {
            _instant(key, device) + HOUR_MS: None if value == fill else value for key, value in by_hour.items()
        }
    times = sorted({time_ms for column in by_name.values() for time_ms in column})
    columns = {name: [column.get(time_ms) for time_ms in times] for name, column in by_name.items()}
    return answer_of(device, times, columns, PERIOD_S)


def _instant(key: str, device: str) -> int:
    try:
        if not _KEY.fullmatch(key):
            raise ValueError
        return to_ms(datetime.strptime(key, "%Y%m%d%H").replace(tzinfo=UTC))
    except (ValueError, OverflowError):
        fail(device, Remedy.RETRY, f"{key!r} is no hour of the form 2026062112")

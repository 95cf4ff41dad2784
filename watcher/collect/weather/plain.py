"""The plain shape: our own, with everything said in the answer itself. Pure.

    GET <address>/irradiance?latitude=53.4000&longitude=-1.5000&from=2026-06-21T00:00:00Z&until=2026-06-21T12:00:00Z

    {"generated": "2026-06-21T12:01:00Z", "period_s": 900, "label": "mean-ending",
     "time": ["2026-06-21T00:15:00Z", ...], "ghi": [0, ...], "dni": ..., "dhi": ..., "temp_air": ..., "wind_speed": ...}

answers the periods that end in (from, until]; null is no value.
"""

from __future__ import annotations

from watcher.collect.weather.answer import (
    NAMES,
    WeatherAnswer,
    answer_of,
    column_of,
    fail,
    is_number,
    json_object,
)
from watcher.collect.weather.question import Cell, Question
from watcher.domain.errors import Remedy
from watcher.domain.instant import iso, parse_iso
from watcher.domain.site import Label


def question(cell: Cell, from_ms: int, until_ms: int) -> Question:
    """Asks for the periods that end in (from_ms, until_ms]."""
    return Question(
        "/irradiance",
        {
            "latitude": f"{cell.latitude_deg:.4f}",
            "longitude": f"{cell.longitude_deg:.4f}",
            "from": iso(from_ms),
            "until": iso(until_ms),
        },
    )


def parse(body: bytes, device: str) -> WeatherAnswer:
    """The readings in an answer, as channels of `device`. CollectError when it is not as agreed."""
    found = json_object(body, device)
    missing = [name for name in ("generated", "period_s", "label", "time", *NAMES) if name not in found]
    if missing:
        fail(device, Remedy.FIX_SETUP, f"it lacks {', '.join(missing)}; are address and shape right?")
    if found["label"] != Label.MEAN_ENDING:
        text = f"its values are labelled {found['label']!r}; only {str(Label.MEAN_ENDING)!r} is understood"
        fail(device, Remedy.FIX_SETUP, text)
    period_s = found["period_s"]
    if not is_number(period_s) or not 0 < period_s <= 86_400:
        fail(device, Remedy.FIX_SETUP, f"period_s = {period_s!r} is no length of time")
    generated_ms = _instant(found["generated"], device)
    times = [_instant(text, device) for text in column_of(found, "time", device)]
    columns = {name: column_of(found, name, device) for name in NAMES}
    return answer_of(device, times, columns, float(period_s), generated_ms)


def _instant(text: object, device: str) -> int:
    try:
        return parse_iso(text if isinstance(text, str) else "")
    except (ValueError, OverflowError):
        fail(device, Remedy.RETRY, f"{text!r} is no instant with an offset")

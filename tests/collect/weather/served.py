"""Weather services made of a function, on loopback, that remember what they were asked; and answers to give."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any, NamedTuple
from urllib.parse import parse_qs, urlsplit

from watcher.domain.instant import HOUR_MS, from_ms, iso


class Reply(NamedTuple):
    body: bytes = b""
    status: str = "200 OK"
    headers: tuple[str, ...] = ()


class Asked(NamedTuple):
    """One request: at what simulated instant, for which path, with which query."""

    at_ms: int
    path: str
    query: Mapping[str, str]


@dataclass
class Served:
    """answer: the reply to a request. now_ms: what the test says the time is; address: where it listens"""

    answer: Callable[[Asked], Reply]
    now_ms: int = 0
    address: str = ""
    asked: list[Asked] = field(default_factory=list)

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[Served]:
        server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        async with server:
            self.address = f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}"
            yield self

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = await reader.readuntil(b"\r\n\r\n")
        target = urlsplit(head.split(b" ")[1].decode())
        asked = Asked(self.now_ms, target.path, {key: values[0] for key, values in parse_qs(target.query).items()})
        self.asked.append(asked)
        reply = self.answer(asked)
        lines = [f"HTTP/1.1 {reply.status}", f"Content-Length: {len(reply.body)}", "Connection: close", *reply.headers]
        writer.write("\r\n".join([*lines, "", ""]).encode() + reply.body)
        await writer.drain()
        writer.close()


Row = Mapping[str, float | None]
"""By our names, what holds over one period."""


def plain_body(rows: Mapping[int, Row], generated_ms: int, period_s: float = 3600) -> bytes:
    """rows: by the end of their period"""
    ends = sorted(rows)
    told: dict[str, Any] = {
        "generated": iso(generated_ms),
        "period_s": period_s,
        "label": "mean-ending",
        "time": [iso(end) for end in ends],
    }
    for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed"):
        told[name] = [rows[end].get(name) for end in ends]
    return json.dumps(told).encode()


def hourly_body(rows: Mapping[int, Row], names: Sequence[str] = ("ghi", "temp_air", "wind_speed")) -> bytes:
    """rows: by the end of their hour"""
    theirs = {
        "ghi": ("shortwave_radiation", "W/m\u00b2"),
        "dni": ("direct_normal_irradiance", "W/m\u00b2"),
        "dhi": ("diffuse_radiation", "W/m\u00b2"),
        "temp_air": ("temperature_2m", "\u00b0C"),
        "wind_speed": ("wind_speed_10m", "m/s"),
    }
    ends = sorted(rows)
    hourly: dict[str, Any] = {"time": [f"{from_ms(end):%Y-%m-%dT%H:%M}" for end in ends]}
    hourly |= {theirs[name][0]: [rows[end].get(name) for end in ends] for name in names}
    units = {"time": "iso8601", **{theirs[name][0]: theirs[name][1] for name in names}}
    whole = {"latitude": 53.4, "longitude": -1.5, "utc_offset_seconds": 0, "timezone": "GMT"}
    return json.dumps({**whole, "hourly_units": units, "hourly": hourly}).encode()


def keyed_body(rows: Mapping[int, Row], names: Sequence[str] = ("ghi", "temp_air", "wind_speed")) -> bytes:
    """rows: by the end of their hour; no value is the fill value"""
    theirs = {
        "ghi": ("ALLSKY_SFC_SW_DWN", "Wh/m^2"),
        "dni": ("ALLSKY_SFC_SW_DNI", "Wh/m^2"),
        "dhi": ("ALLSKY_SFC_SW_DIFF", "Wh/m^2"),
        "temp_air": ("T2M", "C"),
        "wind_speed": ("WS10M", "m/s"),
    }
    told = {
        theirs[name][0]: {
            f"{from_ms(end - HOUR_MS):%Y%m%d%H}": -999.0 if rows[end].get(name) is None else rows[end][name]
            for end in sorted(rows)
        }
        for name in names
    }
    whole = {
        "type": "Feature",
        "header": {"fill_value": -999.0, "time_standard": "UTC"},
        "parameters": {theirs[name][0]: {"units": theirs[name][1]} for name in names},
        "properties": {"parameter": told},
    }
    return json.dumps(whole).encode()

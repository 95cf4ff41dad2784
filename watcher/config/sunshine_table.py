"""The watcher file's table of past sunshine: the service that is asked for years of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from watcher.collect.weather.past_source import PastSource
from watcher.config.address import address_fault
from watcher.config.checked_toml import Keys, Page, needed, number, one_of, shown, text
from watcher.domain.site import SourceKind, WeatherShape

SUNSHINE: Keys = {
    "address": needed(text()),
    "shape": one_of(WeatherShape),
    "grid_deg": number(0.001, 5, "degrees between two points of the service's grid"),
    "basis": one_of(("satellite", "weather")),
}


def sunshine_of(page: Page, sunshine: Mapping[str, Any] | None) -> PastSource | None:
    """None where there is no such table, or where the page says what is wrong with it."""
    if sunshine is None or "address" not in sunshine:
        return None
    if fault := address_fault(SourceKind.WEATHER, sunshine["address"]):
        page.wrong("sunshine.address", fault, "" if "@" in sunshine["address"] else shown(sunshine["address"]))
        return None
    return PastSource(**sunshine)

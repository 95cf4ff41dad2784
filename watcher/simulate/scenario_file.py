"""The script of a simulated home, read from TOML.

Rule: everything wrong with a scenario is said at once, with the place; an unknown key is an error.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, fields
from datetime import date, datetime
from typing import Any, Literal, TypeVar, get_args, get_origin, get_type_hints

from watcher.domain.errors import Problem, SetupError
from watcher.domain.instant import MINUTE_MS, parse_iso, to_ms
from watcher.simulate.faults import KEYS, Fault, FaultKind
from watcher.simulate.scenario import (
    ArrayFacts,
    InverterFacts,
    MeterFacts,
    ModbusFacts,
    ModuleFacts,
    Place,
    Scenario,
    WeatherFacts,
)
from watcher.simulate.sky import DayType

_TABLES = {
    "site": Place, "module": ModuleFacts, "inverter": InverterFacts, "meter": MeterFacts, "weather": WeatherFacts,
    "modbus": ModbusFacts,
}  # fmt: skip
_LISTS = {"array": ArrayFacts, "fault": Fault}
_LIMITS: dict[str, tuple[float, float]] = {
    "latitude_deg": (-66, 66), "longitude_deg": (-180, 180), "tilt_deg": (0, 90), "azimuth_deg": (0, 360),
    "input": (1, 4), "strings": (1, 20), "modules_in_series": (1, 30), "parallel_strings": (1, 20),
    "power_w": (1, 1000), "vmp_v": (1, 500), "gamma_per_k": (-0.01, 0), "ac_limit_w": (100, 30_000),
    "energy_wh": (0, 4e9), "index_wh": (0, 4e9), "import_wh": (0, 4e9), "reads_wh": (0, 4e9), "step_wh": (1, 10_000),
    "error_percent": (-10, 10), "delay_s": (0, 864_000), "noise_percent": (0, 50), "bias_percent": (0, 50),
    "hours": (0, 240), "retry_after_s": (0, 86_400), "altitude_m": (-100, 3000),
}  # fmt: skip
_T = TypeVar("_T")


def parse_scenario(text: str, place: str) -> Scenario:
    """Read a scenario; `place` names the file in messages. SetupError with everything wrong in it."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SetupError((Problem(place, "", "", str(error)),)) from None
    reader = _Reader(place)
    for key in raw.keys() - _TABLES.keys() - _LISTS.keys() - {"sky"}:
        reader.wrong(key, "", "no such table")
    facts = {key: reader.table(cls, raw.get(key, {}), key) for key, cls in _TABLES.items()}
    lists = {
        key: tuple(reader.table(cls, entry, f"{key}[{n}]") for n, entry in enumerate(reader.entries(raw, key)))
        for key, cls in _LISTS.items()
    }
    days = reader.days(raw.get("sky", {}))
    if not reader.problems:
        reader.agree(lists["array"], lists["fault"])
    if reader.problems:
        raise SetupError(tuple(reader.problems))
    return Scenario(**facts, arrays=lists["array"], faults=lists["fault"], days=days)


class _Reader:
    def __init__(self, place: str) -> None:
        self.place = place
        self.problems: list[Problem] = []

    def wrong(self, key: str, found: object, allowed: str) -> None:
        self.problems.append(Problem(self.place, key, str(found), allowed))

    def entries(self, raw: Mapping[str, Any], key: str) -> list[Any]:
        found = raw.get(key, [])
        if isinstance(found, list):
            return found
        self.wrong(key, found, f"is a list of tables, [[{key}]]")
        return []

    def table(self, cls: type[_T], raw: object, key: str) -> Any:
        """One table as the dataclass of that shape; None when something was wrong (then it has been noted)."""
        if not isinstance(raw, dict):
            self.wrong(key, raw, "is a table")
            return None
        before = len(self.problems)
        hints = get_type_hints(cls)
        known = {f.name.removesuffix("_ms") if cls is Fault else f.name: f for f in fields(cls)}  # type: ignore[arg-type]
        if cls is Fault and raw.get("kind") in list(FaultKind):
            known = {name: known[name] for name in ("kind", "at", "until", *KEYS[FaultKind(raw["kind"])])}
        for name in raw.keys() - known.keys():
            self.wrong(f"{key}.{name}", raw[name], f"unknown key, known here: {', '.join(known)}")
        values = {}
        for name, fact in known.items():
            if name in raw:
                values[fact.name] = self.value(hints[fact.name], raw[name], f"{key}.{name}", name)
            elif fact.default is MISSING:
                self.wrong(f"{key}.{name}", "", "is missing")
        return cls(**values) if len(self.problems) == before else None

    def value(self, hint: Any, raw: object, key: str, name: str) -> Any:
        if name in ("at", "until"):
            return self.instant(raw, key)
        if hint is FaultKind or get_origin(hint) is Literal:
            allowed = list(FaultKind) if hint is FaultKind else list(get_args(hint))
            if raw not in allowed or isinstance(raw, bool):
                self.wrong(key, raw, f"is one of {', '.join(map(str, allowed))}")
                return None
            return FaultKind(str(raw)) if hint is FaultKind else raw
        wanted: tuple[type, ...] = (int, float) if hint is float else (hint,)
        if not isinstance(raw, wanted) or isinstance(raw, bool):
            self.wrong(key, repr(raw), {str: "is a text", int: "is a whole number"}.get(hint, "is a number"))
            return None
        low, high = _LIMITS.get(name, (-1e15, 1e15))
        if isinstance(raw, (int, float)) and not low <= raw <= high:
            self.wrong(key, raw, f"lies between {low:g} and {high:g}")
            return None
        return float(raw) if hint is float and isinstance(raw, (int, float)) else raw

    def instant(self, raw: object, key: str) -> int | None:
        try:
            found = to_ms(raw) if isinstance(raw, datetime) else parse_iso(str(raw))
        except ValueError:
            self.wrong(key, raw, "is an instant with an offset, 2026-06-09T09:20:00Z")
            return None
        if found % MINUTE_MS:
            self.wrong(key, raw, "lies on a whole minute")
            return None
        return found

    def days(self, sky: object) -> dict[date, DayType]:
        days: dict[date, DayType] = {}
        table = sky.get("days", {}) if isinstance(sky, dict) else None
        if not isinstance(sky, dict) or not isinstance(table, dict) or sky.keys() - {"days"}:
            self.wrong("sky", sky, "holds one table, [sky.days]")
            return days
        for name, kind in table.items():
            try:
                days[date.fromisoformat(name)] = DayType(kind)
            except ValueError:
                self.wrong(f"sky.days.{name}", kind, f"is a date and one of {', '.join(DayType)}")
        return days

    def agree(self, arrays: tuple[ArrayFacts, ...], faults: tuple[Fault, ...]) -> None:
        """What no table can tell by itself."""
        by_input = {array.input: array for array in arrays}
        if sorted(array.input for array in arrays) != list(range(1, len(arrays) + 1)) or not arrays:
            self.wrong("array", "", "one array for each input, inputs numbered from 1 without a gap")
        for n, fault in enumerate(faults):
            key = f"fault[{n}]"
            if fault.until_ms is not None and fault.until_ms <= fault.at_ms:
                self.wrong(f"{key}.until", "", "comes after at")
            if fault.kind in (FaultKind.INPUT_OPEN, FaultKind.PARALLEL_STRING_OPEN) and fault.input not in by_input:
                self.wrong(f"{key}.input", fault.input, "no array ends there")
                continue
            one_too_many = fault.kind is FaultKind.PARALLEL_STRING_OPEN and by_input[fault.input].parallel_strings
            if one_too_many and fault.strings >= one_too_many:
                self.wrong(f"{key}.strings", fault.strings, "fewer than the array has side by side")

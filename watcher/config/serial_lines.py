"""What sources on serial lines must be to each other.

Rule: whoever is on one line speaks alike: the same speed, parity and stop bits, and one quiet gap for all of them, in
one site's file and across sites.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from watcher.domain.errors import Problem
from watcher.domain.site import SerialSettings, SiteRecord, Source, SourceKind

KEYS = ("baud", "parity", "stop_bits", "quiet_gap_s")
_USUAL = SerialSettings()


def faults(sources: Iterable[tuple[str, Mapping[str, Any]]]) -> Iterator[tuple[str, str, Any]]:
    """Key's path, what is wrong, and the value, for the sources of one file, each with its path."""
    lines: dict[str, tuple[str, dict[str, Any]]] = {}
    for path, entry in sources:
        if entry.get("kind") is not SourceKind.MODBUS_RTU:
            if "kind" in entry:
                yield from (
                    (f"{path}.{key}", 'only for a source of kind = "modbus-rtu"', entry[key])
                    for key in KEYS
                    if key in entry
                )
            continue
        if not 1 <= entry.get("unit", 1) <= 247:
            yield f"{path}.unit", "on a serial line a unit id is 1 to 247", entry["unit"]
        settings = {key: entry.get(key, getattr(_USUAL, key)) for key in KEYS}
        first, agreed = lines.setdefault(entry.get("address", path), (path, settings))
        for key in KEYS:
            if settings[key] != agreed[key]:
                told = f"{first} is on the same line and has {_shown(agreed[key])}; a line has one setting for all"
                yield f"{path}.{key}", told, settings[key]


def between_sites(records: Mapping[str, SiteRecord], places: Mapping[str, str]) -> Iterator[Problem]:
    """Sites that share a line and do not agree. places: each site's file; the later site by name is told."""
    lines: dict[str, tuple[str, Source]] = {}
    for id in sorted(records):
        for source in records[id].base.sources:
            if source.kind is not SourceKind.MODBUS_RTU:
                continue
            first, agreed = lines.setdefault(source.address, (id, source))
            if source.serial != agreed.serial:
                told = (
                    f"the line {source.address} is used by {first} too, with other settings (baud, parity, stop_bits, "
                )
                yield Problem(places[id], "source", "", told + "quiet_gap_s); a line has one setting for all")
                break


def _shown(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)

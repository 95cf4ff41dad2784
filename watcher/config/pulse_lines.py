"""What sources of pulses must be to each other and to their meters.

Rule: a line is listened to once, in one site's file and across sites; only a meter gives pulses; what belongs to a
line of pulses stands at one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from watcher.domain.errors import Problem
from watcher.domain.site import SiteRecord, SourceKind

KEYS = ("active", "bias", "min_width_ms")
_TOLD = (SourceKind.MQTT, SourceKind.MODBUS_TCP, SourceKind.MODBUS_RTU, SourceKind.FILE)
_COUNTING = (SourceKind.PULSE, *_TOLD)


def faults(sources: Iterable[tuple[str, Mapping[str, Any]]], meters: Iterable[str]) -> Iterator[tuple[str, str, Any]]:
    """Key's path, what is wrong, and the value, for the sources of one file, each with its path. meters: their ids"""
    known = set(meters)
    lines: dict[str, str] = {}
    for path, entry in sources:
        kind, device, address = entry.get("kind"), entry.get("device"), entry.get("address", "")
        if kind is None:
            continue
        if "pulses_per_kwh" in entry and kind not in _COUNTING:
            yield f"{path}.pulses_per_kwh", "only for a source that counts pulses", entry["pulses_per_kwh"]
        if "counter_bits" in entry and kind not in _TOLD:
            yield f"{path}.counter_bits", "only for a device that counts pulses itself", entry["counter_bits"]
        if kind is not SourceKind.PULSE:
            yield from (
                (f"{path}.{key}", 'only for a source of kind = "pulse"', entry[key]) for key in KEYS if key in entry
            )
            continue
        if device is not None and device not in known:
            yield f"{path}.device", "only a meter gives pulses", device
        if address and lines.setdefault(address, path) != path:
            yield f"{path}.address", f"{lines[address]} listens to the same line; each meter has its own", address


def between_sites(records: Mapping[str, SiteRecord], places: Mapping[str, str]) -> Iterator[Problem]:
    """Sites that listen to the same line. places: each site's file; the later site by name is told."""
    lines: dict[str, str] = {}
    for id in sorted(records):
        for source in records[id].base.sources:
            if source.kind is SourceKind.PULSE and (first := lines.setdefault(source.address, id)) != id:
                yield Problem(places[id], "source", "", f"the line {source.address} is listened to by {first} too")
                break

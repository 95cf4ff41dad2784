"""`watcher sites`: the sites on file, what is fitted, how each is read, the last reading, and what stands open."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any

from watcher.align.typed import Standing, TypedReading, typed_readings
from watcher.clock import SystemClock
from watcher.config import load_sites, load_watcher
from watcher.domain.alert import Alert, AlertState
from watcher.domain.errors import Problem, SetupError
from watcher.domain.instant import from_ms, iso
from watcher.domain.site import Site, SiteRecord, SourceKind
from watcher.store.choice import Readings, open_reader
from watcher.store.ledger import Ledger
from watcher.store.sunshine import SunshineStore
from watcher.wiring import Files

EVER_MS = 2**62


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a site now. last_ms: of the newest reading, typed or measured; None where there is none

    typed: of all its meters, in order of time. years: of past sunshine that are kept for its place
    """

    record: SiteRecord
    site: Site
    last_ms: int | None
    typed: tuple[TypedReading, ...]
    alerts: tuple[Alert, ...]
    evaluated_ms: int | None
    years: tuple[int, ...]


def run_sites(options: argparse.Namespace) -> int:
    """List them, or say all of one; 2 for one that is not there or whose file has problems."""
    config = load_watcher(options.config)
    found = load_sites(config.sites_folder)
    if options.id is not None and options.id not in found.good:
        allowed = f"no such site; there are {', '.join(sorted(found.good)) or 'none'}"
        raise SetupError((Problem(str(config.sites_folder), "ID", options.id, allowed), *found.problems))
    chosen = [found.good[id] for id in ([options.id] if options.id is not None else sorted(found.good))]
    files = Files.of(config)
    sunshine = SunshineStore(files.sunshine)
    with ExitStack() as stack:
        ledger: Ledger | None = None
        stored: Readings | None = None
        if files.ledger.exists():
            ledger = stack.enter_context(Ledger(files.ledger_url))
        if files.readings.exists():
            stored = open_reader(files.readings, files.server)
            stack.callback(stored.close)
        known = [_known(record, ledger, stored, sunshine) for record in chosen]
    if options.json:
        print(json.dumps([_plain(one) for one in known], indent=2, ensure_ascii=False))
    elif options.id is not None:
        print("\n".join(_all_of(known[0])))
    else:
        print("\n".join(_table(known)))
    for problem in found.problems if options.id is None else ():
        print(f"not read: {problem}")
    return 0


def _known(
    record: SiteRecord, ledger: Ledger | None, stored: Readings | None, sunshine: SunshineStore
) -> Known:  # fmt: skip
    events = ledger.events(record.id, EVER_MS)[0] if ledger is not None else []
    meters = dict.fromkeys(meter.id for meter in record.meters)
    typed = sorted((one for meter in meters for one in typed_readings(events, meter)), key=lambda one: one.at_ms)
    last = [one.at_ms for one in typed]
    if stored is not None:
        devices = {fact.id for facts in (record.inverters, record.meters) for fact in facts}
        read = stored.last(record.id).items()
        last += [one.time_ms for channel, one in read if channel.partition(".")[0] in devices]
    place = record.base.latitude_deg, record.base.longitude_deg
    years = {kind.year for node in sunshine.nodes() if node.serves(*place) for kind in sunshine.kinds(node)}
    return Known(
        record=record,
        site=record.at(SystemClock().now_ms()),
        last_ms=max(last, default=None),
        typed=tuple(typed),
        alerts=tuple(one for one in ledger.standing_alerts(record.id) if one.state is AlertState.OPEN)
        if ledger
        else (),
        evaluated_ms=ledger.evaluated_until(record.id) if ledger is not None else None,
        years=tuple(sorted(years)),
    )


def _table(known: Sequence[Known]) -> Iterator[str]:
    rows = [("site", "name", "fitted", "read", "last reading", "open")]
    for one in known:
        opened = ", ".join(dict.fromkeys(str(alert.finding) for alert in one.alerts)) or "-"
        last = f"{_local(one.last_ms, one.site):%Y-%m-%d}" if one.last_ms is not None else "none"
        rows.append((one.site.id, one.site.name[:32], _fitted(one.site), _how_read(one.site), last, opened))
    widths = [max(len(row[at]) for row in rows) for at in range(len(rows[0]))]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
    yield f"{len(known)} sites"


def _all_of(one: Known) -> Iterator[str]:
    site = one.site
    yield f"{site.id}: {site.name}"
    yield f"  place: {site.latitude_deg:.4f} north, {site.longitude_deg:.4f} east, {site.zone.key}" + (
        f", region {site.region}" if site.region else ""
    )
    for array in site.arrays:
        plane = f"{array.tilt_deg:g}° facing {array.azimuth_deg:g}°"
        yield f"  {array.id}: {array.peak_power_w / 1000:g} kW, {plane}, at {array.input}"
    for inverter in site.inverters:
        serial = f", serial {inverter.serial}" if inverter.serial else ""
        yield f"  {inverter.id}: {inverter.ac_limit_w / 1000:g} kW{serial}"
    for meter in site.meters:
        serial = f", serial {meter.serial}" if meter.serial else ""
        yield f"  {meter.id}: {meter.role} of {', '.join(meter.covers) or 'nothing named'}{serial}"
    yield f"  read: {_how_read(site)}"
    good = [reading for reading in one.typed if reading.standing is Standing.GOOD]
    asked = sum(reading.standing is Standing.ASKED for reading in one.typed)
    if one.typed:
        first, last = (_local(one.typed[at].at_ms, site) for at in (0, -1))
        yield f"  typed readings: {len(good)} good, {asked} asked about, {first:%Y-%m-%d} to {last:%Y-%m-%d}"
    yield "  last reading: " + (iso(one.last_ms) if one.last_ms is not None else "none")
    yield "  judged until: " + (iso(one.evaluated_ms) if one.evaluated_ms is not None else "never")
    yield "  past sunshine: " + (", ".join(map(str, one.years)) or "none kept; `watcher sunshine` has it")
    for contact in site.contacts:
        yield f"  {contact.role}: {contact.email}"
    for alert in one.alerts:
        yield f"  open: {alert.id}, since {iso(alert.onset_ms)}"
    if not one.alerts:
        yield "  nothing open"


def _plain(one: Known) -> Mapping[str, Any]:
    site = one.site
    return {
        "id": site.id,
        "name": site.name,
        "latitude_deg": site.latitude_deg,
        "longitude_deg": site.longitude_deg,
        "peak_power_w": sum(array.peak_power_w for array in site.arrays),
        "ac_limit_w": sum(inverter.ac_limit_w for inverter in site.inverters),
        "read": _how_read(site),
        "last_reading": None if one.last_ms is None else iso(one.last_ms),
        "typed_readings": len(one.typed),
        "evaluated_until": None if one.evaluated_ms is None else iso(one.evaluated_ms),
        "sunshine_years": list(one.years),
        "open": [alert.id for alert in one.alerts],
    }


def _fitted(site: Site) -> str:
    arrays = f" in {len(site.arrays)} arrays" if len(site.arrays) > 1 else ""
    power = sum(array.peak_power_w for array in site.arrays)
    return f"{power / 1000:.4g} kW{arrays}, {sum(one.ac_limit_w for one in site.inverters) / 1000:.4g} kW AC"


def _how_read(site: Site) -> str:
    kinds = [one.kind for one in site.sources if one.kind not in (SourceKind.WEATHER, SourceKind.NEIGHBOURS)]
    return ", ".join(dict.fromkeys(map(str, kinds))) or "not at all"


def _local(ms: int, site: Site) -> Any:
    return from_ms(ms).astimezone(site.zone)

"""One site file: from its text to the site's record.

Rule: a record is given only for a file without a single problem. site_words.py says what each key may hold; here
stands what one entry must be to another.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from itertools import chain
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from watcher.config.address import address_fault
from watcher.config.checked_toml import Page, shown
from watcher.config.map_file import MapsFound
from watcher.config.pulse_lines import faults as pulse_faults
from watcher.config.serial_lines import faults as serial_faults
from watcher.config.site_words import SITE_FILE
from watcher.config.topic_map_file import TopicMapsFound, fixed_topics
from watcher.domain.instant import local_day, local_day_of
from watcher.domain.neighbours import FEWEST, NEIGHBOURS
from watcher.domain.papers import Battery, Display
from watcher.domain.quantity import NAME, WEATHER_DEVICES
from watcher.domain.site import (
    Array,
    Contact,
    Inverter,
    Label,
    Meter,
    MeterRole,
    Module,
    Papers,
    Payment,
    Rate,
    Sensor,
    Site,
    SiteRecord,
    Source,
    SourceKind,
    WeatherShape,
)

_Fact = TypeVar("_Fact", Array, Inverter, Meter, Sensor)
_Entry = Mapping[str, Any]

_DATED = ("array", "inverter", "meter", "sensor")
_OWN_DEVICES: Mapping[Any, tuple[str, ...]] = {
    SourceKind.WEATHER: WEATHER_DEVICES,
    SourceKind.NEIGHBOURS: (NEIGHBOURS,),
}
"""Kinds of source whose devices need no entry of their own."""

_BY_REGISTERS = (SourceKind.MODBUS_TCP, SourceKind.MODBUS_RTU)


def load_site(
    text: str, place: str, id: str, maps: MapsFound | None = None, topics: TopicMapsFound | None = None
) -> SiteRecord:
    """The record of a site from the text of its file.

    place: the file's name, for messages. id: the site's, which is the name of the file without its ending.
    maps, topics: the register and topic maps there are; None for a record of the past, whose maps may be gone
    SetupError with every problem there is.
    """
    page, tables = Page.opened(text, place)
    if NAME.fullmatch(id) is None:
        page.wrong("", f'"{id}" names the site: lower case letters, digits and single hyphens only, such as home-17')
    content = page.table(tables, SITE_FILE)
    for check in (_ids, _inputs, _covers, _planes, _sources, _contacts):
        check(page, content)
    _neighbours(page, content, id)
    if maps is not None:
        _maps(page, content, maps)
    if topics is not None:
        _topics(page, content, topics)
    page.refuse()
    record = _record(content, id)
    _at_any_time(page, record)
    page.refuse()
    return record


def _entries(content: _Entry, kind: str) -> Iterator[tuple[str, _Entry]]:
    """Each entry of a list of tables with its path; entries that were not read well lack the key concerned."""
    for at, entry in enumerate(content.get(kind, ())):
        yield f"{kind}[{at}]", entry


def _known(content: _Entry, *kinds: str) -> list[str]:
    return list(dict.fromkeys(entry["id"] for kind in kinds for _, entry in _entries(content, kind) if "id" in entry))


def _this_site_has(known: Sequence[str]) -> str:
    return "this site has " + (", ".join(known) if known else "none")


def _ids(page: Page, content: _Entry) -> None:
    """One id names one thing; the same id again is its next entry and needs another date."""
    owner: dict[str, str] = {**dict.fromkeys(WEATHER_DEVICES, "weather"), NEIGHBOURS: "the neighbours"}
    for kind in _DATED:
        entries = [(path, entry) for path, entry in _entries(content, kind) if "id" in entry]
        begins: dict[str, list[date]] = {}
        for path, entry in entries:
            id, begin = entry["id"], entry.get("from", date.min)
            if owner.setdefault(id, kind) != kind:
                page.wrong(f"{path}.id", f"already the name of another thing ({owner[id]})", shown(id))
            elif begin in begins.setdefault(id, []):
                page.wrong(f"{path}.id", "stands twice; a later entry needs its own from = DATE", shown(id))
            begins.setdefault(id, []).append(begin)
        for path, entry in entries:
            ends = entry.get("from") if entry.get("removed") else None
            if ends is not None and not any(begin < ends for begin in begins[entry["id"]]):
                page.wrong(f"{path}.removed", "no earlier entry of this id, so there is nothing to remove", "true")


def _inputs(page: Page, content: _Entry) -> None:
    known = _known(content, "inverter")
    for path, entry in _entries(content, "array"):
        if "input" in entry and entry["input"].partition(".")[0] not in known:
            page.wrong(f"{path}.input", f"no such inverter; {_this_site_has(known)}", shown(entry["input"]))


def _covers(page: Page, content: _Entry) -> None:
    known = _known(content, "inverter")
    for path, entry in _entries(content, "meter"):
        for id in entry.get("covers", ()):
            if id not in known:
                page.wrong(f"{path}.covers", f"no such inverter; {_this_site_has(known)}", shown(id))
        if entry.get("role") is MeterRole.GENERATION and entry.get("covers", ()) == () and not entry.get("removed"):
            page.wrong(f"{path}.covers", 'a generation meter says whose output passes it, such as ["inverter-1"]')


def _planes(page: Page, content: _Entry) -> None:
    known = _known(content, "array")
    for path, entry in _entries(content, "sensor"):
        if "plane" in entry and entry["plane"] not in ("horizontal", *known):
            allowed = f'must be "horizontal" or the id of an array; {_this_site_has(known)}'
            page.wrong(f"{path}.plane", allowed, shown(entry["plane"]))


def _sources(page: Page, content: _Entry) -> None:
    """Each reads a device of the site, at an address of its kind; a device is read in one way besides by a person."""
    known = _known(content, "inverter", "meter", "sensor")
    read: Counter[str] = Counter()
    for path, entry in _entries(content, "source"):
        kind, device = entry.get("kind"), entry.get("device")
        own = _OWN_DEVICES.get(kind)
        allowed = own or (*known, *WEATHER_DEVICES)
        if device is not None and device not in allowed:
            listed = own or known
            page.wrong(f"{path}.device", f"no such device; {_this_site_has(listed)}", shown(device))
        address = entry.get("address", "")
        if kind is not None and (fault := address_fault(kind, address)):
            # What stands before an @ may be a password, which no message repeats.
            page.wrong(f"{path}.address", fault, shown(address) if address and "@" not in address else "")
        if device is not None and kind is not SourceKind.TYPED:
            read[device] += 1
            if read[device] == 2:
                page.wrong(f"{path}.device", "already read by another source; keep one", shown(device))
        if (entry.get("label") is Label.MEAN_ENDING) != (entry.get("period_s", 0.0) > 0):
            page.wrong(f"{path}.label", 'label = "mean-ending" and period_s above 0 go together: a mean has a period')
        if kind is SourceKind.WEATHER and device in WEATHER_DEVICES:
            _weather(page, path, entry)
    sources = list(_entries(content, "source"))
    for path, fault, value in chain(serial_faults(sources), pulse_faults(sources, _known(content, "meter"))):
        page.wrong(path, fault, shown(value))


def _maps(page: Page, content: _Entry, maps: MapsFound) -> None:
    for path, entry in _entries(content, "source"):
        if entry.get("kind") in _BY_REGISTERS and "map" in entry and (fault := maps.fault(entry["map"])):
            page.wrong(f"{path}.map", fault, shown(entry["map"]))


def _topics(page: Page, content: _Entry, topics: TopicMapsFound) -> None:
    for path, entry in _entries(content, "source"):
        if entry.get("kind") is not SourceKind.MQTT:
            if "topic" in entry:
                page.wrong(f"{path}.topic", 'only for a source of kind = "mqtt"', shown(entry["topic"]))
        elif "map" not in entry:
            page.wrong(f"{path}.map", "missing; the name of a topic map says what stands under which topic")
        elif fault := topics.fault(entry["map"]):
            page.wrong(f"{path}.map", fault, shown(entry["map"]))
        elif "topic" in entry and fixed_topics(topics.good[entry["map"]]):
            page.wrong(
                f"{path}.topic", f"the topics of {entry['map']} have no {{device}} in them", shown(entry["topic"])
            )


def _weather(page: Page, path: str, entry: _Entry) -> None:
    """What a service tells are means, over the hour where its shape says so."""
    shape, period_s = entry.get("shape", WeatherShape.PLAIN), entry.get("period_s", 0.0)
    if entry.get("label") is not Label.MEAN_ENDING:
        page.wrong(f"{path}.label", 'must be "mean-ending", with period_s: what a weather service tells are means')
    elif shape is not WeatherShape.PLAIN and period_s != 3600:
        page.wrong(
            f"{path}.period_s", f"must be 3600: answers of the shape {shape} are means over the hour", shown(period_s)
        )


def _neighbours(page: Page, content: _Entry, id: str) -> None:
    """Enough of them to rest on, and never the site itself; whether there are such sites is not asked here."""
    for path, entry in _entries(content, "source"):
        sites = entry.get("sites", ())
        if entry.get("kind") is not SourceKind.NEIGHBOURS:
            for key in ("sites", "within_km"):
                if key in entry:
                    page.wrong(f"{path}.{key}", 'only for a source of kind = "neighbours"', shown(entry[key]))
        elif id in sites:
            page.wrong(f"{path}.sites", "names the site itself, which is no neighbour of its own", shown(id))
        elif "sites" in entry and len(set(sites)) < FEWEST:
            page.wrong(f"{path}.sites", f"must name {FEWEST} other sites or more: of two nobody can say which is right")


def _contacts(page: Page, content: _Entry) -> None:
    seen: set[tuple[Any, Any]] = set()
    for path, entry in _entries(content, "contact"):
        who = (entry.get("role"), entry.get("email"))
        if None not in who and who in seen:
            page.wrong(f"{path}.email", f"stands twice as {who[0]}", shown(who[1]))
        seen.add(who)


def _record(content: _Entry, id: str) -> SiteRecord:
    site = content["site"]
    zone: ZoneInfo = site["zone"]
    payment = content.get("payment", {})
    sources = [Source(**entry) for entry in content["source"]]
    base = Site(
        id=id,
        **site,
        # What a person types stands last: `Site.source_of` gives the first, which should be the one that is polled.
        sources=tuple(sorted(sources, key=lambda source: source.kind is SourceKind.TYPED)),
        contacts=tuple(Contact(**entry) for entry in content.get("contact", ())),
        payment=Payment(
            **{key: value for key, value in payment.items() if key != "rate"},
            rates=tuple(Rate(**_begun(entry, zone)) for entry in payment.get("rate", ())),
        ),
        papers=Papers(**content.get("papers", {})),
        display=Display(**content["display"]) if "display" in content else None,
        battery=Battery(**content["battery"]) if "battery" in content else None,
        **content.get("letters", {}),
        policy=content.get("policy", {}),
    )
    return SiteRecord(
        base,
        arrays=_history([_with_module(entry) for entry in content["array"]], Array, zone),
        inverters=_history(content["inverter"], Inverter, zone),
        meters=_history(content.get("meter", ()), Meter, zone),
        sensors=_history(content.get("sensor", ()), Sensor, zone),
    )


def _with_module(entry: _Entry) -> _Entry:
    return {**entry, "module": Module(**entry["module"])} if "module" in entry else entry


def _begun(entry: _Entry, zone: ZoneInfo) -> dict[str, Any]:
    """The entry with `from` as an instant: midnight at the site, or always."""
    begun = {key: value for key, value in entry.items() if key != "from"}
    if "from" in entry:
        begun["from_ms"] = local_day(entry["from"], zone)[0]
    return begun


def _history(entries: Sequence[_Entry], kind: Callable[..., _Fact], zone: ZoneInfo) -> tuple[_Fact, ...]:
    """Facts in the file's order. A removed one keeps what its id last was, so that it can still be named."""
    begun = [_begun(entry, zone) for entry in entries]
    there = [kind(**entry) for entry in begun if not entry.get("removed")]

    def removed(entry: _Entry) -> _Fact:
        earlier = [fact for fact in there if fact.id == entry["id"] and fact.from_ms < entry["from_ms"]]
        return replace(max(earlier, key=lambda fact: fact.from_ms), from_ms=entry["from_ms"], removed=True)

    in_order = iter(there)
    return tuple(removed(entry) if entry.get("removed") else next(in_order) for entry in begun)


def _at_any_time(page: Page, record: SiteRecord) -> None:
    """Whatever is in force names only what is in force with it, at every instant at which something changes."""
    told: set[tuple[str, str]] = set()

    def wrong(path: str, id: str, at_ms: int) -> None:
        if (path, id) not in told:
            told.add((path, id))
            when = f"on {local_day_of(at_ms, record.base.zone)}" if at_ms else "at first"
            page.wrong(path, f"{id} is not there {when}: its first entry begins later, or it was removed", shown(id))

    for at_ms in (0, *record.changes()):
        site = record.at(at_ms)
        inverters = {inverter.id for inverter in site.inverters}
        arrays = {array.id for array in site.arrays}
        for array in site.arrays:
            if array.inverter not in inverters:
                wrong(f"array[{record.arrays.index(array)}].input", array.inverter, at_ms)
        for meter in site.meters:
            for id in meter.covers:
                if id not in inverters:
                    wrong(f"meter[{record.meters.index(meter)}].covers", id, at_ms)
        for sensor in site.sensors:
            if sensor.plane not in ("horizontal", *arrays):
                wrong(f"sensor[{record.sensors.index(sensor)}].plane", sensor.plane, at_ms)

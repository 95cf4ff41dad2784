"""`watcher meter`: the life of a site's meters, and what is to be recorded of it: exchanges, resets, work on the roof.

It takes effect with the next judging, whether or not the watcher runs now.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from datetime import date

from watcher.alert.wording_entry import kwh
from watcher.align.entry_check import index_of
from watcher.align.meter_papers import CERTIFIED, VERIFIED, papers_of
from watcher.align.roof_work import NEVER_MS, OFF, ON, aways
from watcher.align.typed import Change, Since, continuous
from watcher.clock import SystemClock
from watcher.commands.read import instant_of, line_of, open_desk
from watcher.domain.errors import Problem, SetupError
from watcher.domain.event import Draft, EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, iso
from watcher.reading_desk import ReadingDesk

Values = dict[str, str | float]

PROOF_DAYS = 400
"""How far back a last good reading is looked for."""


def run_meter(options: argparse.Namespace) -> int:
    """Record what is said; without anything to record, print what is known of one meter, or of all."""
    now_ms = SystemClock().now_ms()
    with open_desk(options.config, options.site) as desk:
        draft = _draft(desk, options, now_ms)
        if draft is None:
            _print(desk, options.device, now_ms)
            return 0
        desk.ledger.add_events(desk.record.id, (draft,), now_ms)
        print(f"recorded: {draft.subject} at {iso(draft.at_ms)}: {_told(draft)}")
        return 0


def _draft(desk: ReadingDesk, options: argparse.Namespace, now_ms: int) -> Draft | None:
    """What is to be recorded; None where nothing is. SetupError for what does not fit the site."""
    record, device = desk.record, options.device
    meters, inverters = {one.id for one in record.meters}, {one.id for one in record.inverters}
    at_ms = instant_of(options.at, now_ms)
    who: Values = {"who": options.who}
    if options.what is None:
        allowed, draft = sorted(meters), None
        if options.certified_until:
            said: Values = {"what": CERTIFIED, "certified_until": _date(options.certified_until)}
            draft = Draft(EventKind.SEEN, device or "", at_ms, said | who)
    elif options.what in (f"panels-{OFF}", f"panels-{ON}"):
        allowed = sorted({array.id for array in record.arrays})
        draft = Draft(EventKind.ROOF_WORK, device or "", at_ms, {"panels": options.what.removeprefix("panels-")} | who)
    elif options.what == VERIFIED:
        allowed, draft = sorted(meters), Draft(EventKind.SEEN, device or "", at_ms, {"what": VERIFIED} | who)
    else:
        allowed = sorted(meters | inverters if options.what == "exchanged" else meters)
        draft = None
        if device in allowed:
            draft = Draft(EventKind.METER_EXCHANGE, device, at_ms, _exchange(desk, options, at_ms, now_ms) | who)
    if device not in allowed and (device or options.what or draft):
        must = f"there are {', '.join(allowed) or 'none'}"
        raise SetupError((Problem("command line", "DEVICE", device or "", must),))
    return draft


def _exchange(desk: ReadingDesk, options: argparse.Namespace, at_ms: int, now_ms: int) -> Values:
    """What was said of a register that began anew. What was not written down is left out."""
    told: Values = {"what": options.what}
    modulus_wh = None
    if any(one.id == options.device for one in desk.record.meters):
        life = desk.life(options.device)
        modulus_wh = life.modulus_wh(at_ms)
        told["final_serial"] = options.old_serial or life.serial_at(at_ms)
    told["serial"] = options.serial if options.what == "exchanged" else told.get("final_serial", "")
    opened_ms = instant_of(options.opened, now_ms, "--opened") if options.opened else at_ms
    if opened_ms < at_ms:
        raise SetupError((Problem("command line", "--opened", options.opened, "lies before --at"),))
    told["opened_ms"] = float(opened_ms)
    for key, name in (("final", "final_index"), ("opening", "opening_index")):
        text = getattr(options, key)
        if text is not None:
            told[name] = _index_wh(key, text, modulus_wh)
    if options.what == "rolled-over":  # it counted on to the last figure that its display has, and began at nought
        told |= {} if modulus_wh is None else {"final_index": modulus_wh, "opening_index": 0.0}
    if options.certified_until:
        told["certified_until"] = _date(options.certified_until)
    return {name: value for name, value in told.items() if value != ""}


def _index_wh(key: str, text: str, modulus_wh: float | None) -> float:
    try:
        wh = round(index_of(text) * 1000.0, 3)
    except ValueError as error:
        raise SetupError((Problem("command line", f"--{key}", text, str(error)),)) from None
    if modulus_wh is not None and wh >= modulus_wh:
        raise SetupError((Problem("command line", f"--{key}", text, "has more digits than the meter shows"),))
    return wh


def _date(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        must = "must be a date such as 2041-12-31"
        raise SetupError((Problem("command line", "--certified-until", text, must),)) from None


def _told(draft: Draft) -> str:
    """The event's own words, shortly."""
    said = []
    for name, value in draft.values.items():
        if isinstance(value, str):
            said.append(f"{name} {value}")
        elif name.endswith("_index"):
            said.append(f"{name} {value / 1000:g} kWh")
    return ", ".join(said)


def _print(desk: ReadingDesk, device: str | None, now_ms: int) -> None:
    for meter in dict.fromkeys(one.id for one in desk.record.meters):
        if device in (None, meter):
            print("\n".join(life_lines(desk, meter, now_ms, readings=device is not None)))
    if device is None:
        print("\n".join(_other_lines(desk)), end="")


def life_lines(desk: ReadingDesk, meter: str, now_ms: int, *, readings: bool) -> Iterator[str]:
    """The life of one meter: serials, indices and dates, papers, and what it has counted in all."""
    life, typed = desk.life(meter), desk.readings(meter)
    facts = life.facts(now_ms)[1]
    papers = papers_of(facts, desk.events())
    serial = life.serial_at(now_ms) or "not known"
    yield f"{meter}: {facts.role} meter, serial {serial}"
    yield f"  certified until {papers.certified_until or 'not known'}"
    yield f"  last verified {'never recorded' if papers.verified_ms is None else iso(papers.verified_ms)}"
    if (proof := _proof(desk, meter, now_ms)) is not None:
        yield f"  last good reading {kwh(proof['index_wh'], facts.decimals)} kWh at {iso(int(proof['read_ms']))}"
    for change in life.changes:
        yield from _change_lines(change, facts.decimals)
    if readings:
        for one in typed:
            yield f"  {line_of(one, facts.decimals)}"
    totals = continuous(typed, life)
    if totals:
        unknown = sum(one.since is Since.NOTHING for one in totals[1:])
        said = f"  in all {kwh(totals[-1].wh, facts.decimals)} kWh by {iso(totals[-1].at_ms)}"
        yield said + (f", less what {unknown} stretches counted that nobody knows" if unknown else "")


def _proof(desk: ReadingDesk, meter: str, now_ms: int) -> Mapping[str, float] | None:
    """What was kept of the newest settled day on which the meter was read automatically."""
    kept = desk.ledger.figures(desk.record.id, now_ms - PROOF_DAYS * DAY_MS, now_ms)
    own = [one.values for one in kept if one.finding is Finding.METER_DISPLAY_DRIFT and one.subject == meter]
    return max(own, key=lambda values: values["read_ms"], default=None)


def _change_lines(change: Change, decimals: int) -> Iterator[str]:
    def index(wh: float | None) -> str:
        return "index not known" if wh is None else f"{kwh(wh, decimals)} kWh"

    what = "reset or gone round" if change.reset else "exchanged"
    old, new = change.final_serial or "serial not known", change.serial or "serial not known"
    yield f"  {what} {iso(change.at_ms)}: {old} at {index(change.final_wh)}"
    yield f"  {'begun':>{len(what)}} {iso(change.opened_ms)}: {new} at {index(change.opening_wh)}"
    if change.opened_ms > change.at_ms:
        yield f"  not metered for {(change.opened_ms - change.at_ms) / HOUR_MS:.2f} hours in between"


def _other_lines(desk: ReadingDesk) -> Iterator[str]:
    events = desk.events()
    inverters = {one.id for one in desk.record.inverters}
    for event in events:
        if event.kind is EventKind.METER_EXCHANGE and event.subject in inverters:
            yield f"{event.subject}: exchanged {iso(event.at_ms)}, serial {event.values.get('serial', 'not known')}\n"
    for array, start_ms, end_ms in aways(events):
        until = "nobody said they are back" if end_ms == NEVER_MS else f"until {iso(end_ms)}"
        yield f"{array}: panels off from {iso(start_ms)}, {until}\n"

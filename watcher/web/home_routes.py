"""A home's own addresses: its page, the view that is read across a room, and the form for a meter reading."""

from __future__ import annotations

from datetime import UTC, datetime

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from watcher.alert.wording_entry import kwh, question
from watcher.alert.wording_pages import LIES_AHEAD, NO_READING, NO_TIME, thanks
from watcher.align.entry import Consent, Entry
from watcher.align.entry_check import check_entry
from watcher.align.typed import Standing, TypedReading
from watcher.domain.instant import to_ms
from watcher.domain.site import Meter, MeterRole, Role, Site
from watcher.photo import kept_photo
from watcher.web.access import Visitor
from watcher.web.front import Form, Front, front_of, not_here, seen, taken
from watcher.web.home import home_view


def home(request: Request, front: Front, visitor: Visitor) -> Response:
    site = request.path_params["site"]
    view = home_view(front.books, site, visitor.role, visitor.sees_the_house)
    said = _said(request, front, site)
    display = f"/home/{site}/display?token={front.access.display_token(site)}"
    return front.page("home.html", visitor, view=view, said=said, display=display)


def display(request: Request) -> Response:
    """For whoever has the link, or may see the home anyway."""
    front, site = front_of(request), request.path_params["site"]
    visitor = front.visitor(request)
    by_link = front.access.is_display(site, request.query_params.get("token", ""))
    if site not in front.books.sites or not (by_link or (visitor is not None and visitor.sees(site))):
        raise not_here()
    view = home_view(front.books, site, Role.OCCUPIER, house=False)
    answer = front.page("display.html", None, view=view)
    answer.headers["Refresh"] = "60"  # a screen on a wall has nobody to ask for it; the home's own page stays as it is
    return answer


def reading(request: Request, front: Front, visitor: Visitor) -> Response:
    return _form(request, front, visitor)


def take_reading(request: Request, front: Front, visitor: Visitor, form: Form) -> Response:
    """Record what was typed, then show the outcome under an address of its own: loading that anew sends nothing."""
    id, now_ms = request.path_params["site"], front.books.now_ms()
    site = front.books.site(id)
    meters = {meter.id: meter for meter in _readable(site)}
    meter = meters.get(form["meter"] or next(iter(meters), ""))
    if meter is None:
        raise not_here()
    at_ms = _instant(form["at"], site, now_ms)
    if at_ms is None or at_ms > now_ms:
        return _form(request, front, visitor, form, NO_TIME if at_ms is None else LIES_AHEAD)
    desk = front.books.desk(id)
    try:
        photo = None if form.picture is None else kept_photo(form.picture)
    except ValueError as error:
        return _form(request, front, visitor, form, f"The picture cannot be used: {error}.")
    who = visitor.name or str(visitor.role)
    entry = Entry(at_ms, form["value"], who, form["serial"], "" if photo is None else photo.sha256)
    try:
        entered = desk.take(meter.id, entry, now_ms, photo=photo)
    except ValueError:
        return _form(request, front, visitor, form, NO_READING)
    if entered.reading.standing is Standing.ASKED:
        return RedirectResponse(f"/home/{id}/reading/{meter.id}/{at_ms}", 303)
    return RedirectResponse(f"/home/{id}?meter={meter.id}&at={at_ms}", 303)


def asked(request: Request, front: Front, visitor: Visitor) -> Response:
    """The question about a reading that does not fit."""
    id, meter, found = _found(request, front)
    if found.standing is not Standing.ASKED:
        return RedirectResponse(f"/home/{id}?meter={meter.id}&at={found.at_ms}", 303)
    desk, now_ms = front.books.desk(id), front.books.now_ms()
    others = [one for one in desk.readings(meter.id) if one.at_ms != found.at_ms]
    known = desk.known(meter.id, found.at_ms, desk.events(), now_ms)
    check = check_entry(found.typed, found.at_ms, desk.life(meter.id), others, known, found.serial)
    offered = "" if check.offered_wh is None else kwh(check.offered_wh, meter.decimals)
    return front.page("asked.html", visitor, site=front.books.site(id), meter=meter, reading=found, offered=offered,
        why=question(check, meter.decimals),
    )  # fmt: skip


def answer_asked(request: Request, front: Front, visitor: Visitor, form: Form) -> Response:
    id, meter, found = _found(request, front)
    desk, now_ms = front.books.desk(id), front.books.now_ms()
    who = visitor.name or str(visitor.role)
    if found.standing is Standing.ASKED:
        if form["answer"] == "withdraw":
            desk.withdraw(found, who, now_ms)
            return RedirectResponse(f"/home/{id}/reading", 303)
        if form["answer"] in (Consent.AS_TYPED, Consent.AS_OFFERED):
            entry = Entry(found.at_ms, found.typed, who, found.serial, found.photo)
            desk.take(meter.id, entry, now_ms, Consent(form["answer"]))
    return RedirectResponse(f"/home/{id}?meter={meter.id}&at={found.at_ms}", 303)


def _form(request: Request, front: Front, visitor: Visitor, form: Form | None = None, wrong: str = "") -> Response:
    site = front.books.site(request.path_params["site"])
    return front.page("reading.html", visitor, status=422 if wrong else 200, site=site, meters=_readable(site),
        typed=form if form is not None else Form({}), wrong=wrong,
    )  # fmt: skip


def _readable(site: Site) -> list[Meter]:
    """Meters whose display people read; the generation meters first."""
    return sorted(site.meters, key=lambda meter: meter.role is not MeterRole.GENERATION)


def _instant(text: str, site: Site, now_ms: int) -> int | None:
    """Day and time in the site's zone; now where nothing is said, None where it is no time."""
    if not text:
        return now_ms
    try:
        return to_ms(datetime.fromisoformat(text).replace(tzinfo=site.zone).astimezone(UTC))
    except ValueError:
        return None


def _found(request: Request, front: Front) -> tuple[str, Meter, TypedReading]:
    id = request.path_params["site"]
    meter = next((one for one in front.books.site(id).meters if one.id == request.path_params["meter"]), None)
    if meter is None:
        raise not_here()
    readings = front.books.desk(id).readings(meter.id)
    found = next((one for one in readings if one.at_ms == request.path_params["at"]), None)
    if found is None:
        raise not_here()
    return id, meter, found


def _said(request: Request, front: Front, site: str) -> str:
    """What is said after a reading was sent; "" otherwise."""
    meter, at = request.query_params.get("meter", ""), request.query_params.get("at", "")
    if not at.isdecimal() or meter not in {one.id for one in front.books.site(site).meters}:
        return ""
    found = next((one for one in front.books.desk(site).readings(meter) if one.at_ms == int(at)), None)
    if found is None or found.standing is Standing.WITHDRAWN:
        return ""
    decimals = front.books.site(site).meter(meter).decimals
    return thanks(kwh(found.index_wh, decimals), found.standing is Standing.GOOD)


ROUTES = [
    Route("/home/{site}", seen(home)),
    Route("/home/{site}/display", display),
    Route("/home/{site}/reading", seen(reading), methods=["GET"]),
    Route("/home/{site}/reading", taken(take_reading), methods=["POST"]),
    Route("/home/{site}/reading/{meter}/{at:int}", seen(asked), methods=["GET"]),
    Route("/home/{site}/reading/{meter}/{at:int}", taken(answer_asked), methods=["POST"]),
]

"""The installer's addresses: all sites, one site, its metering, what is said of an item, and tables to take away."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from watcher.alert.wording_pages import NOT_OPEN, RECORDED, SAID, SAY_WHAT
from watcher.commands.metering import check_of
from watcher.domain.alert import Alert
from watcher.domain.event import Draft, EventKind
from watcher.domain.instant import local_day_of
from watcher.domain.site import Role, Site
from watcher.report.metering_answer import State
from watcher.report.metering_words import SHAPES, heading, sentence, source, summary
from watcher.web.access import Visitor
from watcher.web.front import Form, Front, seen, taken
from watcher.web.installer import list_view, site_view
from watcher.web.items import Item

LONGEST_NOTE = 500


def sites(request: Request, front: Front, visitor: Visitor) -> Response:
    sought = request.query_params.get("q", "").strip().lower()

    def body() -> Markup:
        names = front.books.sites
        own = [id for id in front.own_sites(visitor) if sought in id or sought in names[id].base.name.lower()]
        view = list_view(front.books, front.items, own)
        return front.part("sites_body.html", view=view, sought=sought)

    return front.page("sites.html", visitor, body=front.kept(("sites", visitor.sites, sought), body), sought=sought)


def site(request: Request, front: Front, visitor: Visitor) -> Response:
    return _site(request, front, visitor, RECORDED if "said" in request.query_params else "")


def _site(request: Request, front: Front, visitor: Visitor, said: str = "", wrong: str = "") -> Response:
    id = request.path_params["site"]
    view = site_view(front.books, front.items, id, check_of(front.books.desk(id), front.books.now_ms()))
    return front.page("site.html", visitor, status=422 if wrong else 200, view=view, said=said, wrong=wrong)


def say(request: Request, front: Front, visitor: Visitor, form: Form) -> Response:
    """Seen, a note, a visit that is planned, or "remind me then", of one open item."""
    id, now_ms = request.path_params["site"], front.books.now_ms()
    site = front.books.site(id)
    alert = next((one for one in front.books.standing(id) if one.id == form["alert"]), None)
    if alert is None:
        return _site(request, front, visitor, wrong=NOT_OPEN)
    what = form["what"] if form["what"] in SAID else "note"
    on = _day(form["on"])
    if what in ("visit", "remind") and (on is None or on < local_day_of(now_ms, site.zone)):
        return _site(request, front, visitor, wrong=SAY_WHAT)
    text = " ".join(form["text"].split())[:LONGEST_NOTE]
    if what == "note" and not text:
        return RedirectResponse(f"/sites/{id}", 303)
    draft = _draft(alert, site, what, visitor.name or str(visitor.role), text, on, now_ms)
    front.books.ledger.add_events(id, (draft,), now_ms)
    front.forget()
    return RedirectResponse(f"/sites/{id}?said", 303)


def _draft(alert: Alert, site: Site, what: str, who: str, text: str, on: date | None, now_ms: int) -> Draft:
    values: dict[str, str | float] = {"what": what, "who": who}
    if text:
        values["text"] = text
    if on is not None and what in ("visit", "remind"):
        values["on"] = on.isoformat()
    if what == "remind":
        # Whose reminders are put off: alert/telling.py goes by the address.
        values["address"] = next((one.email for one in site.contacts if one.role is Role.INSTALLER), "")
    # A visit that is planned is a note: detectors take a VISIT for one that has been.
    kind = {"seen": EventKind.SEEN, "remind": EventKind.MUTE}.get(what, EventKind.NOTE)
    return Draft(kind, alert.id, now_ms, values)


def metering(request: Request, front: Front, visitor: Visitor) -> Response:
    id = request.path_params["site"]
    check = check_of(front.books.desk(id), front.books.now_ms())
    answers = [
        (SHAPES[one.state], str(one.state), sentence(one), source(one))
        for one in check.answers
        if one.state is not State.QUESTION
    ]
    questions = [(sentence(one), source(one)) for one in check.questions]
    return front.page(
        "metering.html", visitor, site=front.books.site(id), heading=heading(check), summary=summary(check),
        answers=answers, questions=questions,
    )  # fmt: skip


def items_csv(request: Request, front: Front, visitor: Visitor) -> Response:
    rows = front.items.open(front.own_sites(visitor))
    return _table("open-items.csv", ITEM_COLUMNS, (_item_row(one) for one in rows))


def sites_csv(request: Request, front: Front, visitor: Visitor) -> Response:
    view = list_view(front.books, front.items, front.own_sites(visitor))
    columns = ("site", "name", "state", "open", "judged")
    return _table("sites.csv", columns, ((one.id, one.name, one.state, one.open, one.judged) for one in view.sites))


ITEM_COLUMNS = (
    "site", "name", "finding", "subject", "class", "title", "since", "kWh a year low", "kWh a year", "kWh a year high",
    "pounds a year low", "pounds a year high", "certainty", "cause", "check first", "alert",
)  # fmt: skip


def _item_row(item: Item) -> tuple[object, ...]:
    year, alert = item.year, item.alert
    kwh = ("", "", "") if year is None else (round(year.low_kwh), round(year.kwh), round(year.high_kwh))
    pounds = ("", "") if year is None or year.pence is None else tuple(f"{one / 100:.2f}" for one in year.pence)
    return (
        alert.site, item.site_name, str(alert.finding), alert.subject, "safety" if item.safety else "energy",
        item.title, item.since, *kwh, *pounds, item.certainty, item.cause, item.first, alert.id,
    )  # fmt: skip


def _table(name: str, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> Response:
    """A table for a spreadsheet. A text that a spreadsheet would take for a formula is marked as text."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(columns)
    table.writerows([_harmless(value) for value in row] for row in rows)
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(out.getvalue(), media_type="text/csv", headers=headers)


def _harmless(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


ROUTES = [
    Route("/sites", seen(sites, trade=True)),
    Route("/sites.csv", seen(sites_csv, trade=True)),
    Route("/items.csv", seen(items_csv, trade=True)),
    Route("/sites/{site}", seen(site, trade=True)),
    Route("/sites/{site}/say", taken(say, trade=True), methods=["POST"]),
    Route("/sites/{site}/metering", seen(metering, trade=True)),
]

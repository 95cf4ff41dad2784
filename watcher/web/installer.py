"""The installer's pages as templates take them: the list of all sites, and all that is known of one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from watcher.alert.wording import Section
from watcher.alert.wording_entry import kwh
from watcher.alert.wording_figures import when
from watcher.alert.wording_pages import age, asked_reading, said_line
from watcher.align.typed import Standing, typed_readings
from watcher.domain.alert import Alert, AlertState
from watcher.domain.day import SettledDay
from watcher.domain.event import Event, EventKind
from watcher.domain.instant import HOUR_MS, local_day_of
from watcher.domain.site import Role, Site
from watcher.report.metering_answer import MeteringCheck
from watcher.report.metering_words import sentence
from watcher.web.books import Books
from watcher.web.drawings import BarShown, bar_drawing
from watcher.web.figures import made_wh
from watcher.web.home import Drawn, kilowatt_hours, letter_of
from watcher.web.items import Item, Items

NOT_JUDGED_MS = 3 * HOUR_MS
"""A site that was not judged for so long is shown as such."""

MOST_ITEMS = 100
PLOT_DAYS = 30
TALK = (EventKind.SEEN, EventKind.NOTE, EventKind.MUTE)


@dataclass(frozen=True, slots=True)
class SiteRow:
    """sign: which of the signs stands before it. judged: how long ago, in words"""

    id: str
    name: str
    sign: str
    state: str
    open: int
    judged: str


@dataclass(frozen=True, slots=True)
class ListView:
    """items: the gravest, at most MOST_ITEMS. more: how many are left out"""

    items: tuple[Item, ...]
    more: int
    sites: tuple[SiteRow, ...]
    asked: str


@dataclass(frozen=True, slots=True)
class ItemView:
    item: Item
    sections: tuple[Section, ...]
    plot: Drawn
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SiteView:
    """watched: what is suspected only. questions: what somebody has to find out. contacts: role, name, address"""

    site: Site
    asked: str
    items: tuple[ItemView, ...]
    watched: tuple[str, ...]
    questions: tuple[str, ...]
    contacts: tuple[tuple[str, str, str], ...]
    plot: Drawn
    judged: bool


def list_view(books: Books, items: Items, sees: Sequence[str]) -> ListView:
    """All sites someone may see, and what stands open at them."""
    now_ms = books.now_ms()
    found = items.open(sees)
    open_at: dict[str, list[Item]] = {}
    for item in found:
        open_at.setdefault(item.alert.site, []).append(item)
    judged = books.ledger.judged_through()
    rows = [_row(id, books.sites[id].base.name, open_at.get(id, []), judged.get(id), now_ms) for id in sees]
    return ListView(
        tuple(found[:MOST_ITEMS]), max(0, len(found) - MOST_ITEMS), tuple(rows),
        when(now_ms, books.sites[sees[0]].base.zone, now_ms) if sees else "",
    )  # fmt: skip


def _row(id: str, name: str, items: Sequence[Item], judged_ms: int | None, now_ms: int) -> SiteRow:
    told = "never" if judged_ms is None else age(judged_ms, now_ms)
    if any(item.safety for item in items):
        return SiteRow(id, name, "danger", "safety", len(items), told)
    if any(not item.question for item in items):
        return SiteRow(id, name, "wrong", "open", len(items), told)
    if judged_ms is None or now_ms - judged_ms > NOT_JUDGED_MS:
        return SiteRow(id, name, "unknown", "not judged", len(items), told)
    return SiteRow(id, name, "unknown" if items else "well", "question" if items else "nothing open", len(items), told)


def site_view(books: Books, items: Items, id: str, check: MeteringCheck) -> SiteView:
    """All of one site. check: of its metering"""
    now_ms, site = books.now_ms(), books.site(id)
    days, events = books.ledger.days(id), books.desk(id).events()
    standing = books.standing(id)
    views = []
    for place, item in enumerate(items.open([id])):
        told = letter_of(item.alert, site, books.firm, now_ms, Role.INSTALLER)
        said = [said_line(event, site.zone, now_ms) for event in about(item.alert, events)]
        plot = days_drawn(f"item-{place}", "The last 30 days", days, site, now_ms, item.alert)
        views.append(ItemView(item, told.sections, plot, tuple(said)))
    watched = [
        letter_of(one, site, books.firm, now_ms, Role.INSTALLER).subject.removeprefix(f"{site.name}: ")
        for one in standing
        if one.state is AlertState.SUSPECTED
    ]
    return SiteView(
        site=site,
        asked=when(now_ms, site.zone, now_ms),
        items=tuple(views),
        watched=tuple(watched),
        questions=(*_asked_readings(site, events, now_ms), *(sentence(one) for one in check.questions)),
        contacts=tuple((str(one.role), one.name, one.email) for one in site.contacts),
        plot=days_drawn("days", "The last 30 days", days, site, now_ms),
        judged=books.ledger.evaluated_until(site.id) is not None,
    )


def about(alert: Alert, events: Sequence[Event]) -> list[Event]:
    """What people said of an alert."""
    return [event for event in events if event.subject == alert.id and event.kind in TALK]


def _asked_readings(site: Site, events: Sequence[Event], now_ms: int) -> list[str]:
    return [
        asked_reading(meter.id, one.typed, when(one.at_ms, site.zone, now_ms),
                      "" if one.offered_wh is None else kwh(one.offered_wh, meter.decimals))
        for meter in site.meters
        for one in typed_readings(events, meter.id)
        if one.standing is Standing.ASKED
    ]  # fmt: skip


def days_drawn(
    id: str, title: str, days: Sequence[SettledDay], site: Site, now_ms: int, alert: Alert | None = None
) -> Drawn:
    """The last days as bars against what the sun allowed; where an alert began, a dashed line says so."""
    today = local_day_of(now_ms, site.zone)
    by_day = {day.day: day for day in days}
    shown: list[BarShown] = []
    rows = []
    began = None if alert is None else local_day_of(alert.onset_ms, site.zone)
    mark: int | None = None
    for place in range(PLOT_DAYS):
        day = today - timedelta(days=PLOT_DAYS - place)
        one = by_day.get(day)
        made, due = (None, None) if one is None else (made_wh(one), one.expected_wh)
        shown.append(BarShown(_label(day, place), _kwh(made), _kwh(due)))
        rows.append((f"{day:%d/%m/%Y}", kilowatt_hours(made), kilowatt_hours(due)))
        mark = place if day == began else mark
    words = f"{title}: energy of each day in kilowatt-hours. The thick stroke is what the sun allowed."
    if mark is not None:
        words += " The dashed line is where it began."
    drawing = bar_drawing(id, words, shown, mark=mark, figures=False)
    return Drawn(title, drawing, ("Day", "Made, kWh", "Sun allowed, kWh"), tuple(rows), words)


def _label(day: date, place: int) -> str:
    return f"{day.day}/{day.month}" if place % 5 == 2 else ""


def _kwh(wh: float | None) -> float | None:
    return None if wh is None else wh / 1000.0

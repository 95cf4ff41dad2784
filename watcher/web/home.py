"""The page of a home as a template takes it: sentences, figures as people read them, drawings and their tables."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from markupsafe import Markup

from watcher.alert.wording import Letter, Section, letter
from watcher.alert.wording_figures import when
from watcher.alert.wording_pages import LABELS, HomeState, age, day_name, first_sentence, month_name
from watcher.domain.alert import Alert, Mail, MailReason
from watcher.domain.firm import Firm
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, from_ms
from watcher.domain.site import Role, Site, SiteRecord
from watcher.sun_height import sun_height_deg
from watcher.web.books import Books
from watcher.web.drawings import BarShown, bar_drawing, day_drawing
from watcher.web.figures import Bar, Curve, Flows, HomeFigures, fortnight, home_figures
from watcher.web.standing import HomeStanding, read_as, standing

_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True, slots=True)
class Drawn:
    """A drawing with what it shows as a table: headings, then rows."""

    title: str
    drawing: Markup
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that is wrong, as the letter about it says."""

    title: str
    sections: tuple[Section, ...]


@dataclass(frozen=True, slots=True)
class HomeView:
    """numbers: label, value, unit, and what is said under it."""

    site: Site
    state: HomeState
    label: str
    sentence: str
    asked: str
    troubles: tuple[Trouble, ...]
    numbers: tuple[tuple[str, str, str, str], ...]
    meters: tuple[tuple[str, str, str, str], ...]
    day: Drawn
    yesterday: Drawn | None
    week: Drawn
    months: Drawn
    flows: tuple[tuple[str, str], ...]
    power: str


def home_view(books: Books, id: str, role: Role, house: bool) -> HomeView:
    """All of a home's page. house: whether the reader may see what the house uses, buys and stores"""
    now_ms = books.now_ms()
    record, site = books.sites[id], books.site(id)
    figures, stands = _looked_up(books, record, role, now_ms)
    standing_now = books.standing(id)
    letters = [letter_of(one, site, books.firm, now_ms, read_as(role), standing_now) for one in stands.alerts]
    subjects = [one.subject.removeprefix(f"{site.name}: ") for one in letters]
    return HomeView(
        site=site,
        state=stands.state,
        label=LABELS[stands.state],
        sentence=first_sentence(stands.state, subjects, stands.until, stands.heard_ms, site.zone, now_ms),
        asked=when(now_ms, site.zone, now_ms),
        troubles=tuple(
            Trouble(subject[:1].upper() + subject[1:], one.sections)
            for subject, one in zip(subjects, letters, strict=True)
        ),
        numbers=tuple(_numbers(figures, site, now_ms)),
        meters=tuple(_meters(figures, site, now_ms)),
        day=_day_drawn("today", "Today", figures.curve, site.zone),
        yesterday=None
        if figures.yesterday is None
        else _day_drawn("yesterday", "Yesterday", figures.yesterday, site.zone),
        week=_bars_drawn("week", "The last seven days", figures.week, _day_label),
        months=_bars_drawn("months", "The last twelve months", figures.months, _month_label),
        flows=tuple(_flows(figures.flows, figures.charge_percent)) if house and figures.flows is not None else (),
        power=kilowatts(figures.power_w),
    )


def letter_of(
    alert: Alert, site: Site, firm: Firm, now_ms: int, role: Role, standing_now: Sequence[Alert] | None = None
) -> Letter:
    """The words about an open alert, as a letter of now would have them. standing_now: all that stands at the site"""
    return letter(Mail(alert, MailReason.OPENED, role, "", now_ms), site, firm, standing_now)


def _looked_up(books: Books, record: SiteRecord, role: Role, now_ms: int) -> tuple[HomeFigures, HomeStanding]:
    site, stored = record.at(now_ms), books.stored()
    days, events = books.ledger.days(site.id), books.desk(site.id).events()
    sheets = books.ledger.sheets(site.id, *fortnight(now_ms, site))
    figures = home_figures(record, stored, events, days, sheets, now_ms)
    own = {one.id for kind in (site.inverters, site.meters) for one in kind}
    heard = [] if stored is None else [
        min(one.time_ms, now_ms) for name, one in stored.last(site.id).items() if name.partition(".")[0] in own
    ]  # fmt: skip
    alerts = books.standing(site.id)
    return figures, standing(site, alerts, days, max(heard, default=None), role, now_ms, events)


def kilowatts(watts: float | None) -> str:
    return (
        "not known" if watts is None else f"{max(0.0, watts) / 1000:.2f}" if watts < 10_000 else f"{watts / 1000:.1f}"
    )


def kilowatt_hours(wh: float | None) -> str:
    if wh is None:
        return "not known"
    kwh = wh / 1000.0
    return f"{kwh:,.1f}" if abs(kwh) < 100 else f"{kwh:,.0f}"


def _numbers(figures: HomeFigures, site: Site, now_ms: int) -> Iterable[tuple[str, str, str, str]]:
    dark = sun_height_deg(site.latitude_deg, site.longitude_deg, now_ms) < 0.0
    if figures.power_w is not None:
        yield "Now", kilowatts(figures.power_w), "kW", ""
    elif dark and figures.power_ms is not None and now_ms - figures.power_ms < DAY_MS:
        yield "Now", "0.00", "kW", "The sun is down."
    else:
        heard = "" if figures.power_ms is None else f"Last heard {age(figures.power_ms, now_ms)}."
        yield "Now", "not known", "", heard
    yield "Today", kilowatt_hours(figures.today_wh), _unit(figures.today_wh), ""
    since = figures.since
    begun = "" if since is None or (since.month, since.day) == (1, 1) else f"Since {day_name(since)}."
    yield "This year", kilowatt_hours(figures.year_wh), _unit(figures.year_wh), begun
    if figures.lifetime_wh is not None:
        yield "In all", kilowatt_hours(figures.lifetime_wh), "kWh", "As the inverter counts."


def _unit(value: float | None) -> str:
    return "" if value is None else "kWh"


def _meters(figures: HomeFigures, site: Site, now_ms: int) -> Iterable[tuple[str, str, str, str]]:
    """Name, figures of the display, where it is, when it was read."""
    for shown in figures.meters:
        how = "Read by a person" if shown.typed else "Read by wire"
        serial = f"serial {shown.meter.serial}" if shown.meter.serial else ""
        where = ", ".join(one for one in (shown.meter.place, serial) if one)
        name = "Generation meter" if len(figures.meters) == 1 else f"Generation meter ({shown.meter.id})"
        yield name, shown.digits, where[:1].upper() + where[1:], f"{how} {age(shown.at_ms, now_ms)}."


def _day_drawn(id: str, title: str, curve: Curve, zone: ZoneInfo) -> Drawn:
    told = "what this day's sun allowed" if curve.judged else "what the sun allowed at this hour in the last two weeks"
    words = [f"{title}: power through the day in kilowatts, as a solid line."]
    if curve.low:
        words.append(f"The hatched band is {told}.")
    if curve.bound:
        words.append("The dashed line is a clear sky.")
    rows = []
    hour = HOUR_MS // GRID_MS
    for begin in range(0, len(curve.made), hour):
        made = _mean(curve.made[begin : begin + hour])
        low, high = _mean(curve.low[begin : begin + hour]), _mean(curve.high[begin : begin + hour])
        if (made is not None and made > 0) or (high is not None and high > 0):
            local = from_ms(curve.start_ms + begin * GRID_MS).astimezone(zone)
            band = "not known" if low is None or high is None else f"{low / 1000:.2f} to {high / 1000:.2f}"
            rows.append((f"{local:%H:%M}", kilowatts(made), band))
    return Drawn(
        title,
        day_drawing(id, words[0], curve, zone),
        ("Hour", "Made, kW", "Expected, kW"),
        tuple(rows),
        " ".join(words),
    )


def _mean(values: Sequence[float | None]) -> float | None:
    told = [value for value in values if value is not None]
    return sum(told) / len(told) if told else None


def _bars_drawn(id: str, title: str, bars: Sequence[Bar], label: Callable[[Bar], str]) -> Drawn:
    named = [(bar, label(bar)) for bar in bars]
    shown = [BarShown(name, _kwh(bar.made_wh), _kwh(bar.expected_wh), bar.whole) for bar, name in named]
    words = f"{title}: energy in kilowatt-hours as bars. A hatched bar is not whole yet, or days are missing in it."
    if any(bar.expected_wh is not None for bar in bars):
        words += " The thick stroke is what the sun allowed."
    rows = tuple(
        (
            name if id == "week" else f"{month_name(bar.begin)} {bar.begin.year}",
            kilowatt_hours(bar.made_wh) + ("" if bar.whole or bar.made_wh is None else " so far or in part"),
            kilowatt_hours(bar.expected_wh),
        )
        for bar, name in named
    )
    first = "Day" if id == "week" else "Month"
    return Drawn(title, bar_drawing(id, words, shown), (first, "Made, kWh", "Sun allowed, kWh"), rows, words)


def _day_label(bar: Bar) -> str:
    return f"{_WEEKDAYS[bar.begin.weekday()]} {bar.begin.day}"


def _month_label(bar: Bar) -> str:
    return month_name(bar.begin)[:3]


def _kwh(wh: float | None) -> float | None:
    return None if wh is None else wh / 1000.0


def _flows(flows: Flows, charge_percent: float | None) -> Iterable[tuple[str, str]]:
    """Today's story of a home with a battery."""
    for label, wh in (
        ("Made by the panels", flows.made),
        ("Used in the house", flows.used),
        ("Stored in the battery", flows.stored),
        ("Taken from the battery", flows.given),
        ("Sent out", flows.sent),
        ("Bought", flows.bought),
    ):
        yield label, "not measured" if wh is None else f"{kilowatt_hours(wh)} kWh"
    if charge_percent is not None:
        yield "In the battery now", f"{charge_percent:.0f}% of what it holds"

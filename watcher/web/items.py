"""What stands open at all sites, for whoever decides where to go next: what it costs, how sure it is, what to check.

Rule: the order is safety first, then what a year of it costs. An item is made once for each state of its alert.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from watcher.alert.policy import POLICY, policies
from watcher.alert.telling import is_question
from watcher.alert.wording_figures import energy_range, money
from watcher.alert.wording_pages import evidence_held, onset_known, since
from watcher.domain.alert import Alert, AlertClass, AlertState
from watcher.domain.instant import local_day_of
from watcher.domain.site import Role, Site
from watcher.web.books import Books
from watcher.web.home import letter_of
from watcher.web.yearly import Yearly, yearly


@dataclass(frozen=True, slots=True)
class Item:
    """One open alert in words. loss, pounds: of a year, "" where not known. first: what to check first

    question: it is asked, and accuses nobody
    """

    alert: Alert
    site_name: str
    safety: bool
    question: bool
    title: str
    since: str
    year: Yearly | None
    loss: str
    pounds: str
    certainty: str
    cause: str
    first: str

    @property
    def rank(self) -> tuple[bool, float, int, str]:
        return not self.safety, 0.0 if self.year is None else -self.year.kwh, self.alert.onset_ms, self.alert.id


class Items:
    """Those of a fleet; what an unchanged alert comes to is remembered for the day."""

    def __init__(self, books: Books) -> None:
        self._books = books
        self._made: dict[tuple[str, int, int, date], Item] = {}

    def open(self, sees: Iterable[str]) -> list[Item]:
        """All open ones of the sites named, the gravest first."""
        wanted = set(sees)
        alerts = [one for one in self._standing() if one.site in wanted and one.site in self._books.sites]
        made = {self._key(one): one for one in alerts if one.state is AlertState.OPEN}
        found = {key: self._made[key] if key in self._made else self._item(one) for key, one in made.items()}
        self._made |= found
        if len(self._made) > 4 * len(self._books.sites) + 100:
            self._made = dict(found)
        return sorted(found.values(), key=lambda item: item.rank)

    def _standing(self) -> list[Alert]:
        if self._books.looking_back:
            return [one for site in self._books.sites for one in self._books.standing(site)]
        return self._books.ledger.standing_everywhere()

    def _key(self, alert: Alert) -> tuple[str, int, int, date]:
        today = local_day_of(self._books.now_ms(), self._books.sites[alert.site].base.zone)
        return alert.id, alert.loss_mwh, alert.fault_ms, today

    def _item(self, alert: Alert) -> Item:
        now_ms, site = self._books.now_ms(), self._books.site(alert.site)
        return item_of(alert, site, self._books, now_ms)


def item_of(alert: Alert, site: Site, books: Books, now_ms: int) -> Item:
    policy = policies(site.policy)[alert.finding]
    told = letter_of(alert, site, books.firm, now_ms, Role.INSTALLER)
    checks = next((one.steps for one in told.sections if one.title == "Check"), ())
    year = yearly(alert, site, books.ledger.days(site.id), now_ms)
    return Item(
        alert=alert,
        site_name=site.name,
        safety=policy.alert_class is AlertClass.SAFETY,
        question=is_question(alert, POLICY[alert.finding]),
        title=told.subject.removeprefix(f"{site.name}: "),
        since=since(alert, site.zone),
        year=year,
        loss="" if year is None else _kwh(year),
        pounds=""
        if year is None or year.pence is None
        else money(*year.pence).removeprefix("between ").replace(" and ", " to "),
        certainty=f"{evidence_held(alert, policy)}; {onset_known(alert)}",
        cause=" or ".join(one.replace("-", " ") for one in alert.causes) or "not known",
        first=checks[0] if checks else "",
    )


def _kwh(year: Yearly) -> str:
    span = energy_range(year.low_kwh, year.kwh, year.high_kwh).removesuffix(" kWh")
    return _plain(span) if span else f"{year.kwh:,.0f}"


def _plain(span: str) -> str:
    """A range as it stands in a table: "1,000 to 1,300"."""
    return span.removeprefix("between ").replace(" and ", " to ")


def as_json(item: Item, link: str) -> Mapping[str, object]:
    """An item for machines. link: where its site's page is. The schema stands in DEVELOPERS.md."""
    alert, year = item.alert, item.year
    return {
        "id": alert.id,
        "site": alert.site,
        "site_name": item.site_name,
        "finding": str(alert.finding),
        "subject": alert.subject,
        "class": "safety" if item.safety else "energy",
        "question": item.question,
        "title": item.title,
        "causes": list(alert.causes),
        "onset_ms": alert.onset_ms,
        "onset_low_ms": alert.onset_low_ms,
        "onset_high_ms": alert.onset_high_ms,
        "opened_ms": alert.opened_ms,
        "loss_kwh": alert.loss_mwh / 1e6,
        "loss_low_kwh": alert.loss_low_mwh / 1e6,
        "loss_high_kwh": alert.loss_high_mwh / 1e6,
        "year_kwh": None if year is None else round(year.kwh, 1),
        "year_low_kwh": None if year is None else round(year.low_kwh, 1),
        "year_high_kwh": None if year is None else round(year.high_kwh, 1),
        "year_low_pence": None if year is None or year.pence is None else round(year.pence[0]),
        "year_high_pence": None if year is None or year.pence is None else round(year.pence[1]),
        "check_first": item.first,
        "page": link,
    }

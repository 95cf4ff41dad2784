"""A mail as bytes: the same each time, readable back, threaded, and safe whatever a site is called."""

from __future__ import annotations

import email
import itertools
import re
from dataclasses import replace
from email.message import EmailMessage
from email.policy import default
from html.parser import HTMLParser
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.alert.wording_table import FAULTS
from watcher.domain.alert import Alert, AlertState, ClosedAs, Mail, MailReason
from watcher.domain.finding import Finding
from watcher.domain.firm import Firm
from watcher.domain.instant import DAY_MS, parse_iso
from watcher.domain.site import Contact, Inverter, Meter, MeterRole, Role, Site
from watcher.notify.message import compose

ONSET_MS = parse_iso("2026-06-09T10:20:00Z")
FIRM = Firm("Elm Solar", "01632 960123", "solar@firm.example")
SITE = Site(
    "home-1",
    "12 Elm Road",
    53.5,
    -2.2,
    50.0,
    ZoneInfo("Europe/London"),
    inverters=(Inverter("inverter-1", 3680.0),),
    meters=(Meter("meter-1", MeterRole.GENERATION, ("inverter-1",), serial="G0012345"),),
)
ALERT = Alert(
    "home-1",
    Finding.METER_STALLED,
    "meter-1",
    AlertState.OPEN,
    *[ONSET_MS] * 4,
    causes=("register-still",),
    loss_mwh=14_230_000,
    loss_low_mwh=12_100_000,
    loss_high_mwh=16_000_000,
    evidence={"index_kwh": 18452.3, "inverter_kwh": 14.2, "last_moved_ms": float(ONSET_MS)},
)
OPENED = Mail(ALERT, MailReason.OPENED, Role.OWNER, "jean@home.example", ONSET_MS + 60_000)
REMINDER = replace(OPENED, reason=MailReason.REMINDER, decided_ms=ONSET_MS + 3 * DAY_MS)
CLEARED = Mail(
    replace(ALERT, state=AlertState.CLEARED, closed_as=ClosedAs.RECOVERED, cleared_ms=ONSET_MS + 4 * DAY_MS),
    MailReason.CLEARED,
    Role.OWNER,
    "jean@home.example",
    ONSET_MS + 4 * DAY_MS,
)


class Shown(HTMLParser):
    """What a browser shows of a page: its text, and what it would fetch or follow."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.text, self.tags, self.addresses = "", set[str](), list[str]()
        self._hidden = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self._hidden = tag == "title" or (self._hidden and tag != "body")
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href", "background", "action")]

    def handle_data(self, data: str) -> None:
        self.text += "" if self._hidden else data + " "


def faces(message: EmailMessage) -> tuple[str, str]:
    plain, html = message.get_body(("plain",)), message.get_body(("html",))
    assert plain is not None
    assert html is not None
    return plain.get_content(), html.get_content()


def read_back(message: EmailMessage) -> EmailMessage:
    parsed = email.message_from_bytes(message.as_bytes(), policy=default)
    assert isinstance(parsed, EmailMessage)
    return parsed


def words(text: str) -> list[str]:
    return re.findall(r"[\w£%.]+", text.lower())


def test_the_same_mail_gives_the_same_bytes() -> None:
    assert compose(OPENED, SITE, FIRM).as_bytes() == compose(OPENED, SITE, FIRM).as_bytes()


def test_the_headers_say_who_when_and_that_a_machine_wrote() -> None:
    message = read_back(compose(OPENED, SITE, FIRM))
    assert message["From"] == "Elm Solar <solar@firm.example>"
    assert message["To"] == "jean@home.example"
    assert message["Subject"] == "12 Elm Road: your solar meter has stopped counting"
    assert message["Date"] == "Tue, 09 Jun 2026 10:21:00 +0000"
    assert message["Auto-Submitted"] == "auto-generated"  # RFC 3834, 5
    assert message["Content-Language"] == "en-GB"
    assert message.get_content_type() == "multipart/alternative"
    assert message.defects == []


def test_a_reminder_and_the_end_answer_the_opening_mail_of_the_same_person() -> None:
    opened, reminder, cleared = (compose(mail, SITE, FIRM) for mail in (OPENED, REMINDER, CLEARED))
    assert reminder["In-Reply-To"] == cleared["In-Reply-To"] == cleared["References"] == opened["Message-ID"]
    assert len({message["Message-ID"] for message in (opened, reminder, cleared)}) == 3
    assert opened["In-Reply-To"] is None
    other = compose(replace(CLEARED, address="sam@home.example"), SITE, FIRM)
    assert other["In-Reply-To"] != opened["Message-ID"]


@pytest.mark.parametrize(
    ("sender", "domain", "shown"),
    [
        ("solar@firm.example", "firm.example", "Elm Solar <solar@firm.example>"),
        ("Night Watch <watch@other.example>", "other.example", "Night Watch <watch@other.example>"),
        ("", "pv-watcher.invalid", "Elm Solar <pv-watcher@pv-watcher.invalid>"),
    ],
)
def test_the_message_id_belongs_to_the_senders_domain(sender: str, domain: str, shown: str) -> None:
    message = compose(OPENED, SITE, replace(FIRM, sender=sender))
    assert re.fullmatch(rf"<[0-9a-f]{{40}}@{re.escape(domain)}>", message["Message-ID"])
    assert message["From"] == shown


@pytest.mark.parametrize("mail", [OPENED, REMINDER, CLEARED], ids=lambda mail: str(mail.reason))
@pytest.mark.parametrize("role", [Role.OWNER, Role.INSTALLER])
def test_text_and_html_say_the_same_in_the_same_order(mail: Mail, role: Role) -> None:
    plain, html = faces(read_back(compose(replace(mail, role=role), SITE, FIRM)))
    assert words(Shown(html).text) == words(plain)


def test_the_page_fetches_nothing_and_its_only_link_is_the_telephone() -> None:
    _, html = faces(compose(OPENED, SITE, FIRM))
    shown = Shown(html)
    assert shown.addresses == ["tel:01632960123"]
    assert not shown.tags & {"img", "link", "script", "table", "iframe", "style"}
    assert "url(" not in html
    assert '<meta name="viewport"' in html


def test_the_text_fits_a_narrow_window() -> None:
    plain, _ = faces(compose(OPENED, SITE, FIRM))
    assert max(len(line) for line in plain.splitlines()) <= 72


def test_every_byte_on_the_wire_is_ascii() -> None:
    message = compose(OPENED, replace(SITE, name="Tŷ Gwyn £"), FIRM)
    assert message.as_bytes().isascii()
    assert read_back(message)["Subject"].startswith("Tŷ Gwyn £: ")


def test_a_site_name_is_text_and_never_markup() -> None:
    plain, html = faces(compose(OPENED, replace(SITE, name="<b>Rose & Crown</b> <script>"), FIRM))
    assert "<b>Rose & Crown</b> <script>" in " ".join(plain.split())
    assert "<script>" not in html
    assert "&lt;b&gt;Rose &amp; Crown&lt;/b&gt; &lt;script&gt;" in html


def test_nothing_a_person_typed_becomes_markup() -> None:
    typed = "<script>1</script>"
    site = replace(
        SITE,
        name=typed,
        meters=(replace(SITE.meters[0], serial=typed, place=typed),),
        contacts=(Contact(Role.OWNER, "jean@home.example", typed),),
    )
    for role in (Role.OWNER, Role.INSTALLER):
        _, html = faces(compose(replace(OPENED, role=role), site, Firm(typed, typed, "solar@firm.example")))
        assert "<script" not in html
        assert html.count("&lt;script&gt;") >= 3  # title, name, serial at least


@given(name=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=60))
def test_no_name_breaks_a_header_or_adds_one(name: str) -> None:
    usual = compose(OPENED, SITE, FIRM)
    message = read_back(compose(OPENED, replace(SITE, name=name), FIRM))
    assert message.keys() == usual.keys()
    assert message["Message-ID"] == usual["Message-ID"]


@pytest.mark.parametrize("name", ["Elm\r\nBcc: all@world.example", "Elm\nRoad"])
def test_a_line_end_in_a_name_is_only_a_space(name: str) -> None:
    message = read_back(compose(OPENED, replace(SITE, name=name), replace(FIRM, name=name)))
    assert message["Bcc"] is None
    assert message["Subject"].startswith(" ".join(name.split()))


@pytest.mark.parametrize(
    "address", ["jean", "jean@", "jürgen@home.example", "a@b.example, c@d.example", "a@b\nBcc: c@d"]
)
def test_what_is_no_address_is_refused(address: str) -> None:
    with pytest.raises(ValueError):
        compose(replace(OPENED, address=address), SITE, FIRM)


@pytest.mark.parametrize("row", FAULTS, ids=lambda row: f"{row[0]} {row[1] or '(unknown)'}")
def test_every_row_composes_for_every_role_and_reason(row: tuple[Finding, str]) -> None:
    finding, cause = row
    alert = replace(ALERT, finding=finding, causes=(cause,) if cause else ())
    ends = [(MailReason.CLEARED, closed_as) for closed_as in ClosedAs]
    for role, (reason, closed_as) in itertools.product(
        Role, [(MailReason.OPENED, None), (MailReason.REMINDER, None), *ends]
    ):
        mail = Mail(replace(alert, closed_as=closed_as), reason, role, "jean@home.example", ONSET_MS + DAY_MS)
        plain, html = faces(read_back(compose(mail, SITE, FIRM)))
        assert words(Shown(html).text) == words(plain)

"""A decided mail as an e-mail message: headers, plain text, and HTML that says the same.

Rule: the same mail gives the same bytes, whenever and however often it is composed, so a message sent twice after a
crash is recognised by its Message-ID. Nothing in it is fetched from anywhere, and no colour says what words do not.
"""

from __future__ import annotations

import hashlib
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr
from html import escape

from watcher.alert.wording import Letter, Section, Tone, letter
from watcher.alert.wording_digest import digest
from watcher.domain.alert import Alert, Mail, MailReason
from watcher.domain.firm import Firm
from watcher.domain.instant import from_ms
from watcher.domain.site import Site

_TEXT_COLUMNS = 72
_NO_DOMAIN = "pv-watcher.invalid"
_BOXES = {
    Tone.PLAIN: "",
    Tone.CAUTION: ' style="border-left:6px solid #b45309;background:#fff7e6;padding:4px 16px"',
    Tone.GOOD: ' style="border-left:6px solid #15803d;background:#f0fdf4;padding:4px 16px"',
}


def compose(
    mail: Mail, site: Site, firm: Firm, standing: Sequence[Alert] | None = None, link: str = ""
) -> EmailMessage:
    """The message to send. ValueError where the sender or the address is no mail address in plain ASCII.

    standing: the site's alerts now, None where they are not known. link: as in letter()
    """
    opening = replace(mail, reason=MailReason.OPENED)
    # One thread an alert and person: everything answers the mail that opened it.
    answers = None if mail.reason is MailReason.OPENED else opening
    return _message(letter(mail, site, firm, standing, link), mail, mail.id, firm, answers)


def compose_digest(mails: Sequence[tuple[Mail, Site]], firm: Firm) -> EmailMessage:
    """One message for several mails to one reader. ValueError as compose."""
    newest = max((mail for mail, _ in mails), key=lambda mail: mail.decided_ms)
    return _message(digest(mails, firm), newest, " ".join(sorted(mail.id for mail, _ in mails)), firm, None)


def _message(written: Letter, mail: Mail, id: str, firm: Firm, answers: Mail | None) -> EmailMessage:
    """mail: whose reader and date it has. id: what its Message-ID is derived from. answers: the mail it follows"""
    sender_name, sender = parseaddr(firm.sender or f"pv-watcher@{_NO_DOMAIN}")
    message = EmailMessage(policy=SMTP)
    message["From"] = _address(sender, " ".join((sender_name or firm.name or "PV Watcher").split()))
    message["To"] = _address(mail.address)
    message["Subject"] = written.subject
    message["Date"] = format_datetime(from_ms(mail.decided_ms))
    domain = sender.partition("@")[2]
    message["Message-ID"] = f"<{_digest(id)[:40]}@{domain}>"
    if answers is not None:
        message["In-Reply-To"] = message["References"] = message_id(answers, domain)
    message["Auto-Submitted"] = "auto-generated"
    # Quoted-printable passes every server there is, 8-bit clean or not.
    message.set_content(as_text(written), cte="quoted-printable")
    message.add_alternative(as_html(written), subtype="html", cte="quoted-printable")
    # Last: on the way to two alternatives every Content header so far moves into the first of them.
    message["Content-Language"] = "en-GB"
    message.set_boundary(f"=_{_digest(id)[:32]}")
    return message


def _address(spec: str, name: str = "") -> Address:
    try:
        if spec.isascii():
            return Address(name, addr_spec=spec)
    except (ValueError, IndexError):  # the parser walks off the end of "name@"
        pass
    raise ValueError(f"{spec!r} is no mail address in plain ASCII")


def message_id(mail: Mail, domain: str) -> str:
    """Derived from the mail's own id; the same for the same mail."""
    return f"<{_digest(mail.id)[:40]}@{domain}>"


def _digest(id: str) -> str:
    return hashlib.sha256(id.encode()).hexdigest()


def as_text(written: Letter) -> str:
    """The letter as lines of at most 72 columns."""
    blocks = [written.greeting] if written.greeting else []
    for section in written.sections:
        blocks.append(section.title.upper())
        if section.sentences:
            blocks.append(_wrap(" ".join(section.sentences)))
        if section.steps:
            blocks.append("\n".join(_wrap(step, "- ") for step in section.steps))
        if section.phone:
            blocks.append(f"Telephone: {section.phone}")
        if section.link:
            blocks.append(f"Here: {section.link}")
        if section.figures:
            width = max(len(label) for label, _ in section.figures) + 2
            blocks.append("\n".join(f"{label + ':':<{width}}{value}" for label, value in section.figures))
    blocks.append(_wrap(written.closing))
    return "\n\n".join(blocks) + "\n"


def _wrap(text: str, mark: str = "") -> str:
    return textwrap.fill(
        text,
        _TEXT_COLUMNS,
        initial_indent=mark,
        subsequent_indent=" " * len(mark),
        break_long_words=False,
        break_on_hyphens=False,
    )


def as_html(written: Letter) -> str:
    """The letter as one narrow column that a phone shows without zooming."""
    body = [f"<p>{escape(written.greeting)}</p>"] if written.greeting else []
    body += [_section_html(section) for section in written.sections]
    body.append(f'<p style="color:#555;font-size:15px">{escape(written.closing)}</p>')
    return (
        '<!DOCTYPE html>\n<html lang="en-GB">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(written.subject)}</title>\n</head>\n"
        '<body style="font:18px/1.5 sans-serif;color:#1a1a1a;background:#fff;max-width:34em;margin:0 auto;'
        'padding:12px">\n' + "\n".join(body) + "\n</body>\n</html>\n"
    )


def _section_html(section: Section) -> str:
    parts = [f'<h2 style="font-size:20px;margin:12px 0 4px">{escape(section.title)}</h2>']
    if section.sentences:
        parts.append(f'<p style="margin:4px 0 12px">{escape(" ".join(section.sentences))}</p>')
    if section.steps:
        steps = "".join(f"<li>{escape(step)}</li>" for step in section.steps)
        parts.append(f'<ul style="margin:4px 0 12px;padding-left:22px">{steps}</ul>')
    if section.phone:
        digits = "".join(sign for sign in section.phone if sign.isdigit() or sign == "+")
        parts.append(f'<p>Telephone: <a href="tel:{digits}">{escape(section.phone)}</a></p>')
    if section.link:
        parts.append(f'<p>Here: <a href="{escape(section.link)}">{escape(section.link)}</a></p>')
    if section.figures:
        rows = "".join(f"<li>{escape(label)}: <b>{escape(value)}</b></li>" for label, value in section.figures)
        parts.append(f'<ul style="padding-left:20px">{rows}</ul>')
    return f"<div{_BOXES[section.tone]}>\n" + "\n".join(parts) + "\n</div>"

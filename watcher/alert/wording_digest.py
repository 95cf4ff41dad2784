"""Several mails in one letter: what a reader would have heard by and by, told once.

Rule: each alert is told as it stands now, in one line, those that are not over first. What a full letter says beside
that is not repeated here; a reminder says it.
"""

from __future__ import annotations

from collections.abc import Sequence

from watcher.alert.wording import Letter, Section, Tone, in_short
from watcher.alert.wording_cautions import CAUTIONS, Caution, Register, register_of
from watcher.alert.wording_figures import count
from watcher.domain.alert import Mail, MailReason
from watcher.domain.finding import Finding
from watcher.domain.firm import Firm
from watcher.domain.site import Site, Storage


def digest(mails: Sequence[tuple[Mail, Site]], firm: Firm) -> Letter:
    """One letter for several mails to one reader, with their sites; at least one, in the order of decision."""
    newest: dict[str, tuple[Mail, Site]] = {}
    for mail, site in mails:
        newest[mail.alert.id] = (mail, site)
    home = register_of(mails[0][0].role) is Register.HOME
    standing = [one for one in newest.values() if one[0].reason is not MailReason.CLEARED]
    over = [one for one in newest.values() if one[0].reason is MailReason.CLEARED]
    area = all(mail.alert.finding is Finding.AREA_EVENT for mail, _ in mails)
    names = list(dict.fromkeys(site.name for _, site in mails))
    whose = names[0] if len(names) == 1 else f"{len(names)} sites"
    what = "area event" if area else f"late news: {_things(len(standing))} not right, {_things(len(over))} over"
    sections = [
        Section("Several sites at once", ("The sites below are low or dark together, so none of them is blamed.",))
        if area
        else Section("Late news", ("Our mail did not work for a while. Here is what you would have heard.",)),
        Section(_title("Still not right" if home else "Open", standing), steps=_lines(standing, firm)),
        Section(_title("Over" if home else "Closed", over), steps=_lines(over, firm), tone=Tone.GOOD),
    ]
    if home and standing:
        whom = firm.name or "the firm that fitted your panels"
        sections.append(Section("What to do", steps=(f"Please call {whom}.",), phone=firm.phone))
        battery = any(each.storage is not Storage.NONE for _, site in standing for each in site.inverters)
        words = {"and_battery": " and a battery" if battery else ""}
        general = tuple(step.format(**words) for step in CAUTIONS[Caution.GENERAL, Register.HOME])
        sections.append(Section("For your safety", steps=general, tone=Tone.CAUTION))
    closing = (
        f"This message about {whose} was written by a computer that watches the panels."
        if home
        else "PV Watcher, alerts " + ", ".join(newest)
    )
    return Letter(
        subject=" ".join(f"{whose}: {what}".split()),
        greeting="Hello," if home else "",
        sections=tuple(section for section in sections if section.sentences or section.steps),
        closing=closing,
    )


def _things(number: int) -> str:
    return "nothing" if number == 0 else "one thing" if number == 1 else f"{count(number)} things"


def _title(words: str, found: Sequence[object]) -> str:
    return f"{words} ({len(found)})"


def _lines(found: Sequence[tuple[Mail, Site]], firm: Firm) -> tuple[str, ...]:
    return tuple(in_short(mail, site, firm) for mail, site in found)

"""A decided mail turned into a letter: sections of plain sentences, in the reader's language.

Rule: numbers come from the alert, words from wording_table, and nothing is asked here but "how is this said". The
letter has no layout; notify/message.py sets it as text and as HTML.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from watcher.alert.policy import POLICY
from watcher.alert.wording_cautions import CAUTIONS, SAFETY_AT_HOME, Caution, Register, register_of
from watcher.alert.wording_endings import OUTCOMES
from watcher.alert.wording_figures import Teller, begin, energy, energy_range, money, when
from watcher.alert.wording_money import MISCOUNTED, lost_payment, may_see_money
from watcher.alert.wording_row import LEAVE_SWITCHES, Words
from watcher.alert.wording_switch import LOOK_ONLY, SWITCH_STEPS, may_tell
from watcher.alert.wording_table import ENDINGS, FAULTS, FIGURES
from watcher.domain.alert import Alert, AlertClass, ClosedAs, Mail, MailReason
from watcher.domain.finding import Finding
from watcher.domain.firm import Firm
from watcher.domain.instant import DAY_MS
from watcher.domain.site import Meter, Site, Storage


class Tone(StrEnum):
    """What a section is to the eye; its title says the same in words."""

    PLAIN = "plain"
    CAUTION = "caution"
    GOOD = "good"


@dataclass(frozen=True, slots=True)
class Section:
    """title, then sentences that run on; steps: one line each; figures: label and value; phone, link: "" for none."""

    title: str
    sentences: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    figures: tuple[tuple[str, str], ...] = ()
    phone: str = ""
    link: str = ""
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True)
class Letter:
    """subject: one line. greeting: "" for the trade. closing: who wrote this."""

    subject: str
    greeting: str
    sections: tuple[Section, ...]
    closing: str


def letter(mail: Mail, site: Site, firm: Firm, standing: Sequence[Alert] | None = None, link: str = "") -> Letter:
    """The letter a mail stands for.

    mail.alert.evidence: the figures of the table; `share` is measured over expected [0..1]. Times in the site's
        zone. What is missing there is not mentioned.
    site: as it was when the mail was decided. standing: what stands at the site now, None where that is not known
    link: where the reader can say "seen" or "remind me then"; "" for nowhere
    """
    return _Writer(mail, site, firm, standing, link).letter()


def in_short(mail: Mail, site: Site, firm: Firm) -> str:
    """The same in one line, without the advice."""
    return _Writer(mail, site, firm).in_short()


_SEEN = "You can tell us that you have seen this, or on which day we should remind you."


class _Writer:
    """What the sections of one letter share."""

    def __init__(
        self, mail: Mail, site: Site, firm: Firm, standing: Sequence[Alert] | None = None, link: str = ""
    ) -> None:
        self.mail, self.alert, self.site, self.firm = mail, mail.alert, site, firm
        self.register = register_of(mail.role)
        self.home = self.register is Register.HOME
        meter = _meter(self.alert, site)
        self.teller = Teller(site.zone, mail.decided_ms, meter.decimals if meter is not None else 1)
        self.figures = _figures(self.alert, site, meter)
        self.words = words_for(self.alert, self.register)
        safety = POLICY[self.alert.finding].alert_class is AlertClass.SAFETY
        self.link = "" if safety or mail.reason is MailReason.CLEARED else link
        self.switch = self.home and may_tell(self.alert, site, standing)

    def letter(self) -> Letter:
        subject, sections = self._cleared() if self.mail.reason is MailReason.CLEARED else self._open()
        name = next(
            (person.name for person in self.site.contacts if (person.role, person.email) == self._addressee()), ""
        )
        return Letter(
            subject=" ".join(subject.split()),
            greeting=(f"Dear {name}," if name else "Hello,") if self.home else "",
            sections=tuple(section for section in sections if section != Section(section.title, tone=section.tone)),
            closing=self._closing(),
        )

    def in_short(self) -> str:
        began = f"It began {self._from()}"
        if self.mail.reason is not MailReason.CLEARED:
            (told,) = self._say(self.words.subject)
            return " ".join((f"{self.site.name}: {told}. {began}.", *self._loss(self.mail.decided_ms, over=False)))
        ending = ENDINGS[self.alert.finding, self.register]
        if self.alert.closed_as is ClosedAs.WITHDRAWN:
            return f"{self.site.name}: false alarm, {self._say(ending.never)[0]}."
        was = self._say(ending.was)[0]
        return f"{self.site.name}: {was}. {began} and was over by {self._when(self._over_ms())}."

    def _addressee(self) -> tuple[str, str]:
        return self.mail.role, self.mail.address

    def _closing(self) -> str:
        if self.home:
            return f"This message about {self.site.name} was written by a computer that watches the panels."
        return f"PV Watcher, alert {self.alert.id}"

    def _say(self, *templates: str) -> tuple[str, ...]:
        return self.teller.sentences(templates, self.figures)

    def _sentence(self, words: str) -> str:
        # A device's name keeps its small letter, as it stands in the site file.
        device = self.alert.subject.partition(".")[0]
        return f"{words}." if words.startswith(device) else f"{words[0].upper()}{words[1:]}."

    def _open(self) -> tuple[str, tuple[Section, ...]]:
        reminder = self.mail.reason is MailReason.REMINDER
        (told,) = self._say(self.words.subject)
        subject = f"Still not put right: {self.site.name}: {told}" if reminder else f"{self.site.name}: {told}"
        return subject, (
            Section("What is wrong" if self.home else "Fault", self._say(*self.words.wrong)),
            Section("Since when" if self.home else "Since", self._since(reminder)),
            Section(
                "How much so far" if self.home else "Loss so far",
                self._loss(self.mail.decided_ms, over=False),
            ),
            Section(f"A word from {self.firm.name or 'the firm'}", (self.mail.line,) if self.mail.line else ()),
            self._what_to_do(),
            Section("For your safety" if self.home else "Safety", steps=self._caution(), tone=Tone.CAUTION),
            Section("Seen it?", (_SEEN,) if self.link else (), link=self.link),
            self._evidence(),
        )

    def _cleared(self) -> tuple[str, tuple[Section, ...]]:
        ending = ENDINGS[self.alert.finding, self.register]
        again, was, never = self._say(ending.again, ending.was, ending.never)
        match self.alert.closed_as:
            case ClosedAs.WITHDRAWN:
                sorry = ("We are sorry for the trouble. You need do nothing.",) if self.home else ()
                section = Section("We were wrong", (f"We were wrong: {never}.", *sorry), tone=Tone.GOOD)
                return f"{self.site.name}: false alarm, {never}", (section, self._evidence())
            case ClosedAs.REPLACED | ClosedAs.RECORD_CHANGED | ClosedAs.INSPECTED as closed_as:
                subject = f"{self.site.name}: settled: {was}"
                good = Section("Settled", (OUTCOMES[closed_as, self.register],), tone=Tone.GOOD)
            case ClosedAs.RECOVERED | None:
                subject = f"{self.site.name}: {again}"
                good = Section("Good news" if self.home else "Recovered", (self._sentence(again),), tone=Tone.GOOD)
        over_ms = self._over_ms()
        return subject, (
            good,
            Section(
                "What it was",
                (self._sentence(was), f"It began {self._from()} and was over by {self._when(over_ms)}."),
            ),
            Section("How much in all" if self.home else "Loss in all", self._loss(over_ms, over=True)),
            self._evidence(),
        )

    def _over_ms(self) -> int:
        return self.alert.cleared_ms if self.alert.cleared_ms is not None else self.mail.decided_ms

    def _when(self, ms: int) -> str:
        return when(ms, self.site.zone, self.mail.decided_ms)

    def _from(self) -> str:
        alert = self.alert
        began = begin(alert.onset_ms, alert.onset_low_ms, alert.onset_high_ms, self.site.zone, self.mail.decided_ms)
        return began if began.startswith("some time") else f"on {began}"

    def _since(self, reminder: bool) -> tuple[str, ...]:
        since = f"It began {self._from()}."
        lasted = (self.mail.decided_ms - self.alert.onset_ms) // DAY_MS
        if not reminder or lasted < 1:
            return (since,)
        return (since, f"That is now {lasted} {'day' if lasted == 1 else 'days'} ago, and it is still not put right.")

    def _loss(self, until_ms: int, *, over: bool) -> tuple[str, ...]:
        """Energy with its range, then payments for those who get them; nothing where nothing was lost."""
        alert = self.alert
        safety = POLICY[alert.finding].alert_class is AlertClass.SAFETY
        if alert.loss_high_mwh <= 0 or alert.finding is Finding.METER_SILENT or (safety and self.home):
            return ()
        low, kwh, high = (mwh / 1e6 for mwh in (alert.loss_low_mwh, alert.loss_mwh, alert.loss_high_mwh))
        uncounted = alert.finding in MISCOUNTED
        tense = "was" if over else "has been"
        fate = f"of solar power {tense} made but not counted" if uncounted else f"of solar power {tense} lost"
        span = energy_range(low, kwh, high)
        amount = energy(kwh)
        told = [f"{amount[0].upper()}{amount[1:]} {fate}" + (f" ({span})." if span else ".")]
        if uncounted:
            told.append("This is our estimate, from what the inverter counted.")
        pence = lost_payment(alert, self.site.payment, until_ms)
        if pence is not None and not safety and may_see_money(self.mail.role, self.site):
            told.append(f"That comes to {money(*pence)} in payments.")
        if uncounted and over and self.home:
            told.append("Keep this letter. It may help if you ask to be paid for what was not counted.")
        return tuple(told)

    def _what_to_do(self) -> Section:
        steps = self._say(*self.words.check)
        if not self.home:
            return Section("Check", steps=steps)
        whom = self.firm.name or "the firm that fitted your panels"
        if self.switch:
            steps = (*SWITCH_STEPS, *(step for step in steps if step != LEAVE_SWITCHES))
        call = f"Please call {whom}. You can read this letter out to them."
        return Section("What to do", steps=(*steps, call), phone=self.firm.phone)

    def _caution(self) -> tuple[str, ...]:
        if self.switch:
            return self._say(LOOK_ONLY, *CAUTIONS[Caution.GENERAL, self.register][1:])
        own = () if self.words.caution is Caution.GENERAL else CAUTIONS[self.words.caution, self.register]
        safety = POLICY[self.alert.finding].alert_class is AlertClass.SAFETY
        return self._say(*own, *(SAFETY_AT_HOME if safety and self.home else CAUTIONS[Caution.GENERAL, self.register]))

    def _evidence(self) -> Section:
        """For the trade: what the letter rests on."""
        if self.home:
            return Section("Figures")
        alert = self.alert
        rows = [("Site", f"{self.site.name} ({self.site.id})"), ("Device", alert.subject)]
        if "serial" in self.figures:
            rows.append(("Serial", str(self.figures["serial"])))
        for key, (label, form) in FIGURES.items():
            if key in self.figures:
                rows.append((label, self.teller.format(form, self.figures[key])))
        if alert.causes:
            rows.append(("Probable cause" if len(alert.causes) == 1 else "Possible causes", ", ".join(alert.causes)))
        return Section("Figures", figures=tuple(rows))


def words_for(alert: Alert, register: Register) -> Words:
    """The row for the alert's one cause; the row for "unknown" where there is none, several, or a new one."""
    cause = alert.causes[0] if len(alert.causes) == 1 else ""
    both = FAULTS.get((alert.finding, cause), FAULTS[alert.finding, ""])
    return both.of(register)


def _meter(alert: Alert, site: Site) -> Meter | None:
    return next((meter for meter in site.meters if meter.id == alert.subject), None)


def _figures(alert: Alert, site: Site, meter: Meter | None) -> Mapping[str, str | float]:
    """Evidence that is really there, and what the site says about the subject."""
    figures: dict[str, str | float] = {key: value for key, value in alert.evidence.items() if _is_known(key, value)}
    device, _, part = alert.subject.partition(".")
    where = "the whole system" if alert.subject == "site" else f"{device}, {part.replace('-', ' ')}" if part else device
    panels = "some of your solar panels" if len(site.inverters) > 1 and device != "site" else "your solar panels"
    figures |= {
        "device": device if device != "site" else "the system",
        "where": where,
        "panels": panels,
        "Panels": panels[0].upper() + panels[1:],
        "and_battery": " and a battery" if any(each.storage is not Storage.NONE for each in site.inverters) else "",
    }
    if meter is not None and meter.place:
        figures["place"] = meter.place
    inverter = next((each for each in site.inverters if each.id == device), None)
    if serial := meter.serial if meter is not None else inverter.serial if inverter is not None else "":
        figures.setdefault("serial", serial)
    return figures


def _is_known(key: str, value: str | float) -> bool:
    """A detector's way to say "none": an empty text, NaN, the beginning of time, a number of strings below two."""
    if isinstance(value, str):
        return value != ""
    if key.endswith("_ms"):
        return value > 0
    return value >= 2 if key == "strings" else math.isfinite(value)

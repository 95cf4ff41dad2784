"""What the metering check answers: per rule a state, what was found, and of which thing.

Rule: a fact that is not on file gives a question, never "there". No answer carries an amount of energy: what is paid is
what the register says, and nothing here puts another figure in its place.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from watcher.domain.papers import Scheme
from watcher.report.country import Land
from watcher.report.metering_rules import RULES, Rule, RuleId


class State(StrEnum):
    """How a rule stands at a site."""

    THERE = "there"
    MISSING = "missing"
    ADVISED = "advised"  # missing, and merely advised
    NOT_ASKED = "not asked for"
    TO_KNOW = "to know"
    NOT_THIS_SCHEME = "not this scheme"
    QUESTION = "question"


class Said(StrEnum):
    """What was found; metering_words.py has a sentence for each."""

    NORTHERN = "northern-ireland"
    ELSEWHERE = "elsewhere"
    COUNTRY_ASKED = "country-asked"
    PAID_ON_METER = "paid-on-meter"
    NO_PAID_METER = "no-paid-meter"
    METER_COVERS_PART = "meter-covers-part"
    SEPARATE_NOT_NEEDED = "separate-not-needed"
    SEPARATE_IS_EXTRA = "separate-is-extra"
    REGISTER_ALONE = "register-alone"
    TOTAL_BY_METER = "total-by-meter"
    TOTAL_BY_DISPLAY = "total-by-display"
    TOTAL_NOWHERE = "total-nowhere"
    TOTAL_ASKED = "total-asked"
    TOTAL_PART_ASKED = "total-part-asked"
    TOTAL_BATTERY_ASKED = "total-battery-asked"
    ENERGY_SEEN = "energy-seen"
    ENERGY_NOT_SEEN = "energy-not-seen"
    ENERGY_ASKED = "energy-asked"
    POWER_SEEN = "power-seen"
    POWER_NOT_SEEN = "power-not-seen"
    POWER_ASKED = "power-asked"
    REACH_FREE = "reach-free"
    REACH_NEEDS = "reach-needs"
    REACH_LOFT = "reach-loft"
    REACH_ASKED = "reach-asked"
    READER_NOT_CUSTOMER = "reader-not-customer"
    APPROVED = "approved"
    NOT_APPROVED = "not-approved"
    APPROVAL_ASKED = "approval-asked"
    OLD_APPROVAL = "old-approval"
    OLD_APPROVAL_TOO_LATE = "old-approval-too-late"
    OLD_APPROVAL_ASKED = "old-approval-asked"
    BILLS = "bills"
    BILLS_ASKED = "bills-asked"
    SERIAL_ON_FILE = "serial-on-file"
    SERIAL_ASKED = "serial-asked"
    CERTIFIED_UNTIL = "certified-until"
    CERTIFIED_ENDS = "certified-ends"
    CERTIFIED_ENDED = "certified-ended"
    CERTIFIED_ASKED = "certified-asked"
    VERIFIED = "verified"
    VERIFIED_LONG_AGO = "verified-long-ago"
    VERIFIED_ASKED = "verified-asked"
    EXPORT_DEEMED = "export-deemed"
    EXPORT_HOW_ASKED = "export-how-asked"
    EXPORT_METER = "export-meter"
    NO_EXPORT_METER = "no-export-meter"
    HALF_HOURS = "half-hours"
    NO_HALF_HOURS = "no-half-hours"
    HALF_HOURS_ASKED = "half-hours-asked"
    MPAN_ON_FILE = "mpan-on-file"
    MPAN_ASKED = "mpan-asked"
    NO_BATTERY = "no-battery"
    BATTERY_TOLD = "battery-told"
    BATTERY_NOT_TOLD = "battery-not-told"
    BATTERY_TOLD_ASKED = "battery-told-asked"
    SIDE_ASKED = "side-asked"
    HOUSE_SIDE = "house-side"
    ADDS_BOTH = "adds-both"
    NETTED = "netted"
    TWO_REGISTERS = "two-registers"
    NOT_NETTED = "not-netted"
    GRID_CHARGING_ASKED = "grid-charging-asked"
    DELAYED_ASKED = "delayed-asked"
    DEEMED_GOES_ON = "deemed-goes-on"
    EXPORT_OWN_ONLY = "export-own-only"
    EXPORT_TERMS_ASKED = "export-terms-asked"
    EXPORT_GRID_ASKED = "export-grid-asked"
    STORAGE_UNPAID = "storage-unpaid"
    STORAGE_NETWORK = "storage-network"
    STORAGE_NETWORK_ASKED = "storage-network-asked"
    CERTIFICATE = "certificate"
    CERTIFICATE_ASKED = "certificate-asked"
    NETWORK = "network"
    NETWORK_ASKED = "network-asked"
    COMMISSIONED_ASKED = "commissioned-asked"
    CLOSED_ASKED = "closed-asked"
    TERM_RUNS = "term-runs"
    TERM_ENDS_ASKED = "term-ends-asked"
    LICENSEE_ASKED = "licensee-asked"
    CAPACITY_ASKED = "capacity-asked"
    QUOTE_ASKED = "quote-asked"
    WARRANTY_ASKED = "warranty-asked"
    WARRANTY_ENDED = "warranty-ended"


@dataclass(frozen=True, slots=True)
class Answer:
    """How one rule stands. subject: the device or place it is about, or "". detail: a date, a word or names, or "" """

    rule: Rule
    state: State
    said: Said
    subject: str = ""
    detail: str = ""


def answer(rule: RuleId, state: State, said: Said, subject: str = "", detail: str = "") -> Answer:
    return Answer(RULES[rule], state, said, subject, detail)


@dataclass(frozen=True, slots=True)
class MeterPapers:
    """A meter's papers as they are known on the day. None, "": not known"""

    serial: str = ""
    certified_until: date | None = None
    verified: date | None = None


@dataclass(frozen=True, slots=True)
class MeteringCheck:
    """What the trade's rules ask of one site, and how that stands. answers: in the order in which they are told"""

    site_id: str
    name: str
    land: Land
    scheme: Scheme
    answers: tuple[Answer, ...] = field(default=())

    @property
    def questions(self) -> tuple[Answer, ...]:
        return tuple(one for one in self.answers if one.state is State.QUESTION)

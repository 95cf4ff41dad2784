"""What the pages say in sentences: the first one of a home, ages, and what an installer reads of an item.

Rule: plain words for the home, exact ones for the trade; the words of a fault itself stand in wording_table.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from enum import StrEnum
from zoneinfo import ZoneInfo

from watcher.alert.policy import Policy
from watcher.alert.wording_figures import count, when
from watcher.domain.alert import Alert, AlertClass
from watcher.domain.event import Event, EventKind
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, MINUTE_MS, local_day_of

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


class HomeState(StrEnum):
    """What a home hears first."""

    WELL = "well"
    WRONG = "wrong"
    DANGER = "danger"
    TOO_DARK = "too-dark"
    JUST_BEGUN = "just-begun"
    NOT_HEARD = "not-heard"
    LOOKED_INTO = "looked-into"  # the firm has been told, the home not yet


LABELS: Mapping[HomeState, str] = {
    HomeState.WELL: "All well",
    HomeState.WRONG: "Something is wrong",
    HomeState.DANGER: "Safety warning",
    HomeState.TOO_DARK: "Cannot tell yet",
    HomeState.JUST_BEGUN: "Cannot tell yet",
    HomeState.NOT_HEARD: "Nothing heard",
    HomeState.LOOKED_INTO: "Being looked into",
}
"""Beside the sign, so that neither its colour nor its shape need be seen."""


def first_sentence(
    state: HomeState, subjects: Sequence[str], until: date | None, heard_ms: int | None, zone: ZoneInfo, now_ms: int
) -> str:
    """The one sentence. subjects: of letters on what is wrong, the gravest first. until: when more can be told"""
    match state:
        case HomeState.WELL:
            return "All is well: your panels make what the sun allows."
        case HomeState.WRONG | HomeState.DANGER:
            told = sentence(subjects[0].removeprefix("safety: "))
            more = len(subjects) - 1
            return told if not more else f"{told} There {'is' if more == 1 else 'are'} {count(more)} more below."
        case HomeState.LOOKED_INTO:
            return "Something is being looked into. Your installer has been told and will look first."
        case HomeState.TOO_DARK:
            return f"There has been too little sun to tell whether all is well, until about {day_name(until)}."
        case HomeState.JUST_BEGUN:
            return f"We have just begun to watch. Whether all is well we can tell from about {day_name(until)}."
        case HomeState.NOT_HEARD:
            since = "" if heard_ms is None else f" since {when(heard_ms, zone, now_ms)}"
            return f"We have heard nothing from your home{since}, so we cannot tell whether all is well."


def sentence(words: str) -> str:
    """Words of a subject line as a sentence."""
    return f"{words[:1].upper()}{words[1:]}" + ("" if words.endswith((".", "?", "!")) else ".")


def day_name(day: date | None) -> str:
    """ "9 February" """
    return "a later day" if day is None else f"{day.day} {_MONTHS[day.month - 1]}"


def month_name(day: date) -> str:
    return _MONTHS[day.month - 1]


def age(at_ms: int, now_ms: int) -> str:
    """ "just now", "12 minutes ago", "3 hours ago", "yesterday" is not said: "1 day ago"."""
    gone_ms = max(0, now_ms - at_ms)
    if gone_ms < 2 * MINUTE_MS:
        return "just now"
    for unit_ms, name in ((DAY_MS, "day"), (HOUR_MS, "hour"), (MINUTE_MS, "minute")):
        if gone_ms >= unit_ms:
            number = gone_ms // unit_ms
            return f"{number:,} {name}{'' if number == 1 else 's'} ago"
    return "just now"


def evidence_held(alert: Alert, policy: Policy) -> str:
    """How much speaks for an alert, and how much it takes: "12 days low, opened after 2"."""
    unit, unit_ms = ("day", DAY_MS) if policy.unit_ms > GRID_MS else ("hour", HOUR_MS)
    held, needed = alert.fault_ms / unit_ms, policy.hold_ms / unit_ms
    if policy.alert_class is AlertClass.SAFETY:
        return "said by the device itself"
    told = f"{held:,.0f} {unit}{'' if round(held) == 1 else 's'} of evidence"
    return told if policy.hold_ms == 0 else f"{told}; {needed:,.3g} would do"


def since(alert: Alert, zone: ZoneInfo) -> str:
    """The day it began, or the days between which it did: "8 June", "3 to 8 June", "28 May to 2 June"."""
    low, high = local_day_of(alert.onset_low_ms, zone), local_day_of(alert.onset_high_ms, zone)
    if low == high:
        return day_name(low)
    return f"{low.day if (low.year, low.month) == (high.year, high.month) else day_name(low)} to {day_name(high)}"


def onset_known(alert: Alert) -> str:
    """How well the beginning is known."""
    wide_ms = alert.onset_high_ms - alert.onset_low_ms
    if wide_ms <= HOUR_MS:
        return "beginning known to the hour"
    if wide_ms <= 2 * DAY_MS:
        return f"beginning known to {round(wide_ms / HOUR_MS):,} hours"
    return f"beginning known to {round(wide_ms / DAY_MS):,} days"


SAID: Mapping[str, str] = {
    "seen": "seen",
    "note": "note",
    "visit": "visit planned",
    "remind": "remind later",
}
"""What people may say of an item from the installer's page."""


def said_line(event: Event, zone: ZoneInfo, now_ms: int) -> str:
    """One thing that was said of an item."""
    who = str(event.values.get("who", "")) or "somebody"
    words = SAID.get(str(event.values.get("what", "")), "remind later" if event.kind is EventKind.MUTE else "note")
    on = event.values.get("on", "")
    text = str(event.values.get("text", ""))
    told = f"{words}{f' for {on}' if on else ''}, {who}, {when(event.received_ms, zone, now_ms)}"
    return f"{told}: {text}" if text else told


NOT_HERE = "There is no such page here."
WRONG_PASSWORD = "Name or password is not right."


def too_many_tries(seconds: float) -> str:
    minutes = max(1, round(seconds / 60))
    return f"That was wrong too often. Please try again in {minutes} minute{'' if minutes == 1 else 's'}."


def thanks(display: str, standing_good: bool) -> str:
    """After a reading was sent. display: what counts, in kWh"""
    if standing_good:
        return f"Thank you. The reading of {display} kWh is recorded."
    return f"The reading of {display} kWh is kept, but does not count until somebody has looked again."


NO_READING = "That is no meter reading. Please type the figures as the display shows them, such as 04213.7."
LIES_AHEAD = "That time is still to come."
NO_TIME = "Please give day and time, or leave them empty for now."


def asked_reading(meter: str, typed: str, at: str, offered: str) -> str:
    """A reading that waits for an answer. offered: what was likely meant, "" where that is not clear"""
    meant = f" Was {offered} meant?" if offered else ""
    return f"The reading {typed} of {meter}, {at}, does not go with the others.{meant}"


SAY_WHAT = "Choose a day for that."
NOT_OPEN = "That is not open any more."
RECORDED = "Recorded."
LINK_SAID = "Thank you. We have noted that."
LINK_OVER = "This is over. There is nothing left to be reminded of."
LINK_WHEN = "Choose a day from tomorrow on, three months ahead at most."

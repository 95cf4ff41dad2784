"""What the list of a fleet says of a site: in one sentence what is likely, and what to check first.

Rule: for the trade, whose list it is; exact, with the honest set of causes, and never surer than the judge.
"""

from __future__ import annotations

from collections.abc import Mapping

from watcher.alert.wording_figures import energy, part
from watcher.detect.readings_found import Cause, DoubtfulReading, ReadingsFinding, Sureness, Untold
from watcher.domain.finding import Finding
from watcher.domain.instant import from_ms
from watcher.expect.expectation import Basis

TITLES: Mapping[Finding, str] = {
    Finding.METER_STALLED: "meter stands still",
    Finding.OUTPUT_LOW: "output low",
    Finding.SITE_RECORD_WRONG: "record in question",
}

SURENESS: Mapping[Sureness, str] = {
    Sureness.CERTAIN: "certain",
    Sureness.LIKELY: "likely",
    Sureness.POSSIBLE: "possible",
    Sureness.QUESTION: "a question",
}

BASES: Mapping[Basis, str] = {
    Basis.MEASURED: "measured sunshine",
    Basis.SATELLITE: "sunshine seen by satellite",
    Basis.WEATHER: "sunshine of a weather model",
    Basis.PEERS: "neighbours' meters",
    Basis.NONE: "a typical sky",
}

UNTOLD: Mapping[Untold, str] = {
    Untold.FEW_READINGS: "Not enough to tell: it takes readings over about a year.",
    Untold.NO_SUNSHINE: "Not enough to tell: the sunshine of its time is not known.",
    Untold.NO_FACTS: "Not enough to tell: no panels are on file behind this meter.",
    Untold.BATTERY: "Not judged against the sun: a battery stands between the panels and the meter.",
    Untold.UNSTEADY: "Not enough to tell: its readings differ so much that only a stop would show.",
}

_DEAD_PART = {
    "about half": "One of two strings, one of two planes or one of two inverters gives nothing.",
    "about one third": "One of three strings, or a smaller plane, gives nothing.",
    "about a quarter": "One of four strings, or a small plane, gives nothing.",
    "about two thirds": "Two of three strings, or the larger plane, give nothing.",
    "about three quarters": "Most of the panels give nothing.",
}


def likely(finding: ReadingsFinding) -> str:
    """The likely cause, in one sentence or two."""
    if finding.finding is Finding.METER_STALLED:
        return "The register stands still or nearly: the meter has stopped, or the system makes nothing."
    if Cause.PANELS_ADDED in finding.causes:
        return f"It makes {-finding.share:.0%} more than before: panels were added that are not on file."
    if Cause.DATE_OF_CHANGE_WRONG in finding.causes:
        return (
            f"When panels came on file the output did not follow ({finding.share:.0%} is missing): the date or size "
            "on file is wrong, or the new panels give nothing."
        )
    if finding.finding is Finding.SITE_RECORD_WRONG:
        much = f"{1.0 - finding.share:.0%} of what the record allows"
        dead = ", or a part never worked" if Cause.PART_DEAD in finding.causes else ""
        return f"It always made {much}: the rating or the direction on file is wrong{dead}."
    fraction = part(finding.share)
    cause = _DEAD_PART.get(fraction)
    if cause is None:
        other = "the meter loses counts" if Cause.METER_LOSES in finding.causes else "shade or dirt is new"
        cause = f"A part of the panels gives nothing, or {other}."
    return f"{fraction[0].upper()}{fraction[1:]} of the output is missing. {cause}"


def check_first(finding: ReadingsFinding) -> str:
    """What to look at before anything else."""
    if finding.sureness is Sureness.POSSIBLE:
        return "One reading alone says so: ask for another, with a photograph of the display."
    if finding.finding is Finding.METER_STALLED:
        return (
            "See in daylight whether the inverter shows power. If it does, photograph the meter's serial and index and "
            "have it exchanged; if not, start at the breaker and the inverter's own message."
        )
    if Cause.PANELS_ADDED in finding.causes:
        return "Ask the owner; put the panels on file with their date, and see whether the scheme was told."
    if Cause.DATE_OF_CHANGE_WRONG in finding.causes:
        return "Compare the date with the certificate; then measure the new panels' current."
    if finding.finding is Finding.SITE_RECORD_WRONG:
        fits = "" if finding.likely_peak_w is None else f" {finding.likely_peak_w / 1000.0:.1f} kW would fit."
        return f"Compare rating, tilt and direction on file with the certificate.{fits}"
    return "Compare the strings' currents in sun, or the planes' on the inverter's display; then fuses and connectors."


def since(finding: ReadingsFinding) -> str:
    """ "since June 2020", or "since between March and August 2020", in months: readings tell no better."""
    low, high = from_ms(finding.onset_low_ms), from_ms(finding.onset_high_ms)
    if (low.year, low.month) == (high.year, high.month):
        return f"since {_MONTHS[low.month - 1]} {low.year}"
    first = f"{_MONTHS[low.month - 1]}{'' if low.year == high.year else f' {low.year}'}"
    return f"since between {first} and {_MONTHS[high.month - 1]} {high.year}"


def loss(finding: ReadingsFinding) -> str:
    """ "about 1,030 kWh a year"."""
    return f"{energy(finding.loss_year_wh / 1e6 * 1000.0)} a year"


def doubtful(one: DoubtfulReading) -> str:
    """One reading that does not go with the others, and what may have been meant."""
    when = from_ms(one.reading.at_ms)
    day = f"{when.day} {_MONTHS[when.month - 1]} {when.year}"
    read = f"{day}: {one.reading.index_wh / 1000.0:,.1f} kWh was read"
    if one.offered_wh is not None:
        return f"{read}; was {one.offered_wh / 1000.0:,.1f} meant?"
    if one.high_wh > one.low_wh > 0.0:
        return f"{read}; it should stand between {one.low_wh / 1000.0:,.0f} and {one.high_wh / 1000.0:,.0f}."
    return f"{read}; it does not go with the others."


_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

"""Every word about a standing fault, in one table: (finding, cause) to what a home and what the trade reads.

Rule: the home reads no inner word (string, tracker, input, channel names) and is asked to look, write down and call,
never to touch. The trade reads standard terms. A sentence with a figure in braces stands only where that figure is
known (wording_figures.Teller), so each row has sentences without any. Cause "" is the row for unknown or several.
"""

from __future__ import annotations

from collections.abc import Mapping

from watcher.alert.wording_area import AREA_FAULTS, AREA_FIGURES
from watcher.alert.wording_cautions import Caution, Register
from watcher.alert.wording_endings import ENDINGS as OWN_ENDINGS
from watcher.alert.wording_endings import Ending
from watcher.alert.wording_limits import LIMIT_FAULTS, LIMIT_FIGURES
from watcher.alert.wording_meters import METER_FAULTS
from watcher.alert.wording_readings import READING_ENDINGS, READING_FAULTS, READING_FIGURES
from watcher.alert.wording_reference import REFERENCE_FAULTS, REFERENCE_FIGURES
from watcher.alert.wording_row import (
    BOX,
    LEAVE_SWITCHES,
    MAINS_STAYS,
    NEEDS_A_TEST,
    Both,
    Words,
)
from watcher.alert.wording_states import STATE_FAULTS, STATE_FIGURES
from watcher.alert.wording_strings import STRING_FAULTS, STRING_FIGURES
from watcher.domain.finding import Finding


def _inverter_silent(home: tuple[str, ...], trade: tuple[str, ...], check: tuple[str, ...]) -> Both:
    return Both(
        Words(
            subject="we cannot read your solar inverter",
            wrong=(
                f"We cannot read {BOX} any more.",
                "It last sent us a reading on {last_heard_ms:when}.",
                *home,
            ),
            check=("There is nothing you need to do today.", LEAVE_SWITCHES),
            caution=Caution.GENERAL,
        ),
        Words(
            subject="{device} not heard",
            wrong=("{device} no longer answers in daylight.", *trade, "Last heard {last_heard_ms:when}."),
            check=check,
            caution=Caution.NO_GENERATION,
        ),
    )


_LINK_TO_INVERTER = _inverter_silent(
    ("Your solar meter still counts, so your panels work. Only the link to the inverter is down.",),
    ("The generation meter goes on counting: a fault of the link, not of generation.",),
    ("Check the data lead or network at the inverter, its address, and the gateway; no visit for generation is due.",),
)
_INVERTER_SILENT = _inverter_silent(
    ("This does not always mean that it has stopped. We cannot tell from here.",),
    ("Nothing else that is heard says whether it generates.",),
    (
        "Check bus, gateway and network first; then whether the generation circuit and the DC side are on.",
        "Ask the customer to read the generation meter on two days: it tells whether the plant generates.",
    ),
)


def _clock_wrong(way: str) -> Both:
    return Both(
        Words(
            subject="the clock of your solar inverter is wrong",
            wrong=("The clock of your solar inverter, or of what reads it, is wrong.", "Your panels work as before."),
            check=("There is nothing you need to do today.", LEAVE_SWITCHES),
            caution=Caution.GENERAL,
        ),
        Words(
            subject="the times of {device} have jumped against the sun",
            wrong=(
                f"Output of {{device}} begins and ends {way} than before, against the sun.",
                "Both by about {shift_minutes:.0f} minutes.",
                "Nothing is lost, but what was stored since stands at the wrong hour.",
            ),
            check=(
                "Check the clock and the time zone of the device or logger; an hour is summer time or its absence.",
                "What is stored keeps its times; where there is a log, import the period again with the right zone.",
            ),
            caution=Caution.GENERAL,
        ),
    )


_CLOCK_BEHIND, _CLOCK_AHEAD = _clock_wrong("earlier"), _clock_wrong("later")


def _no_generation(home: tuple[str, ...], trade_subject: str, trade: tuple[str, ...], check: tuple[str, ...]) -> Both:
    return Both(
        Words(
            subject="{panels} have stopped making power",
            wrong=(
                "{Panels} make no power, and it is light enough that they should.",
                "They last made power on {last_output_ms:when}.",
                "It stopped after the visit on {visit_ms:when}.",
                *home,
                MAINS_STAYS,
            ),
            check=(LEAVE_SWITCHES,),
            caution=Caution.NO_GENERATION,
        ),
        Words(
            subject=trade_subject,
            wrong=(
                *trade,
                "Last output {last_output_ms:when}; {expected_kwh:kwh} expected since.",
                "It stopped after the visit on {visit_ms:when}.",
            ),
            check=check,
            caution=Caution.NO_GENERATION,
        ),
    )


_AC_SIDE_OFF = _no_generation(
    (f"It looks as if {BOX} is awake but gets no mains. Something between it and the mains may be off.",),
    "no generation, {device} awake without grid voltage",
    ("{device} is awake with DC present, but sees no grid voltage: the AC side is off.",),
    (
        "Check the AC isolator, the breaker and RCD of the generation circuit, and the neutral and line terminals.",
        "If the RCD or breaker had tripped, find out why before it is closed again.",
    ),
)
_CIRCUIT_OFF = _no_generation(
    ("It looks as if the whole circuit of your panels gets no mains.",),
    "no generation, generation circuit without mains",
    ("{device} is awake with DC present but sees no grid voltage, and the generation meter is dark too.",),
    (
        "Check the breaker and RCD of the generation circuit at the consumer unit, before the meter.",
        "Ask first whether the supply to the house is on.",
    ),
)
_NOT_RUNNING = _no_generation(
    (f"It looks as if {BOX} has both sun and mains, but will not start.",),
    "no generation, {device} awake but not running",
    ("{device} is awake, with grid voltage and DC present, and does not run.",),
    (
        "Read the inverter's own event list and state before you reset anything.",
        "Look for an insulation or residual-current event, a remote stop, an export limit of nought.",
    ),
)
_DC_SIDE_OFF = _no_generation(
    (f"We no longer hear from {BOX}. It looks as if the power from the panels does not reach it.",),
    "no generation, DC side of {device} off",
    ("{device} is silent or without DC by day, and no output is counted: the DC side is probably off.",),
    (
        "Check the DC isolators, at the inverter and elsewhere, and whether the inverter's display is lit.",
        "Measure Voc of each string at the isolator's array side.",
        "If Voc is there on every input, the inverter itself has failed.",
    ),
)
_NO_GENERATION = _no_generation(
    ("We cannot tell the cause from here.",),
    "no generation from {device}",
    ("{device} gives no output in good light. The readings do not tell which side is at fault.",),
    (
        "Check both isolators, breaker and RCD, then the inverter's event list.",
        "Measure grid voltage at the inverter and Voc of each string.",
    ),
)


_LOW_CHECK_HOME = (
    "Please look from the ground: has a tree grown, or is something lying on the panels? If so, say so when you call.",
)
_LOW_SUBJECT_HOME = "your solar panels make less than they should"
_OUTPUT_LOW = Both(
    Words(
        subject=_LOW_SUBJECT_HOME,
        wrong=(
            "Your solar panels make less power than the weather allows.",
            "Over the last {days:days} they made {share:part} of what they should.",
            "It may be shade, dirt or a fault. We cannot tell which from here. There is no need to rush.",
        ),
        check=_LOW_CHECK_HOME,
        caution=Caution.GENERAL,
    ),
    Words(
        subject="output below expectation",
        wrong=(
            "{where}: AC output is below the weather-corrected expectation.",
            "It came to {share:part} of it over the last {days:days}.",
        ),
        check=(
            "Check shade, soiling and snow, the inverter's limits and event list, then each string's current and Voc.",
            "Check that the site record (module count, tilt, azimuth, inverter rating) is right.",
        ),
        caution=Caution.STRING,
    ),
)
_STEP_FRACTION = Both(
    Words(
        subject=_LOW_SUBJECT_HOME,
        wrong=(
            "Your solar panels make less power than the weather allows.",
            "They now make {share:part} of what they should.",
            "The drop came all at once and has stayed the same.",
            "Perhaps one of {strings:count} rows of panels has failed.",
        ),
        check=(NEEDS_A_TEST,),
        caution=Caution.STRING,
    ),
    Words(
        subject="output low by a steady step, possibly one string",
        wrong=(
            "{where}: AC output fell in one step and has been a steady simple fraction of the expectation since.",
            "It came to {share:part} of it over the last {days:days}.",
            "Possibly one of {strings:count} strings is out.",
        ),
        check=(
            "Clamp each string's current and measure Voc; look for an open fuse, connector or DC switch.",
            "If all strings carry current, check for an inverter stage or phase that is out.",
        ),
        caution=Caution.STRING,
    ),
)

FAULTS: Mapping[tuple[Finding, str], Both] = {
    **METER_FAULTS,
    **STATE_FAULTS,
    (Finding.INVERTER_SILENT, "link-to-inverter"): _LINK_TO_INVERTER,
    (Finding.INVERTER_SILENT, ""): _INVERTER_SILENT,
    (Finding.NO_GENERATION, "ac-side-off"): _AC_SIDE_OFF,
    (Finding.NO_GENERATION, "circuit-off-upstream"): _CIRCUIT_OFF,
    (Finding.NO_GENERATION, "not-running"): _NOT_RUNNING,
    (Finding.NO_GENERATION, "dc-side-off"): _DC_SIDE_OFF,
    (Finding.NO_GENERATION, ""): _NO_GENERATION,
    **LIMIT_FAULTS,
    **STRING_FAULTS,
    (Finding.OUTPUT_LOW, "step-fraction"): _STEP_FRACTION,
    (Finding.OUTPUT_LOW, ""): _OUTPUT_LOW,
    **READING_FAULTS,
    **REFERENCE_FAULTS,
    **AREA_FAULTS,
    (Finding.CLOCK_WRONG, "clock-behind"): _CLOCK_BEHIND,
    (Finding.CLOCK_WRONG, "clock-ahead"): _CLOCK_AHEAD,
    (Finding.CLOCK_WRONG, ""): _clock_wrong("earlier or later"),
}

FIGURES: Mapping[str, tuple[str, str]] = {
    "index_kwh": ("Meter index", "{0:dial} kWh"),
    "back_kwh": ("Run back", "{0:.1f} kWh"),
    "before_kwh": ("Index before", "{0:dial} kWh"),
    "night_kwh": ("Counted at night", "{0:.2f} kWh"),
    "nights": ("Nights", "{0:.0f}"),
    "power_w": ("Mean power at night", "{0:.0f} W"),
    "inverter_kwh": ("Counted by the inverter", "{0:.1f} kWh"),
    "meter_kwh": ("Counted by the meter", "{0:.1f} kWh"),
    "difference_percent": ("Difference", "{0:.1f} %"),
    "tolerance_percent": ("May differ by", "{0:.1f} %"),
    "last_moved_ms": ("Index last moved", "{0:when}"),
    "last_heard_ms": ("Last heard", "{0:when}"),
    "last_output_ms": ("Last output", "{0:when}"),
    "visit_ms": ("Visit before it", "{0:when}"),
    "expected_kwh": ("Expected since", "{0:.1f} kWh"),
    "current_a": ("Current", "{0:.2f} A"),
    "voltage_v": ("Voltage", "{0:.0f} V"),
    "usual_voltage_v": ("Usual voltage", "{0:.0f} V"),
    "strings": ("Strings in parallel", "{0:.0f}"),
    "share": ("Share of the expected", "{0:.2f}"),
    "shift_minutes": ("Times moved by", "{0:.0f} minutes"),
    "days": ("Days judged", "{0:.0f}"),
    **STATE_FIGURES,
    **LIMIT_FIGURES,
    **STRING_FIGURES,
    **READING_FIGURES,
    **REFERENCE_FIGURES,
    **AREA_FIGURES,
}
"""What the trade finds under Figures: evidence key to label and form, in this order."""

ENDINGS: Mapping[tuple[Finding, Register], Ending] = {**OWN_ENDINGS, **READING_ENDINGS}

"""The words for rows of panels: one that gives nothing, too little, or comes and goes.

Rule: those of wording_table.py, which this table is joined to. The home reads of a row of panels, the trade of strings,
their currents and voltages.
"""

from __future__ import annotations

from collections.abc import Mapping

from watcher.alert.wording_cautions import Caution
from watcher.alert.wording_row import NEEDS_A_TEST, ONE_ROW, ONE_ROW_SUBJECT, OTHERS_WORK, Both, Words
from watcher.domain.finding import Finding


def _row_out(home: tuple[str, ...], trade_subject: str, trade: tuple[str, ...], check: tuple[str, ...]) -> Both:
    return Both(
        Words(
            subject=ONE_ROW_SUBJECT,
            wrong=(ONE_ROW, *home),
            check=(NEEDS_A_TEST,),
            caution=Caution.STRING,
        ),
        Words(subject=trade_subject, wrong=trade, check=check, caution=Caution.STRING),
    )


_INPUT_FIGURES = "{current_a:.1f} A at {voltage_v:.0f} V; usual voltage here {usual_voltage_v:.0f} V."
_VOLTAGE_OPEN_CIRCUIT = _row_out(
    (
        "The panels in it look ready, but their power does not get through.",
        "The fault is most likely at the inverter end.",
        OTHERS_WORK,
    ),
    "{where}: no current at open-circuit voltage",
    (
        "{where} carries no current at a voltage near Voc: the string is complete and nothing draws on it.",
        _INPUT_FIGURES,
    ),
    (
        "Suspect the inverter's input, its fuse or its DC switch.",
        "Compare Voc before and after the switch, and swap inputs to tell string from tracker.",
    ),
)
_VOLTAGE_NONE = _row_out(
    ("Nothing arrives from these panels. Something on the way from them may be broken.", OTHERS_WORK),
    "{where}: no current, no voltage",
    ("{where} has neither current nor voltage by day: nothing arrives from the string.", _INPUT_FIGURES),
    (
        "Measure Voc at the last accessible point and work back towards the modules: switch, fuse, connectors, cable.",
        "Test insulation to earth before you reconnect; a parted cable may lie on metal.",
    ),
)
_VOLTAGE_DRIFTING = _row_out(
    (
        "A contact on the way from these panels seems to be loose.",
        "A loose contact can get hot. Please have this looked at soon.",
        OTHERS_WORK,
    ),
    "{where}: no current, voltage drifting",
    ("{where} carries no current and its voltage drifts: a loose end or a broken contact.", _INPUT_FIGURES),
    (
        "Treat it as a heat risk and go soon: look for scorched connectors, terminals and fuse holders.",
        "Test continuity and insulation of the string before you reconnect.",
    ),
)
_PARALLEL_STRING = _row_out(
    (
        "It is one of {strings:count} rows that work side by side.",
        "Together they now give {share:part} of what they should.",
    ),
    "{where}: one parallel string open",
    (
        "{where} gives {share:part} of its usual current at normal voltage: one parallel string is open.",
        "Strings in parallel at this input: {strings:count}.",
        _INPUT_FIGURES,
    ),
    (
        "Clamp each string's current and compare; the one that reads nothing has an open fuse or connector.",
        "After repair, parallel strings should agree within 5 % in steady light.",
    ),
)
_STRING_OPEN = _row_out(
    ("We cannot tell the cause from here.", OTHERS_WORK),
    "{where}: string open",
    ("{where} carries no current in good light while the others do.", _INPUT_FIGURES),
    ("Measure Voc and current of the string; check DC switch, fuse and connectors.",),
)


def _row_low(
    wrong: tuple[str, ...], steps: tuple[str, ...], trade_subject: str, trade: tuple[str, ...], check: tuple[str, ...]
) -> Both:
    """A row that works, and makes less than it did. steps: what a home can do"""
    return Both(
        Words(
            subject="one row of your solar panels makes less than it should",
            wrong=("One row of your solar panels makes less power than it should.", *wrong),
            check=steps,
            caution=Caution.STRING,
        ),
        Words(subject=trade_subject, wrong=trade, check=check, caution=Caution.STRING),
    )


_OF_USUAL_HOME = "It now gives {share:part} of what it used to."
_OF_USUAL = "It gives {share:part} of its usual share of the sun, in every direction of the sun, over {days:days}."
_VOLTS = "Voltage is at {voltage_share:.2f} of usual, heat allowed for, as by {parts_lost:.1f} thirds of a module."

_LOW_CURRENT = _row_low(
    (_OF_USUAL_HOME, "It may be dirt, new shade or worn panels. There is no need to rush."),
    ("Please look from the ground: is there dirt, moss or something else on the panels? Say so when you call.",),
    "{where}: string current low",
    ("{where}: current has fallen at normal voltage against its own past and the other inputs.", _OF_USUAL),
    (
        "Look for dirt, lichen and new shade on a part of the string first; clean or clear, and compare for a week.",
        "Then trace the I-V curve: steps are mismatch or broken cells, a slope at low voltage is shunting.",
        "Thermal images in steady sun show the weak modules.",
    ),
)
_LOW_VOLTAGE = _row_low(
    (_OF_USUAL_HOME, "More than one panel in it seems to be out."),
    (NEEDS_A_TEST,),
    "{where}: string voltage low",
    ("{where}: voltage has fallen at normal current, by more than a module.", _VOLTS),
    (
        "Measure Voc against the module count and temperature; then module by module.",
        "Suspect shorted bypass diodes after lightning, a wrong count after work on the roof, or degraded cells.",
    ),
)


def _module_lost(home: str, trade: str) -> Both:
    return _row_low(
        (home, _OF_USUAL_HOME),
        (NEEDS_A_TEST,),
        "{where}: module out",
        (f"{{where}}: voltage has fallen in a step, {trade}, at normal current.", _VOLTS),
        (
            "Measure Voc of the string, then of each module; look for a shorted or conducting bypass diode.",
            "A conducting bypass diode runs hot: check the junction box with a thermal image in sun.",
        ),
    )


_INTERMITTENT = Both(
    Words(
        subject="one row of your solar panels comes and goes",
        wrong=(
            "One row of your solar panels stops when the sun is strong, and starts once more when it is weak.",
            "A contact may be loose. A loose contact can get hot. Please have this looked at soon.",
            OTHERS_WORK,
        ),
        check=(NEEDS_A_TEST,),
        caution=Caution.STRING,
    ),
    Words(
        subject="{where}: string drops out at high current",
        wrong=(
            "{where} carries no current in strong light and works again in weaker light, while the others work.",
            "It gives up at about {breaks_at_a:.1f} A; seen on {days:days}.",
        ),
        check=(
            "Treat it as a heat risk and go soon: look for scorched connectors, terminals and fuse holders.",
            "Measure the drop over each joint at high current; a fuse of too low a rating does the same.",
        ),
        caution=Caution.STRING,
    ),
)

STRING_FAULTS: Mapping[tuple[Finding, str], Both] = {
    (Finding.STRING_OPEN, "voltage-open-circuit"): _VOLTAGE_OPEN_CIRCUIT,
    (Finding.STRING_OPEN, "voltage-none"): _VOLTAGE_NONE,
    (Finding.STRING_OPEN, "voltage-drifting"): _VOLTAGE_DRIFTING,
    (Finding.STRING_OPEN, "parallel-string"): _PARALLEL_STRING,
    (Finding.STRING_OPEN, ""): _STRING_OPEN,
    (Finding.STRING_LOW_CURRENT, ""): _LOW_CURRENT,
    (Finding.STRING_LOW_VOLTAGE, ""): _LOW_VOLTAGE,
    (Finding.STRING_INTERMITTENT, "loose-contact"): _INTERMITTENT,
    (Finding.STRING_INTERMITTENT, ""): _INTERMITTENT,
    (Finding.MODULE_LOST, "part-of-a-module"): _module_lost(
        "A part of one panel seems to be out.", "a part of a module"
    ),
    (Finding.MODULE_LOST, "whole-module"): _module_lost("One panel in it seems to be out.", "about one module"),
    (Finding.MODULE_LOST, ""): _module_lost("A panel in it, or a part of one, seems to be out.", "a module or less"),
}

STRING_FIGURES: Mapping[str, tuple[str, str]] = {
    "voltage_share": ("Share of the usual voltage", "{0:.3f}"),
    "parts_lost": ("Thirds of a module", "{0:.1f}"),
    "breaks_at_a": ("Drops out above", "{0:.1f} A"),
}

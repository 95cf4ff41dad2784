"""The words for what devices say of themselves: the warnings about safety first.

Rule: a safety letter is short and without money. It asks nobody at home to try anything, says whom to call, and when
to leave the house. The other rules are those of wording_table.py, which this table is joined to.
"""

from __future__ import annotations

from collections.abc import Mapping

from watcher.alert.wording_cautions import Caution
from watcher.alert.wording_row import BOX, Both, Words
from watcher.domain.finding import Finding


def _safety(
    subject: str, home: tuple[str, ...], trade: tuple[str, str], check: tuple[str, ...], caution: Caution
) -> Both:
    """trade: subject and what is so."""
    return Both(
        Words(
            subject=f"safety: {subject}",
            wrong=home,
            check=("Please call today, also if all looks well. It must be looked at by a trained person.",),
            caution=caution,
        ),
        Words(
            subject=f"safety: {trade[0]}",
            wrong=(trade[1], "Said {times_said:.0f} times in the last fortnight, the latest {last_said_ms:when}."),
            check=(*check, "When it has been dealt with, record the inspection: nothing else closes this alert."),
            caution=caution,
        ),
    )


_EARTH_FAULT = _safety(
    "earth-leakage warning",
    (
        f"It looks as if power leaks from the wires of your panels to earth. {BOX[0].upper()}{BOX[1:]} says so.",
        "A leak like this can give a shock, and it can start a fire.",
        "It often shows on wet mornings and is gone by noon. It is still there then.",
    ),
    ("earth fault reported by {device}", "{device} reports a ground fault or measures too low an insulation."),
    (
        "Measured insulation {insulation_kohm:.0f} kΩ; it was said on {mornings:.0f} days.",
        "Test insulation of each string to earth, if possible while it is damp: at least 1 MΩ (IEC 62446-1).",
        "Look for water in connectors and junction boxes, chafed cable, damaged modules; treat frames as live.",
        "Do not restart the inverter again and again: each start drives the fault.",
    ),
    Caution.EARTH,
)
_ARC_FAULT = _safety(
    "sparks in the wires of your panels",
    (
        f"It looks as if there are sparks in the wires of your panels. {BOX[0].upper()}{BOX[1:]} says so.",
        "Sparks like these get very hot and can start a fire.",
    ),
    ("DC arc reported by {device}", "The arc detector of {device} has spoken."),
    (
        "Inspect every DC connector, terminal and switch of the input concerned; look for melted or darkened parts.",
        "Do not restart until the cause is found: a series arc returns with the current.",
    ),
    Caution.FIRE,
)
_OVERHEATING = _safety(
    "your solar inverter is too hot",
    (
        f"{BOX[0].upper()}{BOX[1:]} is hotter than it ever should be.",
        "Please see that nothing stands close to it, and keep away from it.",
    ),
    ("{device} too hot", "{device} reports over-temperature, or its heat sink reads far above what derating leaves."),
    (
        "Heat sink {temperature_degc:.0f} degC.",
        "Check fan, filters, clearances and terminal screws: a loose terminal heats as well as a blocked fan.",
    ),
    Caution.FIRE,
)


def _supply(home: str, trade: str, check: str) -> Both:
    return _safety(
        "the mains voltage in your home is not safe",
        (
            f"The voltage of the mains in your home is {home}. Your panels are not the cause.",
            "This can harm what you have plugged in, and it can give a shock.",
            "Please call 105 now. This is free, day and night. They will tell the company that brings power to you.",
        ),
        ("supply voltage at {device} dangerous", trade),
        (
            "Highest phase voltage {voltage_v:.1f} V. Statutory band 216.2 to 253.0 V (ESQCR 2002).",
            check,
            "Have the network operator told at once (105): beyond the cut-out it is theirs.",
        ),
        Caution.SUPPLY,
    )


_OVER_VOLTAGE = _supply(
    "much too high",
    "The supply stands at or above the second over-voltage step (273.7 V) or trips {device} while it feeds in nothing.",
    "Measure at the cut-out with the inverter off; log it.",
)
_NEUTRAL_LOST = _supply(
    "not the same from one moment to the next",
    "The phases stand far apart, above and below the band at once: the supply's neutral is probably lost.",
    "Treat exposed metal as live; isolate sensitive loads; check the neutral from the cut-out on.",
)
_BATTERY_ALARM = _safety(
    "your battery has given a warning",
    (
        "Your battery has given a warning of its own.",
        "A battery that fails can get very hot and give off smoke that harms you. Keep away from it.",
    ),
    ("battery alarm passed on by {device}", "The battery's own electronics report an alarm through {device}."),
    (
        "Read the battery's event list before anything else: cell voltage, temperature, insulation, contactor.",
        "Do not charge or discharge it until its maker's instructions for the event have been followed.",
    ),
    Caution.FIRE,
)

STATE_FAULTS: Mapping[tuple[Finding, str], Both] = {
    (Finding.EARTH_FAULT, ""): _EARTH_FAULT,
    (Finding.ARC_FAULT, ""): _ARC_FAULT,
    (Finding.INVERTER_OVERHEATING, ""): _OVERHEATING,
    (Finding.SUPPLY_VOLTAGE_DANGER, "over-voltage"): _OVER_VOLTAGE,
    (Finding.SUPPLY_VOLTAGE_DANGER, "neutral-lost"): _NEUTRAL_LOST,
    (Finding.SUPPLY_VOLTAGE_DANGER, ""): _OVER_VOLTAGE,
    (Finding.BATTERY_ALARM, ""): _BATTERY_ALARM,
}

STATE_FIGURES: Mapping[str, tuple[str, str]] = {
    "times_said": ("Times said", "{0:.0f}"),
    "last_said_ms": ("Last said", "{0:when}"),
    "mornings": ("Days on which it was said", "{0:.0f}"),
    "insulation_kohm": ("Insulation to earth", "{0:.0f} kΩ"),
    "temperature_degc": ("Heat sink", "{0:.0f} degC"),
}

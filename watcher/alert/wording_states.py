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


def _trips(trade: str, check: tuple[str, ...], home: tuple[str, ...]) -> Both:
    return Both(
        Words(
            subject="your solar panels stop again and again on sunny days",
            wrong=(
                "On sunny days the voltage of the mains at your home gets too high.",
                "Your panels then stop for your safety, and start again some minutes later.",
                *home,
            ),
            check=("The firm can find out what makes the voltage too high. Your panels are not broken.",),
            caution=Caution.GENERAL,
        ),
        Words(
            subject="{device} trips on high grid voltage",
            wrong=(
                f"{{device}} leaves the grid on over-voltage while it generates: {trade}.",
                "At least {trips:.0f} trips on {days:.0f} of the last 7 days.",
                "Highest voltage around a trip {highest_v:.1f} V.",
                "Own full output raises the voltage by about {rise_v:.1f} V.",
            ),
            check=check,
            caution=Caution.GENERAL,
        ),
    )


_ASK_OPERATOR = "Log the voltage at the cut-out for a week, and send it with these days to the network operator."
_SUPPLY_HIGH = _trips(
    "the supply itself stands too high",
    (_ASK_OPERATOR, "Statutory band 216.2 to 253.0 V (ESQCR 2002); the operator can tap the transformer down."),
    ("The cause seems to lie in the street. The network company must put that right.",),
)
_CABLE_RISE = _trips(
    "its own output raises the voltage",
    (
        "Measure the voltage at the inverter and at the cut-out under full output; compare.",
        "Check cable size and every terminal between the two: a loose terminal raises voltage as a thin cable does.",
        "If the rise lies beyond the cut-out, tell the network operator.",
    ),
    ("The cause seems to lie in a wire of your home. Please have this looked at soon.",),
)
_PROTECTION_LOW = _trips(
    "it trips below the statutory limit",
    (
        "Compare the protection settings with EREC G98 or G99, above all the country code (first step 262.2 V).",
        "Measure the voltage beside the inverter: its own reading may be off.",
    ),
    ("A setting seems to be too strict.",),
)
_TRIPS = _trips("the cause is open", (_ASK_OPERATOR, "Check the protection settings."), ())


def _late(home: tuple[str, ...], trade: str, check: tuple[str, ...], caution: Caution) -> Both:
    return Both(
        Words(
            subject="your solar panels start late in the morning",
            wrong=("On some mornings your panels start to make power much later than they should.", *home),
            check=("This will not get well by itself.",),
            caution=caution,
        ),
        Words(
            subject="{device} starts late",
            wrong=(
                f"{{device}} waits in the morning although there is light enough: {trade}.",
                "On {days:.0f} of the last 7 days, by about {late_minutes:.0f} minutes.",
                "DC voltage while it waits is {voltage_share:.2f} of that at work.",
            ),
            check=check,
            caution=caution,
        ),
    )


_LATE_LEAK = _late(
    (
        "It looks as if power leaks from their wires to earth while things are wet.",
        "A leak like this can give a shock. Please have it looked at soon, also if all looks well by noon.",
    ),
    "insulation to earth is too low",
    (
        "Test insulation of each string to earth while it is damp: at least 1 MΩ (IEC 62446-1).",
        "Do not restart the inverter again and again: each start drives the fault.",
    ),
    Caution.EARTH,
)
_LATE_VOLTAGE = _late(
    (),
    "the array's voltage is low",
    ("Compare Voc of each string with the datasheet; look for shade in the morning and for too short a string.",),
    Caution.STRING,
)
_LATE_WAKING = _late(
    (),
    "voltage is there, and it does not wake",
    ("Check the start-up voltage and delay that are set, the firmware, and the inverter's event list.",),
    Caution.GENERAL,
)
_LATE = _late(
    (),
    "the cause is open",
    ("Read the inverter's event list of the morning; test insulation while it is damp.",),
    Caution.STRING,
)

_STUCK = Both(
    Words(
        subject="we get the same old news from your solar panels",
        wrong=("What we hear from your panels has not changed for a long time. So we do not know how they are.",),
        check=("Your panels may well work. The firm can find out why no fresh news comes.",),
        caution=Caution.GENERAL,
    ),
    Words(
        subject="{device}: values stand still",
        wrong=(
            "{device} answers, but repeats the same power and voltage: old values are served as new.",
            "Unchanged for {still_minutes:.0f} minutes, voltage {mains_v:.1f} V.",
        ),
        check=(
            "Restart the logger or gateway between the inverter and us; look for a link lost behind it.",
            "Energy is judged from the meter alone meanwhile, as far as there is one.",
        ),
        caution=Caution.GENERAL,
    ),
)

STATE_FAULTS: Mapping[tuple[Finding, str], Both] = {
    (Finding.EARTH_FAULT, ""): _EARTH_FAULT,
    (Finding.ARC_FAULT, ""): _ARC_FAULT,
    (Finding.INVERTER_OVERHEATING, ""): _OVERHEATING,
    (Finding.SUPPLY_VOLTAGE_DANGER, "over-voltage"): _OVER_VOLTAGE,
    (Finding.SUPPLY_VOLTAGE_DANGER, "neutral-lost"): _NEUTRAL_LOST,
    (Finding.SUPPLY_VOLTAGE_DANGER, ""): _OVER_VOLTAGE,
    (Finding.BATTERY_ALARM, ""): _BATTERY_ALARM,
    (Finding.GRID_VOLTAGE_TRIPS, "supply-voltage-high"): _SUPPLY_HIGH,
    (Finding.GRID_VOLTAGE_TRIPS, "own-cable-rise"): _CABLE_RISE,
    (Finding.GRID_VOLTAGE_TRIPS, "protection-set-low"): _PROTECTION_LOW,
    (Finding.GRID_VOLTAGE_TRIPS, ""): _TRIPS,
    (Finding.LATE_START, "insulation"): _LATE_LEAK,
    (Finding.LATE_START, "array-voltage-low"): _LATE_VOLTAGE,
    (Finding.LATE_START, "waking-threshold"): _LATE_WAKING,
    (Finding.LATE_START, ""): _LATE,
    (Finding.VALUES_STUCK, ""): _STUCK,
}

STATE_FIGURES: Mapping[str, tuple[str, str]] = {
    "times_said": ("Times said", "{0:.0f}"),
    "last_said_ms": ("Last said", "{0:when}"),
    "mornings": ("Days on which it was said", "{0:.0f}"),
    "insulation_kohm": ("Insulation to earth", "{0:.0f} kΩ"),
    "trips": ("Trips, at least", "{0:.0f}"),
    "highest_v": ("Highest voltage at a trip", "{0:.1f} V"),
    "rise_v": ("Rise by own full output", "{0:.1f} V"),
    "late_minutes": ("Late by", "{0:.0f} minutes"),
    "still_minutes": ("Unchanged for", "{0:.0f} minutes"),
    "mains_v": ("Mains voltage", "{0:.1f} V"),
    "temperature_degc": ("Heat sink", "{0:.0f} degC"),
}

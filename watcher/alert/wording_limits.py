"""The words for output that is held back, and for readings that wander off or do not add up.

The rules are those of wording_table.py, which this table is joined to.
"""

from __future__ import annotations

from collections.abc import Mapping

from watcher.alert.wording_cautions import Caution
from watcher.alert.wording_row import BOX, Both, Words
from watcher.domain.finding import Finding


def _limited(home: tuple[str, ...], trade: str, check: tuple[str, ...], ask_home: str = "") -> Both:
    return Both(
        Words(
            subject="your solar panels are held back on sunny days",
            wrong=("On sunny days your panels could make more power than they do. Something holds them back.", *home),
            check=(ask_home or "The firm can find out what it is. This will not get well by itself.",),
            caution=Caution.GENERAL,
        ),
        Words(
            subject="{device} limits its output",
            wrong=(
                f"{{device}} gives less than light and rating allow: {trade}.",
                "It stood at {level_kw:.2f} kW of {rating_kw:.2f} kW.",
                "It stands still at {flat_kw:.2f} kW, which is new: a limiter in fail-safe, a setting, or a stage out.",
                "The panels stood at a higher DC voltage than at work for {raised_percent:.0f} % of that time.",
                "So on {days:.0f} days, for {held_hours:.1f} hours in all.",
                "Heat sink {heat_degc:.0f} degC meanwhile.",
            ),
            check=check,
            caution=Caution.GENERAL,
        ),
    )


_HEAT = _limited(
    (f"It looks as if {BOX} gets too hot and slows down.",),
    "it derates with a hot heat sink",
    (
        "Check fan, filters and heat sink for dust, clearances, sun on the enclosure, and the room's air.",
        "Read the event list for temperature derating.",
    ),
    "Please see that nothing stands close to it and that air can get to it.",
)
_MAINS = _limited(
    ("The voltage of the mains at your home is high, and then they must give less.",),
    "it follows the grid voltage, which stands at the edge of the band",
    (
        "Log the voltage at the inverter and at the cut-out under full output; compare the two.",
        "Statutory band 216.2 to 253.0 V (ESQCR 2002); compare the volt-watt settings with EREC G98 or G99.",
    ),
)
_LIMITER = _limited(
    ("It looks as if the part that limits what you send to the street no longer knows what your home uses.",),
    "it stands still at one level whatever the house takes, as an export limiter in fail-safe does",
    (
        "Check the export limiter's meter or current transformer: supply, data lead, direction, phase.",
        "Compare the limiter's fail-safe level with the level given here.",
    ),
)
_ASK = _limited(
    ("We do not know what it is. It may be as it should be.",),
    "output is held below what was expected; limited, cause unknown",
    (
        "Is there an export limit, a zero-export setting, or off-grid use? Then enter it in the site file "
        "(export_limit_w), and those hours are judged with it.",
        "If there is none, check for a limiter in fail-safe and for derating.",
    ),
)
_UNSAID = _limited(
    ("We cannot tell the cause from here.",),
    "limited, and nothing that is read says by what",
    (
        "Read the event list and the active-power limit that is set; look for a limiter or a remote command in force.",
        "Check for heat, for an export limit that is not on file, and on three phases for one that is out.",
    ),
)


def _drifting(trade: str, check: tuple[str, ...]) -> Both:
    return Both(
        Words(
            subject="one of the readings from your solar panels is a bit off",
            wrong=("One of the readings we get from your panels is no longer quite right. They work as before.",),
            check=("There is nothing you need to do today.",),
            caution=Caution.GENERAL,
        ),
        Words(
            subject="{where}: readings drift",
            wrong=(
                f"What {{where}} reads no longer agrees with {trade}, as it did for weeks.",
                "It reads {difference_percent:+.1f} % of what it did.",
                "So for {days:days}; no energy is lost by it.",
            ),
            check=check,
            caution=Caution.GENERAL,
        ),
    )


_SENSOR = _drifting(
    "what the inverter gives, or with its own voltage and current",
    (
        "Compare with a clamp meter at the next visit; no visit for this alone.",
        "Judge nothing at this input by its current meanwhile.",
    ),
)
_READING = _drifting(
    "what the inverter gives",
    (
        "Compare DC and AC power with a meter at the next visit: a DC sensor, the AC reading, or a conversion loss.",
        "If the inverter runs hotter than it did, it is the loss: look at fan and filters.",
    ),
)


_IMBALANCE = Both(
    Words(
        subject="the sums of power in your home do not add up",
        wrong=("What we read of power in your home does not add up. One of the readings may be wrong.",),
        check=("There is nothing you need to do today.",),
        caution=Caution.GENERAL,
    ),
    Words(
        subject="{where}: energy balance does not close",
        wrong=(
            "{where}: what flows in and what flows out do not agree.",
            "{missing_percent:.1f} % of what flows in is not told to flow out, more than all meters may err by.",
            "{surplus_percent:.1f} % more flows out than in, more than all meters may err by.",
            "The battery gives back {worn_percent:.1f} % less of its charge than it did, its state of charge counted.",
            "Of what flows in {lost_percent:.1f} % less comes out than did for weeks.",
            "On the latest day {in_kwh:.1f} kWh in and {out_kwh:.1f} kWh out; so for {days:days}.",
        ),
        check=(
            "Compare each reading of the bus with a meter, and direction, ratio and constant with the site file.",
            "{missing_percent:.1f} % missing: look for a circuit before the load meter, or a sensor on another phase.",
            "{surplus_percent:.1f} % too much: look for generation or a battery that is not on file.",
            "{worn_percent:.1f} % worn: read the battery's state of health, cell voltages and temperatures.",
            "{lost_percent:.1f} % lost: look for heat in the inverter: fan, filters, terminals.",
        ),
        caution=Caution.GENERAL,
    ),
)

LIMIT_FAULTS: Mapping[tuple[Finding, str], Both] = {
    (Finding.POWER_LIMITED, "heat"): _HEAT,
    (Finding.POWER_LIMITED, "supply-voltage-high"): _MAINS,
    (Finding.POWER_LIMITED, "limiter-fail-safe"): _LIMITER,
    (Finding.POWER_LIMITED, "limit-unknown"): _ASK,
    (Finding.POWER_LIMITED, ""): _UNSAID,
    (Finding.ENERGY_IMBALANCE, ""): _IMBALANCE,
    (Finding.VALUES_DRIFTING, "dc-sensor"): _SENSOR,
    (Finding.VALUES_DRIFTING, ""): _READING,
}

LIMIT_FIGURES: Mapping[str, tuple[str, str]] = {
    "level_kw": ("Held at", "{0:.2f} kW"),
    "rating_kw": ("Rating", "{0:.2f} kW"),
    "raised_percent": ("Of that at higher DC voltage", "{0:.0f} %"),
    "held_hours": ("Held back for", "{0:.1f} hours"),
    "missing_percent": ("Missing", "{0:.1f} %"),
    "surplus_percent": ("Too much", "{0:.1f} %"),
    "worn_percent": ("Given back less by", "{0:.1f} %"),
    "lost_percent": ("Lost more by", "{0:.1f} %"),
    "in_kwh": ("In on the latest day", "{0:.1f} kWh"),
    "out_kwh": ("Out on the latest day", "{0:.1f} kWh"),
    "heat_degc": ("Heat sink while held back", "{0:.0f} degC"),
}

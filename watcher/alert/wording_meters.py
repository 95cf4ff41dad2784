"""What is said about generation meters: one that stands still, is not heard, counts wrong.

Rule: as in wording_table.py, which joins these rows to the rest. To a home a meter that counts wrong is one thing,
whatever it comes of; payments go by its number, so the number is what a home is asked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from watcher.alert.wording_cautions import Caution
from watcher.alert.wording_row import Both, Words
from watcher.domain.finding import Finding

_WRITE_IT_DOWN = (
    "Please write down the number that the meter shows today, and take a photo of it.",
    "The right meter is in this place: {place}.",
    "It has this number printed on it: {serial}.",
)
_PAID_BY_IT = "If you are paid for the power your panels make, that payment goes by this meter."

_METER_STALLED = Both(
    Words(
        subject="your solar meter has stopped counting",
        wrong=(
            "Your solar meter has stopped counting, but your panels still work.",
            "The number on it, {index_kwh:dial} kWh, last moved on {last_moved_ms:when}.",
            "Since then your panels have made {inverter_kwh:kwh}.",
            _PAID_BY_IT,
        ),
        check=_WRITE_IT_DOWN,
        caution=Caution.METER,
    ),
    Words(
        subject="generation meter {device} stalled",
        wrong=(
            "{device} answers, but its index stands still while the inverter generates.",
            "Index {index_kwh:dial} kWh since {last_moved_ms:when}; the inverter has counted {inverter_kwh:kwh} since.",
        ),
        check=(
            "Compare the display with the index above.",
            "If the display has moved on, the fault is in the reading: pulse lead, bus, gateway.",
            "If it has not, the register or the meter's wiring is at fault: see whether the output still passes "
            "through the meter, and arrange an exchange.",
            "Record serial, closing and opening index with photographs: payments rest on them.",
        ),
        caution=Caution.METER,
    ),
)

_METER_REVERSED = Both(
    Words(
        subject="your solar meter runs backwards",
        wrong=(
            "Your solar meter runs backwards: its number goes down while your panels make power.",
            "It has gone back by {back_kwh:kwh}, while your panels made {inverter_kwh:kwh}.",
            _PAID_BY_IT,
        ),
        check=_WRITE_IT_DOWN,
        caution=Caution.METER,
    ),
    Words(
        subject="generation meter {device} runs backwards",
        wrong=(
            "{device} counts down while the inverter generates.",
            "Down by {back_kwh:kwh}; the inverter has counted {inverter_kwh:kwh} meanwhile.",
        ),
        check=(
            "See whether line and load side of the meter, or a current transformer, are the wrong way round.",
            "Ask what was done to the meter or the board on the day it began.",
            "Record serial and index with photographs before and after: payments rest on them.",
        ),
        caution=Caution.METER,
    ),
)

_METER_RESTARTED = Both(
    Words(
        subject="the number on your solar meter has begun anew",
        wrong=(
            "The number on your solar meter has begun anew. It stood at {before_kwh:dial} kWh before.",
            "If someone has put in a new meter, all is well. We were not told of one.",
            _PAID_BY_IT,
        ),
        check=(
            "If you have a new meter, please tell us the day and the number printed on it.",
            *_WRITE_IT_DOWN,
        ),
        caution=Caution.METER,
    ),
    Words(
        subject="register of generation meter {device} has begun anew",
        wrong=(
            "The index of {device} fell from {before_kwh:dial} to {index_kwh:dial} kWh and counts on: "
            "replaced, reset or wrong reading?",
            "No exchange is on file. Until one is, or a reset, it is not compared with the inverter.",
        ),
        check=(
            "If the meter was exchanged, enter that with both serials and both indices, at any later time: "
            "watcher meter SITE {device} --exchanged.",
            "If not, it has lost its register: exchange it, and keep the index before for whoever pays.",
            "Record serial and index with photographs: payments rest on them.",
        ),
        caution=Caution.METER,
    ),
)

_NIGHT_HOME = Words(
    subject="your solar meter counts at night",
    wrong=(
        "Your solar meter counts at night, when your panels make no power.",
        "In {nights:count} nights it counted {night_kwh:kwh}.",
        _PAID_BY_IT,
        "What it counts at night is not sun power, so please do not claim for it before this is looked at.",
    ),
    check=("There is nothing you need to do today.",),
    caution=Caution.METER,
)


def _night_energy(trade: tuple[str, ...], check: tuple[str, ...]) -> Both:
    return Both(
        _NIGHT_HOME,
        Words(
            subject="generation meter {device} counts at night",
            wrong=(
                "{device} counts with the sun well below the horizon.",
                "In {nights:count} nights {night_kwh:kwh}, {power_w:.0f} W on average.",
                *trade,
            ),
            check=check,
            caution=Caution.METER,
        ),
    )


_WHAT_IS_BEHIND = "See what is connected behind the meter: battery, immersion heater, another circuit."
_PAID_TWICE = "Generation payments may not rest on it: tell whoever is paid, and keep the figures."
_NIGHT_DISCHARGE = _night_energy(
    ("By its hours it is a battery that is emptied through the meter.",),
    ("See whether a battery was fitted behind the meter, and enter it in the site file.", _PAID_TWICE),
)
_NIGHT_CHARGING = _night_energy(
    (
        "By its hours it is a battery that is charged from the mains, on a register that adds both ways.",
        "What goes in and comes out again is then counted twice, and none of it was generated.",
    ),
    ("See whether a battery was fitted behind the meter, and which way its register counts.", _PAID_TWICE),
)
_NIGHT_ANY = _night_energy((), (_WHAT_IS_BEHIND, _PAID_TWICE))
_NIGHT_LITTLE = Both(
    Words(
        subject="your solar meter counts a little at night",
        wrong=(
            "Your solar meter counts a little at night: {night_kwh:kwh} in {nights:count} nights.",
            "This is a small thing, and no one is to blame for it.",
            "Most often it is what the inverter needs for itself.",
        ),
        check=("There is nothing you need to do.",),
        caution=Caution.METER,
    ),
    _night_energy(
        ("So little is the inverter's own consumption on a register that adds both ways, or a register that creeps.",),
        ("At the next visit: with the inverter isolated a register must stand still; if it moves, the meter creeps.",),
    ).trade,
)

_METER_SILENT = Both(
    Words(
        subject="we cannot read your solar meter",
        wrong=(
            "We cannot read your solar meter any more.",
            "It last sent us a reading on {last_heard_ms:when}.",
            "This does not mean that the meter has stopped. Most often only the link to it is down.",
        ),
        check=(
            "Please look at the meter. If it shows a number, write the number down. If it shows nothing, say so when "
            "you call.",
            "The right meter is in this place: {place}.",
            "It has this number printed on it: {serial}.",
        ),
        caution=Caution.METER,
    ),
    Words(
        subject="generation meter {device} not heard",
        wrong=(
            "{device} no longer answers; nothing is known about its index.",
            "Last heard {last_heard_ms:when}.",
        ),
        check=(
            "Check the meter's supply and display first, then the lead to it, its bus address and the gateway.",
            "Read the display: if it counts, only the reading is lost and no payment is at risk.",
        ),
        caution=Caution.METER,
    ),
)

_METER_MISMATCH = Both(
    Words(
        subject="your solar meter does not agree with your inverter",
        wrong=(
            "Your solar meter and your inverter do not agree about how much power your panels make.",
            "Over the last {days:days} the meter counted {meter_kwh:kwh}, and the inverter {inverter_kwh:kwh}.",
            "A small gap is normal. This one is too big.",
            _PAID_BY_IT,
        ),
        check=_WRITE_IT_DOWN,
        caution=Caution.METER,
    ),
    Words(
        subject="generation meter {device} apart from the inverter",
        wrong=(
            "{device} and what it covers differ by more than both may err.",
            "Over {days:days}: meter {meter_kwh:kwh}, inverter {inverter_kwh:kwh}.",
        ),
        check=(
            "Compare display and reported index first: a wrong pulse constant or a lost pulse shows there.",
            "Then the wiring of the meter: direction, one phase missing, another circuit behind it.",
            "An inverter's own counter can step after an exchange of firmware: compare with its display.",
        ),
        caution=Caution.METER,
    ),
)


def _mismatch_by(trade: str, check: str) -> Both:
    """To the home a meter that counts wrong is one thing, whatever it comes of."""
    words = _METER_MISMATCH.trade
    return Both(_METER_MISMATCH.home, replace(words, wrong=(*words.wrong, trade), check=(check, *words.check[:2])))


_CONSTANT_WRONG = _mismatch_by(
    "The ratio is the one of two usual numbers of pulses for a kWh.",
    "Compare the constant on the meter's plate with the one on file and in the reader.",
)
_PHASE_MISSING = _mismatch_by(
    "The ratio is the one of a three-phase meter that counts one or two phases.",
    "Look at the meter's own phase indication: a phase without voltage, or a current transformer turned or open.",
)
_PULSES_LOST = _mismatch_by(
    "The meter is read by its pulses, and some of them are lost.",
    "Compare the display with the counted pulses: sensor position, cable, least pulse width.",
)
_PULSES_DOUBLED = _mismatch_by(
    "The meter is read by its pulses, and some of them are counted twice.",
    "Compare the display with the counted pulses: contact bounce, interference on the cable.",
)
_INVERTER_CHANGED = _mismatch_by(
    "The inverter named itself anew about that day: its counter may have changed, and not the meter's.",
    "Compare the inverter's lifetime energy before and after with its display, and the version it names.",
)

METER_FAULTS: Mapping[tuple[Finding, str], Both] = {
    (Finding.METER_STALLED, "register-still"): _METER_STALLED,
    (Finding.METER_STALLED, ""): _METER_STALLED,
    (Finding.METER_REVERSED, "register-falls"): _METER_REVERSED,
    (Finding.METER_REVERSED, ""): _METER_REVERSED,
    (Finding.METER_RESTARTED, ""): _METER_RESTARTED,
    (Finding.METER_NIGHT_ENERGY, "battery-discharge"): _NIGHT_DISCHARGE,
    (Finding.METER_NIGHT_ENERGY, "grid-charging"): _NIGHT_CHARGING,
    (Finding.METER_NIGHT_ENERGY, "own-need-or-creep"): _NIGHT_LITTLE,
    (Finding.METER_NIGHT_ENERGY, ""): _NIGHT_ANY,
    (Finding.METER_SILENT, "not-heard"): _METER_SILENT,
    (Finding.METER_SILENT, ""): _METER_SILENT,
    (Finding.METER_MISMATCH, "constant-wrong"): _CONSTANT_WRONG,
    (Finding.METER_MISMATCH, "phase-missing"): _PHASE_MISSING,
    (Finding.METER_MISMATCH, "pulses-lost"): _PULSES_LOST,
    (Finding.METER_MISMATCH, "pulses-doubled"): _PULSES_DOUBLED,
    (Finding.METER_MISMATCH, "inverter-changed"): _INVERTER_CHANGED,
    (Finding.METER_MISMATCH, ""): _METER_MISMATCH,
}

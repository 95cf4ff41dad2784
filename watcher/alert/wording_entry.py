"""What is said to someone whose meter reading is asked about: why, what may have happened, and what was meant.

Rule: it asks and does not reproach; the person may be right. Plain words, kWh as on the display.
"""

from __future__ import annotations

from collections.abc import Mapping

from watcher.align.entry_check import EntryCheck, Odd, Slip

SLIPS: Mapping[Slip, str] = {
    Slip.DIGITS_EXCHANGED: "Two digits may have changed places.",
    Slip.POINT_MISSING: "The point may be missing, or in another place.",
    Slip.DIGIT_MISREAD: "One digit may have been misread.",
    Slip.MEGAWATT_HOURS: "The display may have been in MWh.",
    Slip.WRONG_REGISTER: "It looks like the figure of {register}.",
}


def question(check: EntryCheck, decimals: int) -> str:
    """Why a reading is asked about, in one to three sentences; "" where it fits. decimals: of the display"""
    if check.odd is None:
        return ""
    said = [_why(check, decimals)]
    if check.low_wh is not None and check.high_wh is not None and check.odd is not Odd.OTHER_SERIAL:
        said.append(f"Between {_whole(check.low_wh)} and {_whole(check.high_wh)} was to be expected.")
    if check.slip is not None:
        said.append(SLIPS[check.slip].format(register=check.register))
    return " ".join(said)


def kwh(wh: float, decimals: int) -> str:
    """An index as people write it, with as many decimals as the display has, or more where it was typed with more."""
    places = decimals
    while places < 3 and abs(round(wh / 1000.0, places) - wh / 1000.0) > 1e-6:
        places += 1
    return f"{wh / 1000.0:,.{places}f}"


def _why(check: EntryCheck, decimals: int) -> str:
    before = "" if check.before_wh is None else kwh(check.before_wh, decimals)
    match check.odd:
        case Odd.TOO_MANY_DIGITS:
            return "This has more digits than the meter shows."
        case Odd.BACKWARDS:
            return f"This is {_less(check)} kWh less than the last reading, {before}.{_round(check)}"
        case Odd.STARTED_ANEW:
            return f"The last reading was {before}. Was the meter replaced or reset, or is this reading wrong?"
        case Odd.TOO_MUCH:
            if check.round_wh is not None and check.fell_wh is not None:
                return f"The last reading was {before}.{_round(check)}"
            return f"This is more than can have been made since the last reading, {before}."
        case Odd.TOO_LITTLE:
            return f"This is less than was made since the last reading, {before}."
        case Odd.ABOVE_A_LATER_ONE:
            return "A later reading is lower than this one."
        case Odd.OTHER_SERIAL:
            return f"The meter on file has the serial number {check.serial}. Was it replaced?"
    return ""


def _less(check: EntryCheck) -> str:
    return _whole(check.fell_wh or 0.0)


def _round(check: EntryCheck) -> str:
    """What a passage through zero would need."""
    if check.round_wh is None:
        return ""
    most = "" if check.most_wh is None else f", and at most {_whole(check.most_wh)} kWh can have been made"
    return f" Past all nines it would be {_whole(check.round_wh)} kWh{most}."


def _whole(wh: float) -> str:
    return f"{round(wh / 1000.0):,}"

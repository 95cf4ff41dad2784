"""What is said about what the plant is held against: a sensor or a weather service, and what is on file of the plant.

Rule: as in wording_table.py, which joins these rows to the rest. None of it says anything bad of the panels, and the
home is told so; an entry that does not fit is asked about and not held against anyone.
"""

from __future__ import annotations

from collections.abc import Mapping

from watcher.alert.wording_cautions import Caution
from watcher.alert.wording_row import LEAVE_SWITCHES, Both, Words
from watcher.domain.finding import Finding

_NOTHING_TO_DO = ("There is nothing you need to do today.", LEAVE_SWITCHES)
_NOT_THE_PANELS = "This says nothing bad of your panels."


def _reference(subject: str, home: str, trade: Words) -> Both:
    return Both(
        Words(subject=subject, wrong=(home, _NOT_THE_PANELS), check=_NOTHING_TO_DO, caution=trade.caution), trade
    )


_SILENT = _reference(
    "we have no news of the sun at your home",
    "What tells us how much sun your home gets has gone quiet.",
    Words(
        subject="reference {device} not heard",
        wrong=(
            "The reference {device} has told nothing of the sun for hours of daylight.",
            "Last heard {last_heard_ms:when}.",
            "Until it is back, output is judged on a poorer reference or not at all.",
        ),
        check=(
            "A sensor: its supply, its lead, its address; a weather service: its address, its limits, the network.",
        ),
        caution=Caution.GENERAL,
    ),
)


def _wrong(what: str, *check: str) -> Both:
    return _reference(
        "what tells us of the sun at your home is wrong",
        "What tells us how much sun your home gets does not fit what your panels make.",
        Words(
            subject="reference {device} is wrong",
            wrong=(
                what,
                "In the plant's own clear spells it differs from before by {difference_percent:.0f} %.",
                "It said the very same for {stuck_hours:.1f} h of daylight.",
                "Until it is put right, output is not judged on it.",
            ),
            check=check,
            caution=Caution.GENERAL,
        ),
    )


_SCALE = "A change of scale in a map or in a service's units would show so too."
_SAYS_LESS = _wrong(
    "Under a clear sky the reference {device} says less than it did, while the plant makes what it did.",
    "A sensor: dirt, dew, snow or new shade on it, whether it still stands level or in its plane, its lead.",
    _SCALE,
)
_SAYS_MORE = _wrong(
    "Under a clear sky the reference {device} says more than it did, while the plant makes what it did.",
    "A sensor: whether it was cleaned, turned, or moved out of shade; its lead and amplifier.",
    _SCALE,
)
_STUCK = _wrong(
    "The reference {device} does not move under a moving sun.",
    "The sensor or its converter hangs: note the value, then have it powered off and on.",
)
_ODD = _wrong("The reference {device} says something else than before, and the plant does not.", _SCALE)


def _record(trade: Words) -> Both:
    return Both(
        Words(
            subject="a question about your panels",
            wrong=(
                "What we have on file of your panels does not fit what they make.",
                "It may be how big they are, or the way they face.",
                "This is a question and not a fault.",
            ),
            check=_NOTHING_TO_DO,
            caution=Caution.GENERAL,
        ),
        trade,
    )


_PUT_RIGHT = "Put the site file right if it is wrong, or leave it: this is asked once for what is on file now."
_FROM_THE_FIRST = "It was so from the first day on, so this is no fault that came."
_RATING = _record(
    Words(
        subject="{device}: is the rated power on file right?",
        wrong=(
            "The plant makes {made_ratio:.2f} times what its rated power lets expect, on clear and dull days alike.",
            "On file are {on_file_w:.0f} W of modules; {likely_w:.0f} W would fit.",
            _FROM_THE_FIRST,
        ),
        check=("Compare module labels, their number and the strings in parallel with the site file.", _PUT_RIGHT),
        caution=Caution.GENERAL,
    )
)
_DIRECTION = _record(
    Words(
        subject="{device}: is the direction of the panels on file right?",
        wrong=(
            "Output stands {shift_hours:.1f} h later in the day than the planes on file let it (minus: earlier).",
            "On file is an azimuth of {on_file_deg:.0f} degrees; about {likely_deg:.0f} would fit.",
            _FROM_THE_FIRST,
        ),
        check=(
            "Compare azimuth and tilt with a plan or a picture from above; 0 is north, 90 east.",
            "If all else fits, the clock of the device or logger may have been wrong from the first day on.",
            _PUT_RIGHT,
        ),
        caution=Caution.GENERAL,
    )
)
_SWAPPED = _record(
    Words(
        subject="{device}: are its inputs swapped on file?",
        wrong=(
            "One input makes its power about {shift_hours:.1f} h later than its plane on file lets it.",
            "The other is as much too early.",
            _FROM_THE_FIRST,
        ),
        check=("See which row of modules ends at which input, and correct the site file.", _PUT_RIGHT),
        caution=Caution.GENERAL,
    )
)

_SCALE_FROM_THE_FIRST = _record(
    Words(
        subject="{device}: is the scale of its reference right?",
        wrong=(
            "The plant makes {made_ratio:.2f} times what its reference lets expect, on clear and dull days alike.",
            "Of a clear sky it makes what its rated power lets expect: so the reference is out, and not the plant.",
            _FROM_THE_FIRST,
        ),
        check=(
            "Check the sensor's calibration factor and unit in its map, and how it stands.",
            "A weather service: its unit, and whether its values are means or sums of the hour.",
        ),
        caution=Caution.GENERAL,
    )
)

REFERENCE_FAULTS: Mapping[tuple[Finding, str], Both] = {
    (Finding.REFERENCE_SILENT, "not-heard"): _SILENT,
    (Finding.REFERENCE_SILENT, ""): _SILENT,
    (Finding.REFERENCE_WRONG, "says-less"): _SAYS_LESS,
    (Finding.REFERENCE_WRONG, "says-more"): _SAYS_MORE,
    (Finding.REFERENCE_WRONG, "stuck"): _STUCK,
    (Finding.REFERENCE_WRONG, ""): _ODD,
    (Finding.SITE_RECORD_WRONG, "rating"): _RATING,
    (Finding.SITE_RECORD_WRONG, "direction"): _DIRECTION,
    (Finding.SITE_RECORD_WRONG, "inputs-swapped"): _SWAPPED,
    (Finding.SITE_RECORD_WRONG, "reference-scale"): _SCALE_FROM_THE_FIRST,
    (Finding.SITE_RECORD_WRONG, ""): _RATING,
}

REFERENCE_FIGURES: Mapping[str, tuple[str, str]] = {
    "stuck_hours": ("The same value for", "{0:.1f} h"),
    "made_ratio": ("Made of what the file lets expect", "{0:.2f}"),
    "on_file_w": ("Rated power on file", "{0:.0f} W"),
    "likely_w": ("Rated power that would fit", "{0:.0f} W"),
    "shift_hours": ("Later in the day by", "{0:.1f} h"),
    "on_file_deg": ("Azimuth on file", "{0:.0f} degrees"),
    "likely_deg": ("Azimuth that would fit", "{0:.0f} degrees"),
}

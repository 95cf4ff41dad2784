"""What is said about readings that people type, about displays and about a meter's papers.

Rule: as in wording_table.py, which joins these rows to the rest. Nobody is reproached for a slip.
"""

from __future__ import annotations

from collections.abc import Mapping

from watcher.alert.wording_cautions import Caution, Register
from watcher.alert.wording_endings import Ending
from watcher.alert.wording_row import Both, Words
from watcher.domain.finding import Finding

_READ_AGAIN = (
    "Please look at the meter again and send us the number that it shows today.",
    "A photo of the whole meter helps us most.",
    "The right meter is in this place: {place}.",
)

_READING_DOUBTFUL = Both(
    Words(
        subject="one of your meter readings may be wrong",
        wrong=(
            "One of the meter readings that we were sent does not fit.",
            "It says {typed_kwh:dial} kWh, and it was made on {typed_ms:when}.",
            "We think that it was meant to be near {likely_kwh:dial} kWh.",
            "We do not use it for now.",
        ),
        check=_READ_AGAIN,
        caution=Caution.METER,
    ),
    Words(
        subject="typed reading of {device} does not fit",
        wrong=(
            "A reading typed for {device} goes with neither its register nor the readings around it.",
            "{typed_kwh:dial} kWh on {typed_ms:when}; the display should have stood near {likely_kwh:dial} kWh.",
        ),
        check=(
            "Ask whoever read it: digits exchanged, a point left out, another meter or register.",
            "Correct or withdraw it: watcher read SITE {device}. What was typed stays in the log.",
        ),
        caution=Caution.METER,
    ),
)

_METER_UNREADABLE = Both(
    Words(
        subject="the number on your solar meter cannot be read",
        wrong=(
            "Someone looked at your solar meter and could not read the number on it.",
            "If you are paid for the power your panels make, that payment goes by this number.",
        ),
        check=(
            "Please take a photo of the meter as it is today.",
            "The right meter is in this place: {place}.",
            "It has this number printed on it: {serial}.",
        ),
        caution=Caution.METER,
    ),
    Words(
        subject="display of {device} cannot be read",
        wrong=("The display of {device} was reported as blank or not to be read.",),
        check=(
            "See whether the meter has supply; a display may light at a button or by day alone.",
            "If the register can still be read by its interface, save it before anything else.",
            "Exchange the meter; the last good reading and its photograph are what is paid by.",
        ),
        caution=Caution.METER,
    ),
)

_DRIFT = Both(
    Words(
        subject="we count your solar meter wrong",
        wrong=(
            "We read your solar meter from afar, and what we count is not what it shows.",
            "You are paid by what it shows, so you lose nothing by this.",
        ),
        check=("There is nothing you need to do today.",),
        caution=Caution.METER,
    ),
    Words(
        subject="display and automatic readings of {device} part",
        wrong=(
            "From one typed reading to the next the display of {device} moves otherwise than its automatic readings.",
            "Apart by {drift_kwh:.1f} kWh, {drift_percent:.1f} %, over the last two stretches.",
            "The display is what is paid by.",
        ),
        check=(
            "Pulses: constant of the output, bounce, missed pulses, least pulse width.",
            "Registers or telegrams: which register is read, and its unit.",
        ),
        caution=Caution.METER,
    ),
)
_CHECK_DUE = Both(
    Words(
        subject="please read your solar meter",
        wrong=("A quarter of the year ends, and nobody has looked at your solar meter lately.",),
        check=_READ_AGAIN,
        caution=Caution.METER,
    ),
    Words(
        subject="display of {device}: reading of the quarter",
        wrong=(
            "The quarter ends. {device} is read automatically; what is paid by is its display.",
            "No reading of it was typed in the last weeks.",
        ),
        check=("Read display and serial in one photograph: watcher read SITE {device} VALUE --photo FILE.",),
        caution=Caution.METER,
    ),
)

_CERTIFICATE = Both(
    Words(
        subject="your solar meter will be due for a change",
        wrong=("Your solar meter is only approved for some years, and these are nearly over.",),
        check=("There is nothing you need to do today.",),
        caution=Caution.METER,
    ),
    Words(
        subject="certificate of {device} ends",
        wrong=("The certificate of {device} ends on {certified_until_ms:when}.",),
        check=(
            "Plan the exchange, and agree with whoever pays how the indices are handed on.",
            "Record both serials, both indices and the time in between: watcher meter SITE {device} --exchanged.",
        ),
        caution=Caution.METER,
    ),
)
_VERIFICATION = Both(
    Words(
        subject="your solar meter is to be looked at",
        wrong=("Who pays you may want your solar meter looked at every two years. That time has come.",),
        check=("There is nothing you need to do today.",),
        caution=Caution.METER,
    ),
    Words(
        subject="two-yearly verification of {device} due",
        wrong=("{device} was last verified on {verified_ms:when}.",),
        check=("Arrange the visit, and record it: watcher meter SITE {device} --verified.",),
        caution=Caution.METER,
    ),
)

READING_FAULTS: Mapping[tuple[Finding, str], Both] = {
    (Finding.READING_DOUBTFUL, ""): _READING_DOUBTFUL,
    (Finding.METER_UNREADABLE, ""): _METER_UNREADABLE,
    (Finding.METER_DISPLAY_DRIFT, "display-check-due"): _CHECK_DUE,
    (Finding.METER_DISPLAY_DRIFT, ""): _DRIFT,
    (Finding.METER_CERTIFICATION_DUE, "certificate-ends"): _CERTIFICATE,
    (Finding.METER_CERTIFICATION_DUE, "verification-due"): _VERIFICATION,
    (Finding.METER_CERTIFICATION_DUE, ""): _CERTIFICATE,
}

READING_FIGURES: Mapping[str, tuple[str, str]] = {
    "typed_kwh": ("Typed", "{0:dial} kWh"),
    "typed_ms": ("Read on", "{0:when}"),
    "likely_kwh": ("Likely display", "{0:dial} kWh"),
    "drift_kwh": ("Display beyond automatic", "{0:.1f} kWh"),
    "drift_percent": ("Of what was counted", "{0:.1f} %"),
    "certified_until_ms": ("Certified until", "{0:when}"),
    "verified_ms": ("Last verified", "{0:when}"),
}

READING_ENDINGS: Mapping[tuple[Finding, Register], Ending] = {
    (Finding.READING_DOUBTFUL, Register.HOME): Ending(
        again="your meter readings fit again",
        was="one of your meter readings did not fit",
        never="all of your meter readings were right",
    ),
    (Finding.READING_DOUBTFUL, Register.TRADE): Ending(
        again="the typed readings of {device} fit",
        was="a typed reading of {device} did not fit",
        never="the typed readings of {device} fitted",
    ),
    (Finding.METER_UNREADABLE, Register.HOME): Ending(
        again="the number on your solar meter can be read again",
        was="the number on your solar meter could not be read",
        never="the number on your solar meter could be read",
    ),
    (Finding.METER_UNREADABLE, Register.TRADE): Ending(
        again="the display of {device} can be read again",
        was="the display of {device} could not be read",
        never="the display of {device} could be read",
    ),
    (Finding.METER_DISPLAY_DRIFT, Register.HOME): Ending(
        again="we count your solar meter right again",
        was="we counted your solar meter wrong",
        never="we counted your solar meter right",
    ),
    (Finding.METER_DISPLAY_DRIFT, Register.TRADE): Ending(
        again="display and automatic readings of {device} go together",
        was="display and automatic readings of {device} had parted, or a look at it was due",
        never="display and automatic readings of {device} had not parted",
    ),
    (Finding.METER_CERTIFICATION_DUE, Register.HOME): Ending(
        again="the papers of your solar meter are in order",
        was="the papers of your solar meter were nearly out of date",
        never="the papers of your solar meter were in order",
    ),
    (Finding.METER_CERTIFICATION_DUE, Register.TRADE): Ending(
        again="the papers of {device} are in order",
        was="a date in the papers of {device} was near",
        never="no date in the papers of {device} was near",
    ),
}

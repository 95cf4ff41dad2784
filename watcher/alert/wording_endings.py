"""How a fault that is over is told: it is well again, it was settled some other way, or we were wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from watcher.alert.wording_cautions import Register
from watcher.domain.alert import ClosedAs
from watcher.domain.finding import Finding


@dataclass(frozen=True, slots=True)
class Ending:
    """again: it is over, as subject and sentence. was: what it had been. never: we were wrong, it was fine."""

    again: str
    was: str
    never: str


ENDINGS: Mapping[tuple[Finding, Register], Ending] = {
    (Finding.EARTH_FAULT, Register.HOME): Ending(
        again="the earth-leakage warning is over",
        was="there was an earth-leakage warning",
        never="there was no earth leakage",
    ),
    (Finding.EARTH_FAULT, Register.TRADE): Ending(
        again="the earth fault at {device} is over",
        was="{device} reported an earth fault",
        never="{device} had no earth fault",
    ),
    (Finding.ARC_FAULT, Register.HOME): Ending(
        again="the warning about sparks is over",
        was="there was a warning about sparks",
        never="there were no sparks",
    ),
    (Finding.ARC_FAULT, Register.TRADE): Ending(
        again="the arc reported by {device} is over",
        was="{device} reported a DC arc",
        never="{device} had no DC arc",
    ),
    (Finding.INVERTER_OVERHEATING, Register.HOME): Ending(
        again="your solar inverter is no longer too hot",
        was="your solar inverter was too hot",
        never="your solar inverter was not too hot",
    ),
    (Finding.INVERTER_OVERHEATING, Register.TRADE): Ending(
        again="{device} is no longer too hot",
        was="{device} was too hot",
        never="{device} was not too hot",
    ),
    (Finding.SUPPLY_VOLTAGE_DANGER, Register.HOME): Ending(
        again="the mains voltage in your home is safe again",
        was="the mains voltage in your home was not safe",
        never="the mains voltage in your home was safe",
    ),
    (Finding.SUPPLY_VOLTAGE_DANGER, Register.TRADE): Ending(
        again="the supply voltage at {device} is safe again",
        was="the supply voltage at {device} was dangerous",
        never="the supply voltage at {device} was not dangerous",
    ),
    (Finding.BATTERY_ALARM, Register.HOME): Ending(
        again="the warning from your battery is over",
        was="there was a warning from your battery",
        never="there was no warning from your battery",
    ),
    (Finding.BATTERY_ALARM, Register.TRADE): Ending(
        again="the battery alarm at {device} is over",
        was="{device} passed on a battery alarm",
        never="{device} passed on no battery alarm",
    ),
    (Finding.METER_STALLED, Register.HOME): Ending(
        again="your solar meter is counting again",
        was="your solar meter had stopped counting",
        never="your solar meter was counting all the time",
    ),
    (Finding.METER_REVERSED, Register.HOME): Ending(
        again="your solar meter counts up again",
        was="your solar meter ran backwards",
        never="your solar meter counted up all the time",
    ),
    (Finding.METER_REVERSED, Register.TRADE): Ending(
        again="generation meter {device} counts up again",
        was="generation meter {device} ran backwards",
        never="generation meter {device} had not run backwards",
    ),
    (Finding.METER_RESTARTED, Register.HOME): Ending(
        again="your solar meter counts on from its new beginning",
        was="your solar meter had begun anew",
        never="your solar meter had not begun anew",
    ),
    (Finding.METER_RESTARTED, Register.TRADE): Ending(
        again="generation meter {device} counts on from its new beginning",
        was="generation meter {device} had begun anew",
        never="generation meter {device} had not begun anew",
    ),
    (Finding.METER_NIGHT_ENERGY, Register.HOME): Ending(
        again="your solar meter stands still at night again",
        was="your solar meter counted at night",
        never="your solar meter stood still at night",
    ),
    (Finding.METER_NIGHT_ENERGY, Register.TRADE): Ending(
        again="generation meter {device} stands still at night again",
        was="generation meter {device} counted at night",
        never="generation meter {device} had not counted at night",
    ),
    (Finding.METER_SILENT, Register.HOME): Ending(
        again="we can read your solar meter again",
        was="we could not read your solar meter",
        never="your solar meter could be read all the time",
    ),
    (Finding.METER_MISMATCH, Register.HOME): Ending(
        again="your solar meter and your inverter agree again",
        was="your solar meter and your inverter did not agree",
        never="your solar meter and your inverter agreed all the time",
    ),
    (Finding.INVERTER_SILENT, Register.HOME): Ending(
        again="we can read your solar inverter again",
        was="we could not read your solar inverter",
        never="your solar inverter could be read all the time",
    ),
    (Finding.NO_GENERATION, Register.HOME): Ending(
        again="{panels} are making power again",
        was="{panels} had stopped making power",
        never="{panels} had not stopped making power",
    ),
    (Finding.GRID_VOLTAGE_TRIPS, Register.HOME): Ending(
        again="your solar panels run through sunny days again",
        was="your solar panels stopped again and again on sunny days",
        never="your solar panels did not stop on sunny days",
    ),
    (Finding.GRID_VOLTAGE_TRIPS, Register.TRADE): Ending(
        again="{device} no longer trips on high grid voltage",
        was="{device} tripped on high grid voltage",
        never="{device} did not trip on high grid voltage",
    ),
    (Finding.VALUES_STUCK, Register.HOME): Ending(
        again="we get fresh news from your solar panels again",
        was="we got the same old news from your solar panels",
        never="we got fresh news from your solar panels all the time",
    ),
    (Finding.VALUES_STUCK, Register.TRADE): Ending(
        again="{device} says fresh values again",
        was="{device} repeated old values",
        never="{device} did not repeat old values",
    ),
    (Finding.ENERGY_IMBALANCE, Register.HOME): Ending(
        again="the sums of power in your home add up again",
        was="the sums of power in your home did not add up",
        never="the sums of power in your home added up all the time",
    ),
    (Finding.ENERGY_IMBALANCE, Register.TRADE): Ending(
        again="the energy balance of {where} closes again",
        was="the energy balance of {where} did not close",
        never="the energy balance of {where} closed all the time",
    ),
    (Finding.VALUES_DRIFTING, Register.HOME): Ending(
        again="all readings from your solar panels are right again",
        was="one of the readings from your solar panels was a bit off",
        never="all readings from your solar panels were right",
    ),
    (Finding.VALUES_DRIFTING, Register.TRADE): Ending(
        again="readings of {where} agree again",
        was="readings of {where} had drifted",
        never="readings of {where} had not drifted",
    ),
    (Finding.LATE_START, Register.HOME): Ending(
        again="your solar panels start in time again",
        was="your solar panels started late in the morning",
        never="your solar panels did not start late",
    ),
    (Finding.LATE_START, Register.TRADE): Ending(
        again="{device} starts in time again",
        was="{device} started late",
        never="{device} did not start late",
    ),
    (Finding.POWER_LIMITED, Register.HOME): Ending(
        again="your solar panels are no longer held back",
        was="your solar panels were held back on sunny days",
        never="your solar panels were not held back",
    ),
    (Finding.POWER_LIMITED, Register.TRADE): Ending(
        again="{device} gives what light and rating allow again",
        was="{device} limited its output",
        never="{device} did not limit its output",
    ),
    (Finding.STRING_OPEN, Register.HOME): Ending(
        again="all rows of your solar panels give power again",
        was="one row of your solar panels gave no power",
        never="no row of your solar panels had failed",
    ),
    (Finding.STRING_LOW_CURRENT, Register.HOME): Ending(
        again="all rows of your solar panels make what they should again",
        was="one row of your solar panels made less than it should",
        never="no row of your solar panels made less than it should",
    ),
    (Finding.STRING_LOW_VOLTAGE, Register.HOME): Ending(
        again="all rows of your solar panels make what they should again",
        was="one row of your solar panels made less than it should",
        never="no row of your solar panels made less than it should",
    ),
    (Finding.MODULE_LOST, Register.HOME): Ending(
        again="all rows of your solar panels make what they should again",
        was="one row of your solar panels made less than it should",
        never="no row of your solar panels made less than it should",
    ),
    (Finding.STRING_INTERMITTENT, Register.HOME): Ending(
        again="all rows of your solar panels work all the time again",
        was="one row of your solar panels came and went",
        never="no row of your solar panels came and went",
    ),
    (Finding.STRING_LOW_CURRENT, Register.TRADE): Ending(
        again="{where} carries its usual current again",
        was="{where} had low string current",
        never="{where} had no low string current",
    ),
    (Finding.STRING_LOW_VOLTAGE, Register.TRADE): Ending(
        again="{where} has its usual voltage again",
        was="{where} had low string voltage",
        never="{where} had no low string voltage",
    ),
    (Finding.MODULE_LOST, Register.TRADE): Ending(
        again="{where} has its usual voltage again",
        was="{where} had lost a module or part of one",
        never="{where} had lost no module",
    ),
    (Finding.STRING_INTERMITTENT, Register.TRADE): Ending(
        again="{where} carries high current again",
        was="{where} dropped out at high current",
        never="{where} did not drop out",
    ),
    (Finding.OUTPUT_LOW, Register.HOME): Ending(
        again="your solar panels make what they should again",
        was="your solar panels made less than they should",
        never="your solar panels made what they should",
    ),
    (Finding.REFERENCE_SILENT, Register.HOME): Ending(
        again="we have news of the sun at your home again",
        was="we had no news of the sun at your home",
        never="we had news of the sun at your home all the time",
    ),
    (Finding.REFERENCE_SILENT, Register.TRADE): Ending(
        again="the reference {device} is heard again",
        was="the reference {device} was not heard",
        never="the reference {device} was heard all the time",
    ),
    (Finding.REFERENCE_WRONG, Register.HOME): Ending(
        again="what tells us of the sun at your home is right again",
        was="what tells us of the sun at your home was wrong",
        never="what tells us of the sun at your home was right all the time",
    ),
    (Finding.REFERENCE_WRONG, Register.TRADE): Ending(
        again="the reference {device} says what it used to say",
        was="the reference {device} was wrong",
        never="the reference {device} was right all the time",
    ),
    (Finding.SITE_RECORD_WRONG, Register.HOME): Ending(
        again="what we have on file of your panels fits them now",
        was="what we had on file of your panels did not fit them",
        never="what we had on file of your panels was right",
    ),
    (Finding.SITE_RECORD_WRONG, Register.TRADE): Ending(
        again="what is on file of {device} fits what it makes",
        was="what was on file of {device} did not fit what it made",
        never="what was on file of {device} was right",
    ),
    (Finding.AREA_EVENT, Register.HOME): Ending(
        again="the homes near yours make solar power again",
        was="most homes in your area made little solar power",
        never="the homes near yours were fine",
    ),
    (Finding.AREA_EVENT, Register.TRADE): Ending(
        again="the near sites are back",
        was="most near sites were low or dark",
        never="the near sites were fine",
    ),
    (Finding.CLOCK_WRONG, Register.HOME): Ending(
        again="the clock of your solar inverter is right again",
        was="the clock of your solar inverter was wrong",
        never="the clock of your solar inverter was right all the time",
    ),
    (Finding.CLOCK_WRONG, Register.TRADE): Ending(
        again="the times of {device} agree with the sun again",
        was="the times of {device} had jumped",
        never="the times of {device} had not jumped",
    ),
    (Finding.METER_STALLED, Register.TRADE): Ending(
        again="generation meter {device} counts again",
        was="generation meter {device} had stalled",
        never="generation meter {device} had not stalled",
    ),
    (Finding.METER_SILENT, Register.TRADE): Ending(
        again="generation meter {device} is heard again",
        was="generation meter {device} was not heard",
        never="generation meter {device} had been heard",
    ),
    (Finding.METER_MISMATCH, Register.TRADE): Ending(
        again="generation meter {device} agrees with what it covers again",
        was="generation meter {device} was apart from what it covers",
        never="generation meter {device} was not apart from what it covers",
    ),
    (Finding.INVERTER_SILENT, Register.TRADE): Ending(
        again="{device} is heard again",
        was="{device} was not heard",
        never="{device} had been heard",
    ),
    (Finding.NO_GENERATION, Register.TRADE): Ending(
        again="{device} generates again",
        was="{device} did not generate",
        never="{device} had not stopped generating",
    ),
    (Finding.STRING_OPEN, Register.TRADE): Ending(
        again="{where} carries its current again",
        was="{where} had a string open",
        never="{where} had no string open",
    ),
    (Finding.OUTPUT_LOW, Register.TRADE): Ending(
        again="{where}, output as expected again",
        was="{where}, output was low",
        never="{where}, output was not low",
    ),
}

OUTCOMES: Mapping[tuple[ClosedAs, Register], str] = {
    (ClosedAs.REPLACED, Register.HOME): "We now know what this comes from, and wrote to you about that.",
    (
        ClosedAs.RECORD_CHANGED,
        Register.HOME,
    ): "We were given new facts about your system, and with them this is settled.",
    (ClosedAs.INSPECTED, Register.HOME): "Someone has looked at it and marked it as dealt with.",
    (ClosedAs.REPLACED, Register.TRADE): "Closed: taken over by the alert that names its cause.",
    (ClosedAs.RECORD_CHANGED, Register.TRADE): "Closed: the site record was changed.",
    (ClosedAs.INSPECTED, Register.TRADE): "Closed: an inspection was recorded.",
}
"""How an alert ended that neither recovered nor was withdrawn."""

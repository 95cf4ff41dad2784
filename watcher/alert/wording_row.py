"""What a row of the table of words is made of, and the phrases that several rows share.

Rule: the tables (wording_table.py and the files it joins) hold the words, this file only their form. A phrase stands
here once more than one table says it.
"""

from __future__ import annotations

from dataclasses import dataclass

from watcher.alert.wording_cautions import Caution, Register


@dataclass(frozen=True, slots=True)
class Words:
    """subject: of the mail, after the site's name. wrong: what is so. check: what to look at, what happens next."""

    subject: str
    wrong: tuple[str, ...]
    check: tuple[str, ...]
    caution: Caution


@dataclass(frozen=True, slots=True)
class Both:
    """The same said twice."""

    home: Words
    trade: Words

    def of(self, register: Register) -> Words:
        return self.trade if register is Register.TRADE else self.home


BOX = "the inverter (the box that turns sun power into mains power)"
MAINS_STAYS = "Your home still has power from the mains, just as it does at night."
LEAVE_SWITCHES = "Please leave all switches as they are."
NEEDS_A_TEST = "This needs a test by a person trained to work on solar panels."
OTHERS_WORK = "Your other panels still work."
ONE_ROW_SUBJECT = "one row of your solar panels gives no power"
ONE_ROW = "One row of your solar panels gives no power."

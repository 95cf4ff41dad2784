"""Whom a letter speaks to, and the warning that goes with a fault.

Rule: a home is told what not to do and whom to call; the trade is told the order of isolation, to prove dead, and
that the label and the local rules hold. Said in our own words after the guidance of UK fire and safety bodies.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from watcher.domain.site import Role


class Register(StrEnum):
    """Whose language a letter speaks."""

    HOME = "home"
    TRADE = "trade"


def register_of(role: str) -> Register:
    """Installer and operator are the trade; everyone else is at home."""
    return Register.TRADE if role in (Role.INSTALLER, Role.OPERATOR) else Register.HOME


class Caution(StrEnum):
    """Which warning goes with a fault; the general one always follows it."""

    METER = "meter"
    NO_GENERATION = "no-generation"
    STRING = "string"
    EARTH = "earth"
    FIRE = "fire"
    SUPPLY = "supply"
    GENERAL = "general"


CAUTIONS: Mapping[tuple[Caution, Register], tuple[str, ...]] = {
    (Caution.METER, Register.HOME): ("Do not open the meter or break its seals.",),
    (Caution.NO_GENERATION, Register.HOME): ("Do not try to start things again yourself.",),
    (Caution.STRING, Register.HOME): ("Do not look for the fault yourself. The current in these wires can kill.",),
    (Caution.EARTH, Register.HOME): ("Do not touch the panels, their frames, gutters near them or any wet wire.",),
    (Caution.FIRE, Register.HOME): (),
    (Caution.SUPPLY, Register.HOME): ("Do not touch pipes or metal parts that give you a tingle.",),
    (Caution.GENERAL, Register.HOME): (
        "Please look, but do not touch.",
        "Wires from solar panels are live all day, even when all is off.",
        "Do not open a box, pull out a plug or climb up to the panels.",
        "If you see smoke, burn marks, a loose panel or water on the parts, stay away and call.",
        "If there is a fire, get out and call 999. Say that there are solar panels{and_battery}.",
    ),
    (Caution.METER, Register.TRADE): (
        "Break no seal without its owner's leave; the meter stays live from the mains side.",
    ),
    (Caution.NO_GENERATION, Register.TRADE): (
        "An inverter that stands still is not dead: array, grid and its own capacitors may each feed it. "
        "Wait for the time on its label.",
    ),
    (Caution.STRING, Register.TRADE): (
        "Clamp for current before you open a fuse holder or part a connector: parallel strings feed a faulty one, "
        "and a DC arc does not go out by itself.",
    ),
    (Caution.EARTH, Register.TRADE): (
        "With one earth fault in an ungrounded array the other pole stands at full string voltage to earth: frames, "
        "rails and gutters may be live.",
    ),
    (Caution.FIRE, Register.TRADE): (
        "Smoke, smell or scorching: keep out, call the fire service, and tell them of the array and any battery.",
    ),
    (Caution.SUPPLY, Register.TRADE): (
        "Cut-out and meter tails are the network operator's; exposed metal may stand at a voltage to earth.",
    ),
    (Caution.GENERAL, Register.TRADE): (
        "DC from the array is live in daylight whatever is switched off.",
        "Isolate AC first, then DC, in the order on the label; where the label differs, the label holds.",
        "Secure against re-closing, prove dead, and never part connectors under load.",
        "Work for a competent person, to the current BS 7671, the rules for work at height and local rules.",
    ),
}

SAFETY_AT_HOME = (
    "Please look, but do not touch or reset anything.",
    "If you see smoke or smell burning, leave the house and call 999. Say that there are solar panels{and_battery}.",
    "Wires from solar panels are live all day, even when all is off.",
    "Do not open a box, pull out a plug or climb up to the panels.",
)
"""What a warning about safety says in place of the general caution: short, the way out of the house near the top."""

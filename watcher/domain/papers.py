"""What a site's papers say, and what its meters, display and battery are to the people who pay and who look.

Rule: "" or None is not known, and is asked about; it is never taken for "no". Nothing here is measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Scheme(StrEnum):
    FEED_IN = "feed-in"
    EXPORT = "export"
    NONE = "none"


class Country(StrEnum):
    """Whose rules hold: the schemes of Great Britain are not those of Northern Ireland."""

    GREAT_BRITAIN = "great-britain"
    NORTHERN_IRELAND = "northern-ireland"


class Approval(StrEnum):
    """By what a meter's type is approved: the measuring instruments rules, the older national ones, or nothing."""

    MID = "mid"
    NATIONAL = "national"
    NONE = "none"


class ReadWith(StrEnum):
    """What the customer needs to read a display."""

    NOTHING = "nothing"
    TOOL = "tool"
    LADDER = "ladder"
    TORCH = "torch"


class Side(StrEnum):
    """On which side of the generation meter a battery on the AC side stands."""

    HOUSE = "house"
    PANELS = "panels"


class Shows(StrEnum):
    ENERGY = "energy"  # generated, in all
    POWER = "power"  # generated, now


@dataclass(frozen=True, slots=True)
class Rate:
    """Pence for a kWh since a date, typed from the statement; share: the part of the generation it is paid on."""

    pence_per_kwh: float
    paid_on: str  # "generation" or "export"
    share: float = 1.0
    from_ms: int = 0


@dataclass(frozen=True, slots=True)
class Payment:
    """export_mpan: the number of the supply point under which export is registered, 13 digits"""

    scheme: Scheme = Scheme.NONE
    licensee: str = ""
    rates: tuple[Rate, ...] = ()
    export_mpan: str = ""


@dataclass(frozen=True, slots=True)
class Papers:
    """What lies in the folder of the installation; "" or None: not known, a question to the installer."""

    certificate: str = ""
    commissioned: str = ""
    network_notification: str = ""
    registered_capacity_w: float | None = None
    quoted_annual_kwh: float | None = None
    warranty_until: str = ""


@dataclass(frozen=True, slots=True)
class Display:
    """What the customer looks at besides the generation meter: an inverter's own display, or one in the home.

    shows: of the generation; empty for a display that shows neither, or where there is none
    """

    place: str = ""
    shows: tuple[Shows, ...] | None = None
    read_with: ReadWith | None = None


@dataclass(frozen=True, slots=True)
class Battery:
    """What is known of a battery besides where it couples (Inverter.storage).

    side: of the generation meter, for a battery on the AC side. grid_charging: ever charged from the mains
    licensee_told: whether who pays has been told of it. network_notification: as in Papers, of the battery
    """

    side: Side | None = None
    grid_charging: bool | None = None
    licensee_told: bool | None = None
    network_notification: str = ""

"""What a site file may say: every table, every key, every range. Declarations only.

Rule: a key here is a field of the type in domain/site.py of the same name, except `from`, the day a fact begins.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any
from zoneinfo import ZoneInfo

from watcher.alert.policy import POLICY, WORDS
from watcher.config.checked_toml import (
    Key,
    Keys,
    day,
    iso_day,
    list_of,
    needed,
    number,
    one_of,
    some_of,
    table_of,
    text,
    texts,
    whole,
    yes_or_no,
)
from watcher.domain.alert import AlertClass
from watcher.domain.papers import Approval, Country, ReadWith, Shows, Side
from watcher.domain.pulse_line import Bias, Level
from watcher.domain.quantity import NAME
from watcher.domain.site import (
    Conversion,
    Label,
    MeterRole,
    Mounting,
    Parity,
    RegisterType,
    Role,
    Scheme,
    SourceKind,
    Storage,
    WeatherShape,
)

EMAIL = r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@(localhost|[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)+)"
_POWER_NOTE = "W: 4 kW is 4000"


def name(what: str) -> Key:
    """The id of a device, array or site."""
    return text(NAME.pattern, f"must be {what} in lower case letters, digits and single hyphens, such as inverter-1")


def email() -> Key:
    return text(EMAIL, "must be one e-mail address, such as name@example.org")


def zone() -> Key:
    def take(value: Any) -> ZoneInfo:
        if not isinstance(value, str):
            raise ValueError
        try:
            return ZoneInfo(value)
        except (OSError, KeyError, ValueError):
            raise ValueError from None

    return Key(take, 'must be the name of a time zone, such as "Europe/London"')


def _dated(keys: Keys) -> Callable[[Mapping[str, Any]], Keys]:
    """A fact with a date; an entry that says `removed = true` carries its id and date and nothing else."""
    own = {"from": day(), "removed": yes_or_no()}
    end = {"id": keys["id"], "from": needed(day()), "removed": yes_or_no()}
    return lambda entry: end if entry.get("removed") is True else {**keys, **own}


def _facts(keys: Keys) -> Key:
    return Key(each=_dated(keys), allowed="must be a list of tables, each under its own [[...]]")


SITE: Keys = {
    "name": needed(text(r"[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*", "must be what people call the site, in quotes")),
    "latitude_deg": needed(number(-90, 90, "north positive")),
    "longitude_deg": needed(number(-180, 180, "east positive; most of Britain is negative")),
    "altitude_m": needed(number(-430, 9000, "metres above the sea")),
    "zone": needed(zone()),
    "region": text(),
    "country": one_of(Country),
    "export_limit_w": number(0, 1e7, "W: 3.68 kW is 3680"),
}

MODULE: Keys = {
    "vmp_v": number(1, 500),
    "imp_a": number(0.1, 50),
    "voc_v": number(1, 600),
    "gamma_per_k": number(-0.02, 0, "per kelvin: -0.35 % is -0.0035"),
    "substrings": whole(1, 24),
}

ARRAY: Keys = {
    "id": needed(name("a name")),
    "tilt_deg": needed(number(0, 90, "0 flat, 90 upright")),
    "azimuth_deg": needed(number(0, 360, "0 north, 90 east, 180 south")),
    "peak_power_w": needed(number(50, 1e7, _POWER_NOTE)),
    "input": needed(
        text(rf"{NAME.pattern}\.input-[1-9][0-9]*", 'must be an inverter and its input, such as "inverter-1.input-2"')
    ),
    "modules_in_series": whole(1, 100),
    "parallel_strings": whole(1, 1000),
    "conversion": one_of(Conversion),
    "unit_limit_w": number(50, 1e5, "W, of one micro-inverter"),
    "mounting": one_of(Mounting),
    "module": table_of(MODULE),
}

INVERTER: Keys = {
    "id": needed(name("a name")),
    "ac_limit_w": needed(number(50, 1e7, _POWER_NOTE)),
    "accuracy_percent": number(0.01, 20),
    "storage": one_of(Storage),
    "serial": text(name="a serial"),
}

METER: Keys = {
    "id": needed(name("a name")),
    "role": needed(one_of(MeterRole)),
    "covers": texts(NAME.pattern, 'must be a list of inverters, such as ["inverter-1"]'),
    "accuracy_class": one_of(("A", "B", "C")),
    "digits": whole(3, 12, "before the decimal point"),
    "decimals": whole(0, 4),
    "pulses_per_kwh": number(0.1, 1e5),
    "register": one_of(RegisterType),
    "make": text(),
    "model": text(name="a model"),
    "serial": text(name="a serial"),
    "certified_until": iso_day(),
    "place": text(),
    "reader": text(),
    "approval": one_of(Approval),
    "read_with": one_of(ReadWith),
    "half_hourly": yes_or_no(),
}

SENSOR: Keys = {"id": needed(name("a name")), "plane": text(NAME.pattern, 'must be "horizontal" or the id of an array')}


def _baud() -> Key:
    def take(value: Any) -> int:
        if isinstance(value, bool) or value not in _BAUD:
            raise ValueError
        return int(value)

    return Key(take, f"must be one of {', '.join(map(str, _BAUD))}, as set at the device")


_BAUD = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)


def _counter_bits() -> Key:
    def take(value: Any) -> int:
        if isinstance(value, bool) or value not in (16, 32):
            raise ValueError
        return int(value)

    return Key(take, "must be 16 or 32, the width of the device's count of pulses")


SOURCE: Keys = {
    "kind": needed(one_of(SourceKind)),
    "device": needed(name("a device of this site")),
    "address": text(),
    "unit": whole(0, 255),
    "map": text(NAME.pattern, 'must be "sunspec" or the name of a register map: lower case letters, digits, hyphens'),
    "every_s": number(1, 86_400, "seconds"),
    "period_s": number(0, 86_400, "seconds, 0 for a momentary value"),
    "label": one_of(Label),
    "counts": one_of(("exported", "imported")),
    "topic": text(r"[^+#\x00-\x1f\x7f]{1,150}", "must be levels of a topic, such as home-17/inverter, without + or #"),
    "shape": one_of(WeatherShape),
    "grid_deg": number(0.001, 5, "degrees between two points of the service's grid"),
    "baud": _baud(),
    "parity": one_of(Parity),
    "stop_bits": whole(1, 2),
    "quiet_gap_s": number(0.05, 30, "seconds, at least as long as the slowest device on the line may take"),
    "pulses_per_kwh": number(0.1, 1e5),
    "counter_bits": _counter_bits(),
    "active": one_of(Level),
    "bias": one_of(Bias),
    "min_width_ms": number(1, 500, "milliseconds; a meter's output gives at least 30, its light may give less"),
    "sites": texts(NAME.pattern, 'must be a list of the ids of other sites, such as ["home-2", "home-3"]'),
    "within_km": number(0.1, 500, "kilometres"),
}

CONTACT: Keys = {"role": needed(one_of(Role)), "email": needed(email()), "name": text()}

RATE: Keys = {
    "pence_per_kwh": needed(number(0, 200, "pence, not pounds")),
    "paid_on": needed(one_of(("generation", "export"))),
    "share": number(0, 1, "the part of the generation it is paid on; half is 0.5"),
    "from": day(),
}

PAYMENT: Keys = {
    "scheme": needed(one_of(Scheme)),
    "licensee": text(),
    "export_mpan": text(r"[0-9]{13}", "must be the 13 digits of the supply number, in quotes", name="a supply number"),
    "rate": list_of(RATE),
}

PAPERS: Keys = {
    "certificate": text(name="a certificate number"),
    "commissioned": iso_day(),
    "network_notification": text(name="a reference"),
    "registered_capacity_w": number(50, 1e7, _POWER_NOTE),
    "quoted_annual_kwh": number(1, 1e7),
    "warranty_until": iso_day(),
}

DISPLAY: Keys = {
    "place": text(),
    "shows": some_of(Shows),
    "read_with": one_of(ReadWith),
}

BATTERY: Keys = {
    "side": one_of(Side),
    "grid_charging": yes_or_no(),
    "licensee_told": yes_or_no(),
    "network_notification": text(name="a reference"),
}

LETTERS: Keys = {"switch_step": yes_or_no()}

OVERRIDES: Keys = {
    str(finding): table_of({key: number(0, 1e9) for key in (*WORDS, *policy.limits)})
    for finding, policy in POLICY.items()
    if policy.alert_class is not AlertClass.SAFETY  # that nobody bends
}

SITE_FILE: Keys = {
    "site": needed(table_of(SITE)),
    "array": needed(_facts(ARRAY)),
    "inverter": needed(_facts(INVERTER)),
    "meter": _facts(METER),
    "sensor": _facts(SENSOR),
    "source": needed(list_of(SOURCE)),
    "contact": list_of(CONTACT),
    "payment": table_of(PAYMENT),
    "papers": table_of(PAPERS),
    "display": table_of(DISPLAY),
    "battery": table_of(BATTERY),
    "letters": table_of(LETTERS),
    "policy": table_of(OVERRIDES),
}

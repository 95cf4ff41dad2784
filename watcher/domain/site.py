"""A site: what was fitted, how it is read, who is told. One TOML file each; config.py reads and checks it.

Rule: facts have dates. `SiteRecord` holds every dated fact; `SiteRecord.at(instant)` is the `Site` in force then.
Angles in degrees, azimuth clockwise from north (90 east, 180 south, 270 west).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Protocol, TypeVar
from zoneinfo import ZoneInfo

from watcher.domain.papers import Approval, Battery, Country, Display, ReadWith
from watcher.domain.papers import Papers as Papers
from watcher.domain.papers import Payment as Payment
from watcher.domain.papers import Rate as Rate
from watcher.domain.papers import Scheme as Scheme
from watcher.domain.pulse_line import Bias, Level
from watcher.domain.quantity import BOARD, WEATHER_DEVICES


class Conversion(StrEnum):
    """What stands between modules and inverter; decides which string rules apply."""

    STRING = "string"
    OPTIMISED = "optimised"
    MICRO = "micro"


class Mounting(StrEnum):
    """How air reaches the back of the modules (PVWatts: roof mount or open rack)."""

    ROOF = "roof"
    OPEN_RACK = "open-rack"
    INSULATED_BACK = "insulated-back"


class Storage(StrEnum):
    """Where a battery couples: nowhere, on the AC side, or on the inverter's DC side."""

    NONE = "none"
    AC = "ac"
    DC = "dc"


class MeterRole(StrEnum):
    GENERATION = "generation"
    EXPORT = "export"
    IMPORT = "import"
    BATTERY = "battery"
    LOAD = "load"


class RegisterType(StrEnum):
    """What a meter's register does when energy runs the other way."""

    FORWARD = "forward"
    NET = "net"
    ADDS_BOTH = "adds-both"
    TWO = "two"


class SourceKind(StrEnum):
    MODBUS_TCP = "modbus-tcp"
    MODBUS_RTU = "modbus-rtu"
    MQTT = "mqtt"
    PULSE = "pulse"
    WEATHER = "weather"
    TYPED = "typed"
    FILE = "file"
    NEIGHBOURS = "neighbours"


class Parity(StrEnum):
    """The check bit of a byte on a serial line."""

    NONE = "none"
    EVEN = "even"
    ODD = "odd"


class WeatherShape(StrEnum):
    """How a weather service's answer is laid out; collect/weather has a file for each."""

    PLAIN = "plain"
    HOURLY_COLUMNS = "hourly-columns"
    DATE_KEYED = "date-keyed"


class Label(StrEnum):
    """What a value's time says: the moment itself, or the end of the period it is the mean of."""

    INSTANT = "instant"
    MEAN_ENDING = "mean-ending"


class Role(StrEnum):
    """Who a contact is to the site."""

    OCCUPIER = "occupier"
    OWNER = "owner"
    PAYEE = "payee"
    LANDLORD = "landlord"
    INSTALLER = "installer"
    OPERATOR = "operator"


@dataclass(frozen=True, slots=True)
class Module:
    """One module's data sheet at standard test conditions; None where not known."""

    vmp_v: float | None = None
    imp_a: float | None = None
    voc_v: float | None = None
    gamma_per_k: float | None = None  # power coefficient, negative [1/K]
    substrings: int = 3


@dataclass(frozen=True, slots=True)
class Array:
    """Modules in one plane that end at one input.

    input: the channel part it ends at, e.g. "inverter-1.input-2"
    peak_power_w: sum of the modules' ratings at standard test conditions (IEC 61724-1 P_0)
    parallel_strings: strings of modules_in_series modules side by side at that input
    unit_limit_w: AC limit of one micro-inverter, or None
    from_ms: since when this holds; 0 means since always
    """

    id: str
    tilt_deg: float
    azimuth_deg: float
    peak_power_w: float
    input: str
    modules_in_series: int | None = None
    parallel_strings: int = 1
    conversion: Conversion = Conversion.STRING
    unit_limit_w: float | None = None
    mounting: Mounting = Mounting.ROOF
    module: Module = field(default_factory=Module)
    from_ms: int = 0
    removed: bool = False

    @property
    def inverter(self) -> str:
        return self.input.partition(".")[0]


@dataclass(frozen=True, slots=True)
class Inverter:
    """ac_limit_w: AC power rating. accuracy_percent: of its own energy reading, as its manual states it."""

    id: str
    ac_limit_w: float
    accuracy_percent: float = 4.0
    storage: Storage = Storage.NONE
    serial: str = ""
    from_ms: int = 0
    removed: bool = False


@dataclass(frozen=True, slots=True)
class Meter:
    """covers: the inverters (or batteries) whose output passes this meter.

    accuracy_class: MID class, "A", "B" or "C". digits, decimals: as on the display, in kWh. serial: text.
    certified_until: ISO date or "". reader: who can read the display. place: where it hangs.
    approval, read_with, half_hourly (gives export by the half-hour): None where not known; see domain/papers.py
    """

    id: str
    role: MeterRole
    covers: tuple[str, ...] = ()
    accuracy_class: str = "B"
    digits: int = 5
    decimals: int = 1
    pulses_per_kwh: float | None = None
    register: RegisterType = RegisterType.FORWARD
    make: str = ""
    model: str = ""
    serial: str = ""
    certified_until: str = ""
    place: str = ""
    reader: str = ""
    approval: Approval | None = None
    read_with: ReadWith | None = None
    half_hourly: bool | None = None
    from_ms: int = 0
    removed: bool = False

    @property
    def resolution_wh(self) -> float:
        """The smallest step its register shows. [Wh]"""
        return 1000.0 / 10.0**self.decimals


@dataclass(frozen=True, slots=True)
class Sensor:
    """An irradiance or weather sensor on site. plane: "horizontal", or the id of the array whose plane it shares."""

    id: str
    plane: str = "horizontal"
    from_ms: int = 0
    removed: bool = False


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """What everything on a serial line agrees on, and how long it is left quiet after an answer that did not come."""

    baud: int = 9600
    parity: Parity = Parity.NONE
    stop_bits: int = 1
    quiet_gap_s: float = 2.0


@dataclass(frozen=True, slots=True)
class Source:
    """How a device is read.

    address: "host:port", a serial device path, a broker URL or a file, by kind
    unit: Modbus unit id
    map: "sunspec", or the name of a register map in config/devices/; for MQTT the name of a topic map in config/topics/
    topic: for MQTT, the levels that stand for this device in the map's topics; "" for its id
    every_s: polling interval. period_s: what one value is the mean of; 0 for a momentary value
    counts: for a meter read over Modbus, which of its two registers counts up when the array generates:
        "exported" or "imported" (SunSpec leaves the sense to the fitter)
    shape, grid_deg: for a weather service, how its answers are laid out, and the spacing of the grid the site's place
        is rounded to before it is told [degrees]
    baud, parity, stop_bits, quiet_gap_s: for a serial line, as in SerialSettings; the same for all sources on it
    pulses_per_kwh: of what is read here, the light or the output, which can differ; None for the meter's own
    counter_bits: for pulses that a device counts, the width at which its count goes round to 0; None where not known
    active, bias, min_width_ms: for pulses, the line's level in one, what holds it between them, their least length [ms]
    sites, within_km: of neighbours, which sites they are, or (without names) how near those are that count [km]
    """

    kind: SourceKind
    device: str
    address: str = ""
    unit: int = 1
    map: str = "sunspec"
    every_s: float = 60.0
    period_s: float = 0.0
    label: Label = Label.INSTANT
    counts: str = "exported"
    topic: str = ""
    shape: WeatherShape = WeatherShape.PLAIN
    grid_deg: float = 0.05
    baud: int = 9600
    parity: Parity = Parity.NONE
    stop_bits: int = 1
    quiet_gap_s: float = 2.0
    pulses_per_kwh: float | None = None
    counter_bits: int | None = None
    active: Level = Level.LOW
    bias: Bias = Bias.PULL_UP
    min_width_ms: float = 30.0
    sites: tuple[str, ...] = ()
    within_km: float = 30.0

    @property
    def serial(self) -> SerialSettings:
        return SerialSettings(self.baud, self.parity, self.stop_bits, self.quiet_gap_s)


@dataclass(frozen=True, slots=True)
class Contact:
    role: Role
    email: str
    name: str = ""


class _Dated(Protocol):
    @property
    def id(self) -> str: ...
    @property
    def from_ms(self) -> int: ...
    @property
    def removed(self) -> bool: ...


_F = TypeVar("_F", bound=_Dated)


def _in_force(facts: Sequence[_F], at_ms: int) -> tuple[_F, ...]:
    """Of each id the newest entry that has begun; none where that entry says removed. In the file's order."""
    newest: dict[str, _F] = {}
    for fact in facts:
        if fact.from_ms <= at_ms and (fact.id not in newest or newest[fact.id].from_ms <= fact.from_ms):
            newest[fact.id] = fact
    return tuple(fact for fact in newest.values() if not fact.removed)


@dataclass(frozen=True, slots=True)
class Site:
    """A site as it is at one instant.

    switch_step: whether letters may ask the home to look at the solar switch (alert/wording_switch.py)
    """

    id: str
    name: str
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    zone: ZoneInfo
    region: str = ""
    country: Country | None = None
    export_limit_w: float | None = None
    arrays: tuple[Array, ...] = ()
    inverters: tuple[Inverter, ...] = ()
    meters: tuple[Meter, ...] = ()
    sensors: tuple[Sensor, ...] = ()
    sources: tuple[Source, ...] = ()
    contacts: tuple[Contact, ...] = ()
    payment: Payment = field(default_factory=Payment)
    papers: Papers = field(default_factory=Papers)
    display: Display | None = None
    battery: Battery | None = None
    switch_step: bool = True
    policy: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    def arrays_of(self, inverter: str) -> tuple[Array, ...]:
        return tuple(array for array in self.arrays if array.inverter == inverter)

    def arrays_at(self, input: str) -> tuple[Array, ...]:
        return tuple(array for array in self.arrays if array.input == input)

    def inputs_of(self, inverter: str) -> tuple[str, ...]:
        """The inputs of an inverter that have an array, in the file's order: "inverter-1.input-1", ..."""
        return tuple(dict.fromkeys(array.input for array in self.arrays_of(inverter)))

    def inverter(self, id: str) -> Inverter:
        return next(inverter for inverter in self.inverters if inverter.id == id)

    def meter(self, id: str) -> Meter:
        return next(meter for meter in self.meters if meter.id == id)

    def source_of(self, device: str) -> Source | None:
        return next((source for source in self.sources if source.device == device), None)

    def meters_covering(self, inverter: str) -> tuple[Meter, ...]:
        return tuple(meter for meter in self.meters if inverter in meter.covers)

    def devices(self) -> tuple[str, ...]:
        """Every device that may own a channel, the three weather devices and our own board included."""
        own = [fact.id for facts in (self.inverters, self.meters, self.sensors) for fact in facts]
        own += [source.device for source in self.sources]
        return tuple(dict.fromkeys([*own, *WEATHER_DEVICES, BOARD]))


@dataclass(frozen=True, slots=True)
class SiteRecord:
    """Everything a site file says, with its dates. `base` carries what has none."""

    base: Site
    arrays: tuple[Array, ...]
    inverters: tuple[Inverter, ...]
    meters: tuple[Meter, ...]
    sensors: tuple[Sensor, ...] = ()

    @property
    def id(self) -> str:
        return self.base.id

    def at(self, at_ms: int) -> Site:
        """The site with the facts in force at an instant."""
        return replace(
            self.base,
            arrays=_in_force(self.arrays, at_ms),
            inverters=_in_force(self.inverters, at_ms),
            meters=_in_force(self.meters, at_ms),
            sensors=_in_force(self.sensors, at_ms),
        )

    def changes(self) -> tuple[int, ...]:
        """Instants at which a fact comes into force, ascending, the beginning of time left out."""
        facts = (self.arrays, self.inverters, self.meters, self.sensors)
        return tuple(sorted({fact.from_ms for kind in facts for fact in kind} - {0}))

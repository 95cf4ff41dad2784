"""The SunSpec models we read, as compact tables, and which of their points become which of our channels.

Rule: names, types, sizes and scale factors are the standard's own; a test holds every line against its published
definitions. Offsets count from the ID register. Models 101 to 103, 111 to 113 and 201 to 204 share their layout
within each family; phases a device does not have carry the absent code.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from watcher.collect.modbus.registers import NUMBERS

HEADER = 2
"""Registers before a model's body: its ID and its length, which counts neither."""

COMMON, MULTIPLE_INPUTS = 1, 160
INVERTERS = (101, 102, 103, 111, 112, 113)
METERS = (201, 202, 203, 204)


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a model.

    offset: of its first register from the model's ID register, or from the start of its repeating block
    factor: name of the point that holds its power of ten, "" where the value is in its unit as it stands
    unit: as the standard writes it, "" for a pure number
    """

    name: str
    type: str
    offset: int
    size: int
    factor: str
    unit: str


@dataclass(frozen=True, slots=True)
class Model:
    """points: the fixed ones, by name. block: the points of one repeating block; block_size: its registers, or 0."""

    points: Mapping[str, Point]
    block: Mapping[str, Point]
    block_size: int

    @property
    def fixed_size(self) -> int:
        """Registers from the ID register to the end of the fixed points, where the first block begins."""
        return _extent(self.points)

    def blocks_in(self, length: int) -> int:
        """How many whole blocks a model of this length (as its L register says) has room for."""
        return max(0, HEADER + length - self.fixed_size) // self.block_size if self.block_size else 0

    def fits(self, length: int) -> bool:
        """Whether a length is that of whole blocks; always so for a model without any."""
        return not self.block_size or (HEADER + length - self.fixed_size) % self.block_size == 0


def _extent(points: Mapping[str, Point]) -> int:
    return max((point.offset + point.size for point in points.values()), default=0)


def _points(table: str, offset: int = 0) -> Mapping[str, Point]:
    """Points in order from lines of `name type [factor|-] [unit]`; a string's registers follow its type: string:16."""
    return MappingProxyType({point.name: point for point in _lines(table, offset)})


def _lines(table: str, offset: int) -> Iterator[Point]:
    for line in table.strip().splitlines():
        name, kind, factor, unit = (*line.split(), "-", "-")[:4]
        kind, _, length = kind.partition(":")
        size = int(length) if length else NUMBERS[kind][0]
        yield Point(name, kind, offset, size, factor.strip("-"), unit.strip("-"))
        offset += size


_HEAD = """
ID uint16
L uint16
"""

_COMMON = (
    _HEAD
    + """
Mn string:16
Md string:16
Opt string:8
Vr string:8
SN string:16
DA uint16
Pad pad
""".lstrip()
)

_INVERTER = (
    _HEAD
    + """
A uint16 A_SF A
AphA uint16 A_SF A
AphB uint16 A_SF A
AphC uint16 A_SF A
A_SF sunssf
PPVphAB uint16 V_SF V
PPVphBC uint16 V_SF V
PPVphCA uint16 V_SF V
PhVphA uint16 V_SF V
PhVphB uint16 V_SF V
PhVphC uint16 V_SF V
V_SF sunssf
W int16 W_SF W
W_SF sunssf
Hz uint16 Hz_SF Hz
Hz_SF sunssf
VA int16 VA_SF VA
VA_SF sunssf
VAr int16 VAr_SF var
VAr_SF sunssf
PF int16 PF_SF Pct
PF_SF sunssf
WH acc32 WH_SF Wh
WH_SF sunssf
DCA uint16 DCA_SF A
DCA_SF sunssf
DCV uint16 DCV_SF V
DCV_SF sunssf
DCW int16 DCW_SF W
DCW_SF sunssf
TmpCab int16 Tmp_SF C
TmpSnk int16 Tmp_SF C
TmpTrns int16 Tmp_SF C
TmpOt int16 Tmp_SF C
Tmp_SF sunssf
""".lstrip()
)

_FLOAT_INVERTER = (
    _HEAD
    + """
A float32 - A
AphA float32 - A
AphB float32 - A
AphC float32 - A
PPVphAB float32 - V
PPVphBC float32 - V
PPVphCA float32 - V
PhVphA float32 - V
PhVphB float32 - V
PhVphC float32 - V
W float32 - W
Hz float32 - Hz
VA float32 - VA
VAr float32 - var
PF float32 - Pct
WH float32 - Wh
DCA float32 - A
DCV float32 - V
DCW float32 - W
TmpCab float32 - C
TmpSnk float32 - C
TmpTrns float32 - C
TmpOt float32 - C
""".lstrip()
)

_INVERTER_STATE = """
St enum16
StVnd enum16
Evt1 bitfield32
Evt2 bitfield32
EvtVnd1 bitfield32
EvtVnd2 bitfield32
EvtVnd3 bitfield32
EvtVnd4 bitfield32
""".lstrip()

_INPUTS = (
    _HEAD
    + """
DCA_SF sunssf
DCV_SF sunssf
DCW_SF sunssf
DCWH_SF sunssf
Evt bitfield32
N count
TmsPer uint16
""".lstrip()
)

_INPUT = """
ID uint16
IDStr string:8
DCA uint16 DCA_SF A
DCV uint16 DCV_SF V
DCW uint16 DCW_SF W
DCWH acc32 DCWH_SF Wh
Tms uint32 - Secs
Tmp int16 - C
DCSt enum16
DCEvt bitfield32
"""


def _phases(total: str, kind: str, factor: str, unit: str) -> str:
    return "".join(f"{total}{phase} {kind} {factor} {unit}\n" for phase in ("", "PhA", "PhB", "PhC"))


def _gauges(total: str, unit: str) -> str:
    phases = "".join(f"{name} int16 {total}_SF {unit}\n" for name in (total, *(f"{total}ph{p}" for p in "ABC")))
    return phases + f"{total}_SF sunssf\n"


def _meter(line_voltage: str) -> str:
    volts = ("PhV", "PhVphA", "PhVphB", "PhVphC", "PPV", *(f"{line_voltage}{pair}" for pair in ("AB", "BC", "CA")))
    return "".join(
        [
            _HEAD,
            _gauges("A", "A"),
            *(f"{name} int16 V_SF V\n" for name in volts),
            "V_SF sunssf\nHz int16 Hz_SF Hz\nHz_SF sunssf\n",
            _gauges("W", "W"),
            _gauges("VA", "VA"),
            _gauges("VAR", "var"),
            _gauges("PF", "Pct"),
            _phases("TotWhExp", "acc32", "TotWh_SF", "Wh"),
            _phases("TotWhImp", "acc32", "TotWh_SF", "Wh"),
            "TotWh_SF sunssf\n",
            _phases("TotVAhExp", "acc32", "TotVAh_SF", "VAh"),
            _phases("TotVAhImp", "acc32", "TotVAh_SF", "VAh"),
            "TotVAh_SF sunssf\n",
            *(_phases(f"TotVArh{way}", "acc32", "TotVArh_SF", "varh") for way in ("ImpQ1", "ImpQ2", "ExpQ3", "ExpQ4")),
            "TotVArh_SF sunssf\nEvt bitfield32\n",
        ]
    )


def _plain(table: str) -> Model:
    return Model(_points(table), MappingProxyType({}), 0)


_INTEGER, _FLOAT = _plain(_INVERTER + _INVERTER_STATE), _plain(_FLOAT_INVERTER + _INVERTER_STATE)
_ONE_PHASE_METER, _METER = _plain(_meter("PPVph")), _plain(_meter("PhVph"))
_INPUT_BLOCK = _points(_INPUT)

MODELS: Mapping[int, Model] = MappingProxyType(
    {
        COMMON: _plain(_COMMON),
        **dict.fromkeys((101, 102, 103), _INTEGER),
        **dict.fromkeys((111, 112, 113), _FLOAT),
        MULTIPLE_INPUTS: Model(_points(_INPUTS), _INPUT_BLOCK, _extent(_INPUT_BLOCK)),
        201: _ONE_PHASE_METER,
        **dict.fromkeys((202, 203, 204), _METER),
    }
)

IDENTITY: Mapping[str, str] = MappingProxyType(
    {"maker": "Mn", "model": "Md", "options": "Opt", "version": "Vr", "serial": "SN"}
)
"""What the common model says of a device: our word to its point."""

INVERTER_CHANNELS: Mapping[str, str] = MappingProxyType(
    {
        "A": "ac_current",
        "AphA": "l1.ac_current",
        "AphB": "l2.ac_current",
        "AphC": "l3.ac_current",
        "PhVphA": "l1.ac_voltage",
        "PhVphB": "l2.ac_voltage",
        "PhVphC": "l3.ac_voltage",
        "W": "ac_power",
        "Hz": "frequency",
        "WH": "ac_energy",
        "DCA": "dc_current",
        "DCV": "dc_voltage",
        "DCW": "dc_power",
        "TmpCab": "temp_cabinet",
        "TmpSnk": "temp_heatsink",
        "St": "operating_state",
        "Evt1": "event_bits",
    }
)
"""Evt2 is left out: no version of the standard gives its bits a meaning."""

EVENT_BITS: Mapping[str, int] = MappingProxyType({"Evt1": 0xFFFF})
"""The bits of a word that the standard gives a meaning, where we have given others one of our own (register maps)."""

INPUT_CHANNELS: Mapping[str, str] = MappingProxyType(
    {
        "DCA": "dc_current",
        "DCV": "dc_voltage",
        "DCW": "dc_power",
        "DCSt": "operating_state",
        "DCEvt": "event_bits",
    }
)
"""Of each block, counted from 1: inverter-1.input-2.dc_current. Its event bits have a list of their own."""

METER_CHANNELS: Mapping[str, str] = MappingProxyType(
    {
        "PhVphA": "l1.ac_voltage",
        "PhVphB": "l2.ac_voltage",
        "PhVphC": "l3.ac_voltage",
        "W": "ac_power",
        "TotWhExp": "energy_export",
        "TotWhImp": "energy_import",
    }
)

INDEX_POINTS: Mapping[str, str] = MappingProxyType({"exported": "TotWhExp", "imported": "TotWhImp"})
"""Which register is a generation meter's index: the standard leaves the sense to whoever fitted it."""

INVERTER_STATES: Mapping[int, str] = MappingProxyType(
    dict(enumerate(("off", "sleeping", "starting", "mppt", "throttled", "shutting-down", "fault", "standby"), start=1))
)
"""Point St of models 101 to 103 and 111 to 113; a number outside says nothing."""

INPUT_STATES: Mapping[int, str] = MappingProxyType({**INVERTER_STATES, 9: "test"})
"""Point DCSt of model 160. Model 701 counts from 0 and must never share these tables."""

STATES: Mapping[str, Mapping[int, str]] = MappingProxyType({"St": INVERTER_STATES, "DCSt": INPUT_STATES})

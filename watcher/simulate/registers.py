"""The simulated devices as SunSpec registers: models 1, 101 or 103, 160 and 201 or 203, and the end mark.

Rule: what a device does not have reads as its type's "not implemented" value. Layouts are those of the open SunSpec
model definitions; a point is written `name:type` or `name:type*scale`, where scale names its scale factor.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from watcher.simulate.scenario import ArrayFacts
from watcher.simulate.world import InverterView, MeterView

BASE = 40_000
_MARK = [0x5375, 0x6E53]
_END = [0xFFFF, 0]

_COMMON = "Mn:s16 Md:s16 Opt:s8 Vr:s8 SN:s16 DA:u Pad:p"
_INVERTER = (
    "A:u*A_SF AphA:u*A_SF AphB:u*A_SF AphC:u*A_SF A_SF:f PPVphAB:u*V_SF PPVphBC:u*V_SF PPVphCA:u*V_SF "
    "PhVphA:u*V_SF PhVphB:u*V_SF PhVphC:u*V_SF V_SF:f W:i*W_SF W_SF:f Hz:u*Hz_SF Hz_SF:f VA:i VA_SF:f VAr:i VAr_SF:f "
    "PF:i PF_SF:f WH:a*WH_SF WH_SF:f DCA:u*DCA_SF DCA_SF:f DCV:u*DCV_SF DCV_SF:f DCW:i*DCW_SF DCW_SF:f TmpCab:i*Tmp_SF "
    "TmpSnk:i TmpTrns:i TmpOt:i Tmp_SF:f St:e StVnd:e Evt1:b Evt2:b EvtVnd1:b EvtVnd2:b EvtVnd3:b EvtVnd4:b"
)
_TRACKERS = "DCA_SF:f DCV_SF:f DCW_SF:f DCWH_SF:f Evt:b N:u TmsPer:u"
_TRACKER = "ID:u IDStr:s8 DCA:u*DCA_SF DCV:u*DCV_SF DCW:u*DCW_SF DCWH:a*DCWH_SF Tms:U Tmp:i DCSt:e DCEvt:b"
_METER = (
    "A:i*A_SF AphA:i*A_SF AphB:i*A_SF AphC:i*A_SF A_SF:f PhV:i*V_SF PhVphA:i*V_SF PhVphB:i*V_SF PhVphC:i*V_SF "
    "PPV:i PPVphAB:i PPVphBC:i PPVphCA:i V_SF:f Hz:i*Hz_SF Hz_SF:f W:i*W_SF WphA:i*W_SF WphB:i*W_SF WphC:i*W_SF W_SF:f "
    "VA:i VAphA:i VAphB:i VAphC:i VA_SF:f VAR:i VARphA:i VARphB:i VARphC:i VAR_SF:f "
    "PF:i PFphA:i PFphB:i PFphC:i PF_SF:f "
    "TotWhExp:a*TotWh_SF TotWhExpPhA:a TotWhExpPhB:a TotWhExpPhC:a "
    "TotWhImp:a*TotWh_SF TotWhImpPhA:a TotWhImpPhB:a TotWhImpPhC:a TotWh_SF:f " + "VAh:a " * 8 + "TotVAh_SF:f "
    + "VArh:a " * 16 + "TotVArh_SF:f Evt:b"
)  # fmt: skip

_SIZES = {"u": 1, "i": 1, "f": 1, "e": 1, "p": 1, "a": 2, "b": 2, "U": 2}
_ABSENT = {
    "u": 0xFFFF, "i": 0x8000, "f": 0x8000, "e": 0xFFFF, "p": 0x8000, "a": 0, "b": 0xFFFF_FFFF, "U": 0xFFFF_FFFF,
}  # fmt: skip

Values = Mapping[str, float | str]


class _Point(NamedTuple):
    name: str
    kind: str
    size: int
    scale: str


def _points(layout: str) -> tuple[_Point, ...]:
    points = []
    for word in layout.split():
        name, _, rest = word.partition(":")
        kind, _, scale = rest.partition("*")
        points.append(_Point(name, kind[0], _SIZES.get(kind) or int(kind[1:]), scale))
    return tuple(points)


_LAYOUTS = {layout: _points(layout) for layout in (_COMMON, _INVERTER, _TRACKERS, _TRACKER, _METER)}


def _pack(layout: str, values: Values, scales: Mapping[str, int]) -> list[int]:
    """Registers of one block. ValueError when a value does not fit its point: a scenario beyond the map."""
    words: list[int] = []
    for point in _LAYOUTS[layout]:
        value = values.get(point.name, scales.get(point.name))
        if point.kind == "s":
            data = str(value or "").encode("ascii").ljust(2 * point.size, b"\0")[: 2 * point.size]
            words += [data[n] << 8 | data[n + 1] for n in range(0, len(data), 2)]
            continue
        bits = 16 * point.size
        if value is None:
            raw = _ABSENT[point.kind]
        else:
            raw = round(float(value) / 10.0 ** scales[point.scale]) if point.scale else int(value)
            if point.kind == "a":
                raw %= 2**bits
            low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1)) if point.kind in "if" else (0, 2**bits)
            if not low <= raw < high:
                raise ValueError(f"{point.name} = {value} does not fit its register")
        words += [(raw % 2**bits) >> shift & 0xFFFF for shift in range(bits - 16, -1, -16)]
    return words


def _model(number: int, words: list[int]) -> list[int]:
    return [number, len(words), *words]


def _common(kind: str, serial: str, unit: int) -> list[int]:
    said: Values = {"Mn": "Simulated", "Md": kind, "Vr": "1.0", "SN": serial, "DA": unit}
    return _model(1, _pack(_COMMON, said, {}))


def inverter_words(view: InverterView, arrays: tuple[ArrayFacts, ...], phases: int) -> list[int]:
    """Everything unit 1 shows, from the base address on."""
    plant = view.plant
    volts = plant.ac_voltage_v
    current = plant.ac_power_w / volts if volts else 0.0
    letters = "ABC"[:phases]
    values: dict[str, float | str] = {
        "A": current,
        **{f"Aph{letter}": current / phases for letter in letters},
        **{f"PhVph{letter}": volts for letter in letters},
        "W": plant.ac_power_w,
        "Hz": plant.frequency_hz,
        "WH": view.energy_wh,
        "DCW": plant.dc_power_w,
        "TmpCab": plant.cabinet_c,
        "St": int(plant.state),
        "Evt1": plant.event_bits,
        "Evt2": 0,
    }
    scales = {"A_SF": -2, "V_SF": -1, "W_SF": 0, "Hz_SF": -2, "WH_SF": 0, "DCW_SF": 0, "Tmp_SF": -1}
    return [
        *_MARK,
        *_common("Inverter", view.serial, 1),
        *_model(101 if phases == 1 else 103, _pack(_INVERTER, values, scales)),
        *_model(160, _trackers(view, arrays)),
        *_END,
    ]


def _trackers(view: InverterView, arrays: tuple[ArrayFacts, ...]) -> list[int]:
    scales = {"DCA_SF": -2, "DCV_SF": -1, "DCW_SF": 0, "DCWH_SF": 0}
    words = _pack(_TRACKERS, {"Evt": 0, "N": len(arrays)}, scales)
    for n, (array, state) in enumerate(zip(arrays, view.plant.inputs, strict=True)):
        values: Values = {
            "ID": array.input,
            "IDStr": f"Input {array.input}",
            "DCA": state.current_a,
            "DCV": state.voltage_v,
            "DCW": state.power_w,
            "DCWH": view.input_energy_wh[n],
            "DCSt": int(view.plant.state),
            "DCEvt": 0,
        }
        words += _pack(_TRACKER, values, scales)
    return words


def meter_words(view: MeterView, phases: int) -> list[int]:
    """Everything unit 2 shows. Power is negative while the array generates: it leaves the house."""
    current = -view.power_w / view.ac_voltage_v
    letters = "ABC"[:phases]
    values: dict[str, float | str] = {
        "A": current,
        "PhV": view.ac_voltage_v,
        "Hz": view.frequency_hz,
        "W": -view.power_w,
        "TotWhExp": view.export_wh,
        "TotWhImp": view.import_wh,
        "Evt": 0,
    }
    for letter in letters:
        values |= {f"Aph{letter}": current / phases, f"PhVph{letter}": view.ac_voltage_v}
        values[f"Wph{letter}"] = -view.power_w / phases
    scales = {"A_SF": -2, "V_SF": -1, "Hz_SF": -2, "W_SF": 0, "TotWh_SF": 0}
    words = _pack(_METER, values, scales)
    return [*_MARK, *_common("Meter", view.serial, 2), *_model(201 if phases == 1 else 203, words), *_END]

"""What stands between an inverter and the street: an export limiter, a battery.

Rule: both only move or hold back energy; what panels could have made is the same with and without them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.trial.physics import Output
from tests.bench.trial.roofs import Roof
from watcher.align.window import Bools, Floats
from watcher.domain.site import Storage

BATTERY_W = 3000.0
ROUND_TRIP = 0.9


@dataclass(frozen=True, slots=True)
class Battery:
    """charge_w, discharge_w: what goes in and out. soc: share of its capacity"""

    charge_w: Floats
    discharge_w: Floats
    soc: Floats


def hold_export(roof: Roof, output: Output, load: Floats) -> Output:
    """The same roof behind its export limit: never more than the house uses and the limit allows."""
    if roof.export_limit_w is None:
        return output
    name = roof.inverters[0]
    most = load + roof.export_limit_w
    free = output.ac_w[name]
    held = np.minimum(1.0, most / np.maximum(free, 1.0))
    amps = {one.input: output.amps[one.input] * held for one in roof.at(name)}
    return Output(
        volts=output.volts,
        amps={**output.amps, **amps},
        dc_w={**output.dc_w, name: output.dc_w[name] * held},
        ac_w={**output.ac_w, name: np.minimum(free, most)},
        limited={**output.limited, name: output.limited[name] | (held < 1.0)},
        heat=output.heat,
    )


def run_battery(roof: Roof, pv_w: Floats, load: Floats, worn: Bools) -> Battery | None:
    """A battery that takes what is left over and gives it back in the evening. worn: it gives back half."""
    if roof.battery_wh is None:
        return None
    count = len(pv_w)
    charge, discharge, soc = np.zeros(count), np.zeros(count), np.zeros(count)
    held = 0.3 * roof.battery_wh
    spare = (pv_w - load).tolist()
    share = np.where(worn, 0.5, ROUND_TRIP).tolist()
    for n in range(count):
        if spare[n] > 0.0:
            taken = min(spare[n], BATTERY_W, 12.0 * (roof.battery_wh - held))
            charge[n] = taken
            held += taken * share[n] / 12.0
        else:
            given = min(-spare[n], BATTERY_W, 12.0 * (held - 0.05 * roof.battery_wh))
            discharge[n] = max(given, 0.0)
            held -= discharge[n] / 12.0
        soc[n] = held / roof.battery_wh
    return Battery(charge, discharge, soc)


def behind(roof: Roof, output: Output, battery: Battery | None) -> Output:
    """What a battery on the DC side leaves on the AC side; anything else is untouched."""
    if battery is None or roof.storage is not Storage.DC:
        return output
    name = roof.inverters[0]
    through = np.clip(output.ac_w[name] - battery.charge_w + battery.discharge_w, 0.0, roof.limits_w[name])
    return Output(output.volts, output.amps, output.dc_w, {**output.ac_w, name: through}, output.limited, output.heat)

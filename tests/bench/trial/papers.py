"""The site file of a roof, with the mistakes people make when they type one.

Rule: as a rule a few degrees and a few per cent; where the plan says `site-record-wrong`, a gross one.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from tests.bench.trial.plan import Basis, SitePlan
from tests.bench.trial.references import SensorFacts
from tests.bench.trial.roofs import Roof
from watcher.domain.instant import from_ms
from watcher.domain.site import Conversion


def site_text(plan: SitePlan, roof: Roof, sensor: SensorFacts | None, minutes: int, rng: np.random.Generator) -> str:
    gross = any(fault.finding == "site-record-wrong" for fault in plan.faults)
    turn, lean, more = rng.normal(0.0, 5.0), rng.normal(0.0, 2.5), rng.normal(1.0, 0.01)
    if gross:
        turn, lean, more = [(80.0, 0.0, 1.0), (0.0, 0.0, 1.35), (0.0, 0.0, 0.75)][int(rng.integers(3))]
    lines = [
        "[site]",
        f'name = "{plan.id}"',
        f"latitude_deg = {roof.latitude_deg:.3f}",
        f"longitude_deg = {roof.longitude_deg:.3f}",
        f"altitude_m = {roof.altitude_m:.0f}",
        'zone = "Europe/London"',
        f'region = "region-{plan.region}"',
    ]
    if roof.export_limit_w is not None:
        lines.append(f"export_limit_w = {roof.export_limit_w}")
    for one in roof.panels:
        lines += [
            "[[array]]",
            f'id = "{one.id}"',
            f"tilt_deg = {round(min(max(one.tilt_deg + lean, 0.0), 90.0) / 5) * 5}",
            f"azimuth_deg = {round((one.azimuth_deg + turn) % 360.0 / 5) * 5 % 360}",
            f"peak_power_w = {one.peak_w * more:.0f}",
            f'input = "{one.input}"',
            f"modules_in_series = {one.modules}",
            f"parallel_strings = {one.parallel}",
            f'conversion = "{one.conversion}"',
        ]
        if one.conversion is Conversion.MICRO:
            lines.append(f"unit_limit_w = {one.unit_limit_w}")
        lines += ["[array.module]", "vmp_v = 31.5", "gamma_per_k = -0.0037"]
    for name, limit_w in roof.limits_w.items():
        lines += ["[[inverter]]", f'id = "{name}"', f"ac_limit_w = {limit_w}", f'storage = "{roof.storage}"']
    devices = list(roof.inverters)
    if plan.step_wh is not None:
        decimals = {1.0: 3, 10.0: 2, 100.0: 1, 1000.0: 0}[plan.step_wh]
        covers = ", ".join(f'"{name}"' for name in roof.inverters)
        lines += [
            "[[meter]]",
            'id = "meter-1"',
            'role = "generation"',
            f"covers = [{covers}]",
            f"decimals = {decimals}",
        ]
        lines += ["pulses_per_kwh = 1000"] if plan.by_pulses else []
        due = [fault for fault in plan.faults if fault.finding == "meter-certification-due"]
        until = from_ms(plan.year.begin_ms).date() + timedelta(days=due[0].first_day if due else 3000)
        lines.append(f"certified_until = {until.isoformat()}")
        devices.append("meter-1")
    if sensor is not None:
        lines += ["[[sensor]]", 'id = "sensor-1"', f'plane = "{sensor.plane}"']
        devices.append("sensor-1")
    for unit, device in enumerate(devices, start=1):
        # Read over the wire: of a file's devices nobody can tell whether the board was there to listen.
        lines += ["[[source]]", 'kind = "modbus-tcp"', f'device = "{device}"', 'address = "192.0.2.1:502"']
        lines += [f"unit = {unit}", "every_s = 300"]
    if plan.basis in REMOTE:
        lines += ["[[source]]", 'kind = "weather"', f'device = "{REMOTE[plan.basis]}"']
        lines += ['address = "https://weather.example.org"', "every_s = 3600", f"period_s = {60 * minutes}"]
        lines += ['label = "mean-ending"']
    if plan.basis is Basis.NEIGHBOURS:
        lines += ["[[source]]", 'kind = "neighbours"', 'device = "neighbours"', "within_km = 60"]
    lines += ["[[contact]]", 'role = "owner"', 'email = "owner@example.org"']
    return "\n".join(lines) + "\n"


REMOTE = {Basis.SATELLITE: "weather-analysis", Basis.FORECAST: "weather-forecast"}

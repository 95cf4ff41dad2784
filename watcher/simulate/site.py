"""The site file of a simulated home: what a person would have typed about it.

Rule: it says what the scenario says, through the front door: a TOML site file like any other.
"""

from __future__ import annotations

import json

from watcher.simulate.ports import Ports
from watcher.simulate.scenario import ArrayFacts, Scenario


def site_text(
    scenario: Scenario,
    ports: Ports,
    owner: str = "owner@larkfield.example.org",
    installer: str = "office@installer.example.org",
    every_s: float = 60.0,
) -> str:
    """TOML text of the site, its devices reached at `ports` and polled every so many seconds."""
    place, meter, inverter = scenario.site, scenario.meter, scenario.inverter
    decimals = max(0, 4 - len(str(meter.step_wh)))  # 100 Wh is one decimal of a kWh, 1 Wh three
    tables = [
        _table("[site]", name=place.name, latitude_deg=place.latitude_deg, longitude_deg=place.longitude_deg,
               altitude_m=place.altitude_m, zone=place.zone),
        *(_array(scenario, array) for array in scenario.inputs),
        _table("[[inverter]]", id="inverter-1", ac_limit_w=inverter.ac_limit_w, accuracy_percent=4.0,
               serial=inverter.serial),
        _table("[[meter]]", id="meter-1", role="generation", covers=["inverter-1"], accuracy_class="B", digits=5,
               decimals=decimals, serial=meter.serial, register="forward", place="cupboard under the stairs",
               reader="owner"),
        _table("[[source]]", kind="modbus-tcp", device="inverter-1", address=f"127.0.0.1:{ports.modbus}", unit=1,
               map="sunspec", every_s=every_s),
        _table("[[source]]", kind="modbus-tcp", device="meter-1", address=f"127.0.0.1:{ports.modbus}", unit=2,
               map="sunspec", every_s=every_s, counts="exported"),
        _table("[[source]]", kind="weather", device="weather-nowcast", address=f"http://127.0.0.1:{ports.weather}",
               every_s=900.0, period_s=900.0, label="mean-ending"),
        _table("[[contact]]", role="owner", email=owner, name="Robin Hale"),
        _table("[[contact]]", role="installer", email=installer, name="Hill Street Solar"),
        # So that the demo shows what both read; usually the firm reads it first.
        _table("[policy.string-open]", home_after_days=0.0),
        _table("[payment]", scheme="feed-in", licensee="Example Energy")
        + _table("[[payment.rate]]", pence_per_kwh=16.0, paid_on="generation", share=1.0),
        _table("[papers]", registered_capacity_w=inverter.ac_limit_w),
    ]  # fmt: skip
    return "\n".join(tables)


def _array(scenario: Scenario, array: ArrayFacts) -> str:
    module = scenario.module
    peak_w = module.power_w * array.modules_in_series * array.parallel_strings
    return _table(
        "[[array]]", id=array.id, tilt_deg=array.tilt_deg, azimuth_deg=array.azimuth_deg, peak_power_w=peak_w,
        modules_in_series=array.modules_in_series, parallel_strings=array.parallel_strings,
        input=f"inverter-1.input-{array.input}", conversion="string", mounting="roof",
    ) + _table(
        "[array.module]", vmp_v=module.vmp_v, imp_a=round(module.imp_a, 3), gamma_per_k=module.gamma_per_k
    )  # fmt: skip


def _table(head: str, **values: str | float | list[str]) -> str:
    # A JSON text, number or list of texts is a TOML one too, once nothing outside ASCII needs escaping.
    return "\n".join([head, *(f"{key} = {json.dumps(value)}" for key, value in values.items())]) + "\n"

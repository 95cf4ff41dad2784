"""The site file of the simulated home goes through the same door as any other."""

from __future__ import annotations

from dataclasses import replace

import pytest

from watcher.config.site_file import load_site
from watcher.domain.site import Label, MeterRole, Role, Scheme, SourceKind
from watcher.simulate.ports import Ports
from watcher.simulate.scenario import Scenario
from watcher.simulate.site import site_text


def test_the_site_file_describes_the_simulated_home(demo: Scenario) -> None:
    text = site_text(
        demo, Ports(modbus=1502, weather=8080, mail=2525), owner="a@example.org", installer="b@example.org"
    )
    record = load_site(text, "larkfield.toml", "larkfield")
    site = record.at(0)
    assert (site.name, site.latitude_deg, site.zone.key) == ("Larkfield", 53.4, "Europe/London")
    assert [(a.id, a.input, a.peak_power_w, a.azimuth_deg) for a in site.arrays] == [
        ("east", "inverter-1.input-1", 2000, 90),
        ("west", "inverter-1.input-2", 2000, 270),
    ]
    assert site.arrays[0].module.vmp_v == 31.3
    assert site.inverter("inverter-1").ac_limit_w == 3680
    meter = site.meter("meter-1")
    assert (meter.role, meter.covers, meter.serial) == (MeterRole.GENERATION, ("inverter-1",), "0417290")
    assert [(s.kind, s.device, s.address, s.unit) for s in site.sources] == [
        (SourceKind.MODBUS_TCP, "inverter-1", "127.0.0.1:1502", 1),
        (SourceKind.MODBUS_TCP, "meter-1", "127.0.0.1:1502", 2),
        (SourceKind.WEATHER, "weather-nowcast", "http://127.0.0.1:8080", 1),
    ]
    assert (site.sources[2].label, site.sources[2].period_s) == (Label.MEAN_ENDING, 900)
    assert [(c.role, c.email) for c in site.contacts] == [
        (Role.OWNER, "a@example.org"),
        (Role.INSTALLER, "b@example.org"),
    ]
    assert site.payment.scheme is Scheme.FEED_IN
    assert [rate.pence_per_kwh for rate in site.payment.rates] == [16.0]


@pytest.mark.parametrize("step_wh", [1, 10, 100, 1000])
def test_the_meter_shows_what_it_counts(demo: Scenario, step_wh: int) -> None:
    scenario = replace(demo, meter=replace(demo.meter, step_wh=step_wh))
    site = load_site(site_text(scenario, Ports(1, 2, 3)), "home.toml", "home").at(0)
    assert site.meter("meter-1").resolution_wh == step_wh

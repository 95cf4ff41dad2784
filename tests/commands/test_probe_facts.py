"""What a site file tells a probe of a device."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from watcher.cli import _parser
from watcher.commands.probe_asked import facts_of, serial_settings
from watcher.config import load_site
from watcher.domain.instant import parse_iso
from watcher.domain.site import Inverter, MeterRole, Parity, SerialSettings, Site, Source, SourceKind, Storage
from watcher.probe.seen import Facts, InputFacts

EXAMPLE = Path(__file__).resolve().parents[2] / "config" / "sites" / "example-home.toml"


@pytest.fixture
def home() -> Site:
    return load_site(EXAMPLE.read_text(encoding="utf-8"), str(EXAMPLE), "example-home").at(
        parse_iso("2026-06-21T12:00:00Z")
    )


def about(site: Site, device: str) -> Facts:
    source = site.source_of(device)
    assert source is not None
    return facts_of(site, source)


def test_an_inverter_brings_its_rating_and_its_strings(home: Site) -> None:
    facts = about(home, "inverter-1")
    assert (facts.role, facts.rating_w, facts.battery_on_dc) == ("inverter", 3680.0, False)
    assert facts.inputs == {
        "input-1": InputFacts(pytest.approx(8 * 31.2), pytest.approx(9.6), 2400.0),
        "input-2": InputFacts(None, None, 1800.0),  # nothing is known of its modules
    }
    assert facts.peak_w == 4200.0


def test_a_battery_on_the_dc_side_is_told(home: Site) -> None:
    (inverter,) = home.inverters
    hybrid: Inverter = replace(inverter, storage=Storage.DC)
    assert about(replace(home, inverters=(hybrid,)), "inverter-1").battery_on_dc


def test_a_generation_meter_brings_what_it_covers_and_which_register_counts(home: Site) -> None:
    assert about(home, "meter-1") == Facts("generation-meter", 3680.0, counts="exported")


def test_another_meter_or_a_sensor_brings_next_to_nothing(home: Site) -> None:
    meters = tuple(replace(meter, role=MeterRole.IMPORT) for meter in home.meters)
    assert about(replace(home, meters=meters), "meter-1") == Facts("meter")
    assert about(home, "sensor-1") == Facts()


def test_a_serial_line_is_set_by_the_command_line_then_by_the_site_file_then_as_is_usual() -> None:
    path = "/dev/serial/by-id/adapter"
    source = Source(SourceKind.MODBUS_RTU, "meter-1", path, baud=19200, parity=Parity.EVEN)

    def settings(*arguments: str, sources: tuple[Source, ...] = (source,)) -> SerialSettings:
        options = _parser().parse_args(["probe", path, *arguments])
        return serial_settings(options, sources)

    assert settings() == SerialSettings(19200, Parity.EVEN, 1)
    assert settings("--baud", "4800", "--stop-bits", "2") == SerialSettings(4800, Parity.EVEN, 2)
    assert settings(sources=()) == SerialSettings(9600, Parity.NONE, 1)

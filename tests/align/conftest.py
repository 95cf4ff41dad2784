"""A small home for the tests of this folder."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from watcher.domain.site import Array, Inverter, Label, Meter, MeterRole, Site, Source, SourceKind


@pytest.fixture(scope="session")
def home() -> Site:
    """The reference site of the field cases: 4 kWp south, 3.68 kW, one generation meter with 0.1 kWh steps."""
    return Site(
        "home-1",
        "Home",
        53.5,
        -2.2,
        50.0,
        ZoneInfo("Europe/London"),
        arrays=(Array("roof", 35.0, 180.0, 4000.0, "inverter-1.input-1"),),
        inverters=(Inverter("inverter-1", 3680.0),),
        meters=(Meter("meter-1", MeterRole.GENERATION, ("inverter-1",)),),
        sources=(
            Source(SourceKind.MODBUS_TCP, "inverter-1", every_s=60.0),
            Source(SourceKind.MQTT, "meter-1", every_s=60.0),
            Source(SourceKind.WEATHER, "weather-analysis", period_s=3600.0, label=Label.MEAN_ENDING),
            Source(SourceKind.FILE, "weather-nowcast", period_s=60.0, label=Label.MEAN_ENDING),
        ),
    )

"""What is shipped as an example is read by the program, and mentions every key there is."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from watcher.config import check, load_sites, load_watcher
from watcher.config.checked_toml import Keys
from watcher.config.site_words import (
    ARRAY,
    BATTERY,
    CONTACT,
    DISPLAY,
    INVERTER,
    METER,
    MODULE,
    PAPERS,
    PAYMENT,
    RATE,
    SENSOR,
    SITE,
    SITE_FILE,
    SOURCE,
)
from watcher.config.watcher_file import WATCHER_FILE
from watcher.domain.papers import Battery, Display
from watcher.domain.site import Array, Contact, Inverter, Meter, Module, Papers, Payment, Rate, Sensor, Site, Source
from watcher.table.column_map import COLUMN_MAP_FILE
from watcher.table.columns import load_columns, read_table

CONFIG = Path(__file__).resolve().parents[2] / "config"


def test_the_example_configuration_has_no_problem() -> None:
    assert check(CONFIG / "watcher.toml", {}) == []
    assert load_watcher(CONFIG / "watcher.toml", {}).sites_folder == CONFIG / "sites"
    assert set(load_sites(CONFIG / "sites").good) == {"example-home"}


def test_the_example_column_map_reads_the_table_it_shows() -> None:
    text = (CONFIG / "columns" / "example.toml").read_text(encoding="utf-8")
    shown = [line.removeprefix("#").strip() for line in text.splitlines() if line.startswith("#   ")]
    assert len(shown) == 2
    table = read_table(shown, load_columns(text, "example.toml"))
    assert (table.rows, table.kept, table.refused) == (1, 1, [])
    # 13:45 summer time is 12:45 UTC, the start of a quarter for the means and the moment of the register.
    assert [(reading.channel, reading.time_ms, reading.value) for reading in table.readings] == [
        ("inverter-1.ac_power", 1_717_160_400_000, 2815.0),
        ("meter-1.energy_index", 1_717_159_500_000, 12_345_600.0),
        ("sensor-1.poa_irradiance", 1_717_160_400_000, 912.0),
    ]


def keys_in(keys: Keys) -> Iterator[str]:
    for name, key in keys.items():
        if not key.hint:
            yield name
        inside = key.inside if key.inside is not None else key.each({}) if key.each is not None else None
        yield from keys_in(inside) if inside is not None else ()


@pytest.mark.parametrize(
    ("file", "keys"),
    [
        ("watcher.toml", WATCHER_FILE),
        ("sites/example-home.toml", {name: key for name, key in SITE_FILE.items() if name != "policy"}),
        ("columns/example.toml", COLUMN_MAP_FILE),
    ],
)
def test_every_key_is_shown_in_an_example(file: str, keys: Keys) -> None:
    text = (CONFIG / file).read_text(encoding="utf-8")
    assert [name for name in keys_in(keys) if not re.search(rf"\b{name}\b( =|\])", text)] == []


@pytest.mark.parametrize(
    ("keys", "kind", "not_typed"),
    [
        (ARRAY, Array, {"from_ms", "removed"}),
        (INVERTER, Inverter, {"from_ms", "removed"}),
        (METER, Meter, {"from_ms", "removed"}),
        (SENSOR, Sensor, {"from_ms", "removed"}),
        (MODULE, Module, set()),
        (SOURCE, Source, set()),
        (CONTACT, Contact, set()),
        (PAPERS, Papers, set()),
        (DISPLAY, Display, set()),
        (BATTERY, Battery, set()),
        (RATE, Rate, {"from_ms"}),
        (PAYMENT, Payment, {"rates"}),
        (SITE, Site, {"id", "policy", "payment", "papers", "arrays", "inverters", "meters", "sensors", "sources"}
         | {"contacts", "display", "battery", "switch_step"}),
    ],
)  # fmt: skip
def test_every_fact_of_a_site_can_be_written_under_its_own_name(keys: Keys, kind: Any, not_typed: set[str]) -> None:
    assert {field.name for field in fields(kind)} - not_typed == set(keys) - {"from", "rate"}


def test_what_the_daemon_reads_its_setup_with_is_light() -> None:
    """No numpy, pandas or pvlib comes in with the configuration (the daemon's 50 MB)."""
    script = "import sys, watcher.config, watcher.table.columns; print({'numpy', 'pandas', 'pvlib'} & set(sys.modules))"
    said = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert said.stdout == "set()\n"

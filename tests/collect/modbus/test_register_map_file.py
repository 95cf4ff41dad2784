"""Register maps as files: what is read, what is refused and in which words, and who may name them."""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.collect.modbus.fuzz_register_map import run as fuzz
from tests.collect.modbus.wire import at, play
from watcher.collect.modbus.blocks import Span, Table
from watcher.collect.modbus.map_reader import RegisterMapReader
from watcher.collect.modbus.register_map import CounterFact, Counting, MapPoint, NumberType, Order, RegisterMap
from watcher.config import check, load_map, load_maps, load_sites
from watcher.config.checked_toml import Keys, Page
from watcher.config.map_words import DEVICE, MAP_FILE, point
from watcher.domain.errors import SetupError
from watcher.table.units import Unit
from watcher.wiring import assemble

CONFIG = Path(__file__).resolve().parents[3] / "config"
DEVICES = CONFIG / "devices"

GOOD = """\
[device]
description = "an invented device"
max_registers = 40
address_base = 1

[[point]]
quantity = "ac_power"
address = 11
type = "int32"
scale = 0.1
sentinels = [0x8000_0000]

[[point]]
quantity = "dc_current"
part = "input-1"
address = 13
type = "uint16"
scale_register = 14

[[point]]
quantity = "operating_state"
address = 20
type = "uint16"
states = { 0 = 8, 0x10 = 4 }

[[point]]
quantity = "event_bits"
address = 21
type = "uint32"
bits = { 0 = 2 }

[[point]]
quantity = "ac_energy"
address = 31
type = "uint32"
counter = "lifetime"
"""


def changed(old: str, new: str) -> str:
    assert GOOD.count(old) == 1
    return GOOD.replace(old, new)


def told(text: str, name: str = "some-device") -> list[str]:
    with pytest.raises(SetupError) as error:
        load_map(text, "devices/some-device.toml", name)
    return [str(problem) for problem in error.value.problems]


def test_a_point_says_only_what_differs_from_its_device() -> None:
    text = """
        device = { description = "d", function = 4, word_order = "low-first", byte_order = "low-first" }
        [[point]]
        quantity = "grid_power"
        address = 7
        type = "float32"
        [[point]]
        quantity = "grid_power"
        part = "l2"
        address = 7
        function = 3
        type = "int64"
        word_order = "high-first"
        byte_order = "high-first"
        sign = -1
        scale = 0.001
        unit = "kW"
        sentinels = [0x7FFF_FFFF_FFFF_FFFF, -1]
        [[point]]
        quantity = "battery_discharge_energy"
        address = 20
        type = "uint32"
        counter = "none"
        includes_battery_discharge = true
    """
    low, high, kilo = Order.LOW_FIRST, Order.HIGH_FIRST, Unit(Decimal("1e3"))
    first = MapPoint("grid_power", 7, NumberType.FLOAT32, Span(7, 2, Table.INPUT), low, low)
    span, absent = Span(7, 4), frozenset({2**63 - 1, -1})
    second = MapPoint("l2.grid_power", 7, NumberType.INT64, span, high, high, Decimal("-0.001"), None, kilo, absent)
    last = MapPoint(
        "battery_discharge_energy", 20, NumberType.UINT32, Span(20, 2, Table.INPUT), low, low, Decimal(1),
        counter=Counting.NONE, includes_battery_discharge=True,
    )  # fmt: skip
    assert load_map(text, "x", "some-device") == RegisterMap("some-device", "d", (first, second, last))


def test_a_manual_that_counts_from_one_is_read_one_earlier() -> None:
    good = load_map(GOOD, "x", "some-device")
    assert [(point.address, point.value.first) for point in good.points][:2] == [(11, 10), (13, 12)]
    assert good.points[1].scale_register == Span(13, 1)
    assert good.max_registers == 40
    assert good.points[2].states == {0: 8, 16: 4}


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('description = "an invented device"\n', "", ":1: device.description: missing; must be what the device is"),
        ("max_registers = 40", "max_registers = 126", ":3: device.max_registers = 126: must be a whole number, 1"),
        ("address_base = 1", "address_base = 40001", ":4: device.address_base = 40001: must be a whole number, 0 to 1"),
        ("address_base = 1", "function = 1", ":4: device.function = 1: must be 3 (holding registers) or 4 (input"),
        ("address_base = 1", "adress_base = 1", ":4: device.adress_base: unknown key, did you mean address_base?"),
        ("address_base = 1", 'word_order = "little"', 'must be one of "high-first", "low-first"'),
        ('"ac_power"', '"ac_powr"', ':7: point[0].quantity = "ac_powr": no such quantity, did you mean ac_power?'),
        ('"ac_power"', '"yield"', 'point[0].quantity = "yield": no such quantity; known here: ac_power, dc_power, '),
        ("address = 11", "address = 0", ":8: point[0].address = 0: must be 1 to 65535 with address_base = 1"),
        ("address = 11", "address = 65536", "point[0].address = 65536: must be 1 to 65535 with address_base = 1"),
        ("address = 11", "address = 400011", "point[0].address = 400011: must be a whole number, 0 to 65536"),
        ("address = 11\n", "", ":6: point[0].address: missing; must be a whole number"),
        ('"int32"', '"int33"', 'point[0].type = "int33": must be one of "int16", "uint16", "int32", '),
        ("scale = 0.1", "scale = 0", ":10: point[0].scale = 0: must be 1e-09 to 1000000000 (what one step"),
        ("scale = 0.1", "scale = -0.1", "for the other sign, sign = -1"),
        ("scale = 0.1", "scale = nan", "point[0].scale = nan: must be 1e-09"),
        ("scale = 0.1", "sign = -10", "point[0].sign = -10: must be 1, or -1 where the device counts the other way"),
        ("scale = 0.1", "sign = true", "point[0].sign = true: must be 1, or -1"),
        ("scale = 0.1", 'unit = "kWh"', 'point[0].unit = "kWh": must be one of "W", "kW", "MW"'),
        ("0x8000_0000", "0x1_8000_0000", ":11: point[0].sentinels = 6442450944: must be what a register of type int32"),
        ("0x8000_0000", '"0x8000"', "point[0].sentinels = [\"0x8000\"]: must be a list of numbers, such as [0x8000]"),
        ("0x8000_0000", "inf", "what is no number at all is never a value anyway"),
        ('"input-1"', '"input1"', ':15: point[1].part = "input1": must be an input or a phase, such as "input-1"'),
        ("scale_register = 14", "scale_register = 0", "point[1].scale_register = 0: must be 1 to 65536 with address"),
        ("scale_register = 14", "scale_register = 14\nscale = 1", "point[1].scale_register = 14: scale stands here"),
        ("uint16\"\nscale_r", "float32\"\nscale_r", "scale_register = 14: a number with decimals of its own"),
        ("scale_register = 14", "scale_register = 14\nbyte_order = \"low-first\"", "cannot be read with its low by"),
        ("0x10 = 4", "0x10 = 10", ":24: point[2].states = a table: 16 = 10; must be theirs = ours, such as { 3"),
        ("0x10 = 4", "70000 = 4", "point[2].states = 70000: theirs must be 0 to 65535 in a register of type uint16"),
        ("0x10 = 4", "0x0 = 4", "point[2].states = a table: 0 stands twice"),
        ("0x10 = 4", "run = 4", 'point[2].states = a table: "run" is no number; must be theirs = ours'),
        ("states = { 0 = 8, 0x10 = 4 }", "states = {}", "point[2].states = a table: must be theirs = ours"),
        ("states = { 0 = 8, 0x10 = 4 }\n", "", "point[2].states: missing; must be theirs = ours"),
        ("states = { 0 = 8, 0x10 = 4 }", "states = { 0 = 8 }\nscale = 2", "has neither unit nor scale"),
        ("uint16\"\nstates", "float32\"\nstates", 'point[2].type = "float32": a state is a whole number'),
        ("bits = { 0 = 2 }", "bits = { 0 = 32 }", "point[3].bits = a table: 0 = 32; must be theirs = ours"),
        ("bits = { 0 = 2 }", "bits = { 32 = 2 }", "point[3].bits = 32: theirs must be 0 to 31 in a register"),
        ("uint32\"\nbits", "int32\"\nbits", 'point[3].type = "int32": must be one of "uint16", "uint32"'),
        ("scale = 0.1", "counter = \"none\"", "point[0].counter: only for a register that counts energy or pulses"),
        ("scale = 0.1", "includes_battery_discharge = true", "only for a register that counts energy or pulses"),
        ("scale = 0.1", "states = { 1 = 1 }", "point[0].states: only for an operating_state"),
        ("scale = 0.1", "bits = { 1 = 1 }", "point[0].bits: only for event_bits"),
        ('counter = "lifetime"', 'counter = "daily"', 'point[4].counter = "daily": must be one of "lifetime", "none"'),
        ("address = 13", "address = 12", "point[1].address = 12: shares registers with point[0], ac_power at 11"),
    ],
)  # fmt: skip
def test_one_slip_is_one_problem_with_place_value_and_what_is_allowed(old: str, new: str, expected: str) -> None:
    (said,) = told(changed(old, new))
    assert expected in said
    assert said.startswith("devices/some-device.toml:")


def test_no_number_is_longer_than_a_request() -> None:
    said = told(changed("max_registers = 40", "max_registers = 1"))
    assert [one.partition(": ")[2] for one in said] == [
        f'point[{at}].type = "{type}": takes 2 registers, and max_registers is 1'
        for at, type in ((0, "int32"), (3, "uint32"), (4, "uint32"))
    ]


def test_a_unit_with_another_zero_does_not_go_with_a_power_of_ten() -> None:
    text = changed('"dc_current"', '"temp_heatsink"').replace("scale_register = 14", 'scale_register = 14\nunit = "K"')
    (said,) = told(text)
    assert said.endswith("scale_register = 14: cannot go with a unit that begins elsewhere than degC")


def test_all_slips_are_told_at_once_in_the_files_order() -> None:
    text = (
        changed("address = 11", "address = 0").replace('"input-1"', '"x"').replace('counter = "lifetime"', "count = 1")
    )
    assert [said.split(":")[1] for said in told(text)] == ["8", "15", "36"]


def test_a_value_stands_in_one_place() -> None:
    text = GOOD + '[[point]]\nquantity = "ac_power"\naddress = 60\ntype = "int16"\n'
    assert told(text) == ['devices/some-device.toml:38: point[5].quantity = "ac_power": point[0] is ac_power already']


def test_two_quantities_may_come_from_the_same_registers() -> None:
    text = GOOD + '[[point]]\nquantity = "grid_power"\naddress = 11\ntype = "int32"\nsign = -1\n'
    assert len(load_map(text, "x", "y").points) == 6


@pytest.mark.parametrize("name", ["sunspec", "Meter", "my_map", ""])
def test_a_map_has_a_name_of_its_own(name: str) -> None:
    (said,) = told(GOOD, name)
    assert f'"{name}" names the map' in said


def test_a_map_without_anything_to_read_is_none() -> None:
    text = (
        GOOD[: GOOD.index("[[point]]")] + '[[point]]\nquantity="ac_energy"\naddress=1\ntype="uint32"\ncounter="none"\n'
    )
    (said,) = told(text)
    assert "nothing in here is worth reading" in said


def test_every_map_of_the_folder_is_known_by_its_files_name(tmp_path: Path) -> None:
    (tmp_path / "good.toml").write_text(GOOD)
    (tmp_path / "bad.toml").write_text(changed('"int32"', '"long"'))
    (tmp_path / "torn.toml").write_bytes(b"\xff\xfe")
    (tmp_path / ".hidden.toml").write_text("x")
    (tmp_path / "notes.txt").write_text("x")
    (tmp_path / "folder.toml").mkdir()
    maps = load_maps(tmp_path)
    assert set(maps.good) == {"good"}
    assert maps.bad == {"bad", "torn", "folder"}
    assert len(maps.problems) == 3
    assert maps.fault("good") == maps.fault("sunspec") == ""
    assert maps.fault("bad") == "this register map has problems of its own and can't be used"
    assert maps.fault("other") == 'must be one of "sunspec", "good"'


def test_no_folder_is_no_maps_and_a_file_in_its_place_a_problem(tmp_path: Path) -> None:
    assert load_maps(tmp_path / "devices").problems == ()
    (tmp_path / "devices").write_text("")
    (problem,) = load_maps(tmp_path / "devices").problems
    assert "cannot be read" in str(problem)


def house(folder: Path, map: str, watcher: str = "") -> Path:
    """A watcher file with one site, its meter read by a map of this name."""
    (folder / "sites").mkdir()
    (folder / "devices").mkdir()
    site = (CONFIG / "sites" / "example-home.toml").read_text()
    (folder / "sites" / "home-1.toml").write_text(site.replace("unit = 2\n", f'unit = 2\nmap = "{map}"\n'))
    (folder / "devices" / "good-meter.toml").write_text(GOOD)
    (folder / "devices" / "bad-meter.toml").write_text(changed('"int32"', '"long"'))
    text = (CONFIG / "watcher.toml").read_text()
    (folder / "watcher.toml").write_text(re.sub(r'devices_folder = "devices".*\n', watcher, text))
    return folder / "watcher.toml"


def test_a_site_may_name_any_good_map(tmp_path: Path) -> None:
    watcher = house(tmp_path, "good-meter")
    (tmp_path / "devices" / "bad-meter.toml").unlink()
    assert check(watcher, {}) == []
    (site,) = load_sites(tmp_path / "sites", load_maps(tmp_path / "devices")).good.values()
    assert site.at(2**41).sources[1].map == "good-meter"


def test_a_site_that_names_no_map_there_is_gets_the_list(tmp_path: Path) -> None:
    problems = check(house(tmp_path, "god-meter"), {})
    assert len(problems) == 2  # the site's, and that of the bad map beside it
    assert 'source[1].map = "god-meter": must be one of "sunspec", "good-meter"' in str(problems[1])
    assert load_sites(tmp_path / "sites", load_maps(tmp_path / "devices")).good == {}


def test_a_site_whose_map_is_bad_is_bad_and_both_are_told(tmp_path: Path) -> None:
    problems = [str(problem) for problem in check(house(tmp_path, "bad-meter"), {})]
    assert "bad-meter.toml:9: point[0].type" in problems[0]
    assert 'source[1].map = "bad-meter": this register map has problems of its own' in problems[1]


def test_the_daemon_is_not_put_together_by_a_bad_map_and_says_why(tmp_path: Path) -> None:
    with pytest.raises(SetupError) as error:
        assemble(house(tmp_path, "bad-meter"))
    assert ["bad-meter.toml" in str(problem) for problem in error.value.problems] == [True, False]
    assert not (tmp_path.parent / "data").exists()  # nothing was started


def test_the_folder_of_maps_may_be_another_and_must_then_be_there(tmp_path: Path) -> None:
    watcher = house(tmp_path, "good-meter", 'devices_folder = "maps"\n')
    assert 'devices_folder = "maps": no such folder' in str(check(watcher, {})[0])
    (tmp_path / "devices" / "bad-meter.toml").unlink()
    (tmp_path / "devices").rename(tmp_path / "maps")
    assert check(watcher, {}) == []


def test_a_record_of_the_past_keeps_a_map_that_is_gone(tmp_path: Path) -> None:
    house(tmp_path, "map-of-old")
    assert set(load_sites(tmp_path / "sites").good) == {"home-1"}


def keys_in(keys: Keys) -> set[str]:
    return {*keys, *(inner for key in keys.values() if key.inside for inner in keys_in(key.inside))}


def test_every_key_of_a_map_is_shown_in_the_example() -> None:
    text = (DEVICES / "example-inverter.toml").read_text()
    assert [
        key for key in keys_in({**MAP_FILE, **DEVICE, **point({})}) if not re.search(rf"\b{key}\b( =|\])", text)
    ] == []


def test_the_example_maps_read_what_their_comments_say() -> None:
    maps = load_maps(DEVICES)
    assert maps.problems == ()
    assert set(maps.good) == {"example-inverter", "example-meter", "simulated-inverter"}
    assert maps.good["example-inverter"].facts() == (
        CounterFact("ac_energy", Counting.LIFETIME, True),
        CounterFact("energy_export", Counting.NONE, None),
    )
    inputs = at(
        40, [0xFFFF, 0xFF38, *[0] * 8, 512, 0x8000, 3812, 0xFFFF, 0xFFFE, *[0] * 5, 0x999A, 0x3F99, 421, *[0] * 37]
    )
    device = {**inputs, **at(100, [0x0001, 0xE240])} | {10: 3, 11: 0x0002, 12: 0x0009}
    reader = RegisterMapReader("inverter-1", maps.good["example-inverter"], "inverter", "exported")
    poll, _ = play(reader.poll(0), device)
    assert dict(poll.decoded.values) == {
        "inverter-1.ac_power": -20.0,
        "inverter-1.input-1.dc_current": 5.12,
        "inverter-1.input-1.dc_voltage": 381.2,
        "inverter-1.grid_power": -1200.0,
        "inverter-1.ac_energy": 12_345_600.0,
        "inverter-1.temp_heatsink": 42.1,
        "inverter-1.operating_state": 5.0,
        "inverter-1.event_bits": float(1 << 0 | 1 << 10 | 1 << 7),
    }


@pytest.mark.parametrize("seed", range(4))
def test_no_file_and_no_register_brings_out_what_is_not_promised(seed: int) -> None:
    counted = fuzz(seed, 150)
    assert min(counted["refused"], counted["readings"] // 10) > 10


TEXT = st.text('a1-_. \n"é', max_size=6)
NESTED = st.recursive(
    st.booleans() | st.integers() | st.just(10**400) | st.floats() | TEXT | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=8,
)
NAMES = sorted({**DEVICE, **point({})})


@given(st.dictionaries(st.sampled_from(NAMES), NESTED), st.dictionaries(st.sampled_from(NAMES), NESTED))
def test_a_value_of_any_kind_under_any_key_is_a_problem_with_a_place(device: object, entry: object) -> None:
    page = Page("any.toml")
    page.table({"device": device, "point": [entry]}, MAP_FILE)
    with pytest.raises(SetupError):
        page.refuse()  # something is missing, whatever else is there
    assert all(problem.key and problem.allowed for problem in page.problems)

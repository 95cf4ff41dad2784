"""A register map written as text reads back as the same map."""

from __future__ import annotations

import random
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.collect.modbus.fuzz_register_map import some_map
from tests.probe.seeing import DEVICES, device_map, loaded, seen_inverter
from watcher.config import load_map
from watcher.domain.errors import SetupError
from watcher.probe.judge import judge
from watcher.probe.map_text import map_text, quoted
from watcher.probe.readout import shifted
from watcher.probe.suspicion import applied
from watcher.simulate.odd_registers import Slip


@pytest.mark.parametrize("name", sorted(path.stem for path in DEVICES.glob("*.toml")))
def test_every_example_map_comes_back_the_same(name: str) -> None:
    registers = device_map(name)
    assert load_map(map_text(registers), "written", name) == registers


@given(st.integers(0, 2**32))
def test_any_map_that_can_be_read_comes_back_the_same(seed: int) -> None:
    try:
        registers = loaded(some_map(random.Random(seed)))
    except SetupError:
        return
    assert loaded(map_text(registers)) == registers


def test_comments_stand_above_their_point_and_change_nothing() -> None:
    registers = device_map()
    written = map_text(registers, {"ac_power": ["seen: 0000 0931, 2353 W"]}, ["As seen."])
    assert written.startswith("# As seen.\n")
    assert '# seen: 0000 0931, 2353 W\n[[point]]\nquantity = "ac_power"\n' in written
    assert load_map(written, "written", registers.name) == registers


@pytest.mark.parametrize("slip", [one for one in Slip if one is not Slip.NONE])
def test_a_map_put_right_can_be_written_and_read(slip: Slip) -> None:
    registers = device_map()
    for suspicion in judge(seen_inverter(slip, apart_s=60.0)).suspicions:
        registers = applied(registers, suspicion)
    assert load_map(map_text(registers), "written", registers.name) == registers
    assert registers != device_map()


def test_addresses_without_a_common_base_are_refused() -> None:
    registers = device_map()
    first, *rest = registers.points
    odd = shifted(first, -1)
    with pytest.raises(ValueError, match="no common base"):
        map_text(type(registers)(registers.name, registers.description, (odd, *rest)))


@given(st.text())
def test_any_text_comes_back_from_its_quotes(text: str) -> None:
    assert tomllib.loads(f"text = {quoted(text)}") == {"text": text}

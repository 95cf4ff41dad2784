"""Every kind of number of several registers, in either order: told apart where it can be, and left alone where not."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probe.seeing import loaded, seen_values
from watcher.collect.modbus.blocks import Table
from watcher.collect.modbus.register_map import NumberType, Order, RegisterMap
from watcher.probe.judge import judge
from watcher.probe.readout import Readout
from watcher.probe.seen import Facts, Sample, UnitSeen
from watcher.probe.suspicion import Suspect

ORDERS = [Order.HIGH_FIRST, Order.LOW_FIRST]
LONG = [type for type in NumberType if type.size > 1]
AS_INVERTER = Facts(role="inverter")


def one_number(quantity: str, type: NumberType, order: Order, unit: str = "W") -> RegisterMap:
    return loaded(
        f'[device]\ndescription = "x"\nword_order = "{order}"\n'
        f'[[point]]\nquantity = "{quantity}"\naddress = 0\ntype = "{type}"\nunit = "{unit}"\n'
    )


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("type", LONG)
def test_the_other_order_of_any_type_is_told_and_the_right_one_is_not(type: NumberType, order: Order) -> None:
    mapped = one_number("ac_power", type, order)
    built = one_number("ac_power", type, next(one for one in ORDERS if one is not order))
    watts = [{"ac_power": 2345.5 + n if type.is_float else 2345.0 + n} for n in range(3)]
    seen = seen_values(mapped, watts, AS_INVERTER, built=built)
    judgement = judge(seen)
    assert [one.suspect for one in judgement.suspicions] == [Suspect.WORD_ORDER]
    assert judgement.fixed is not None
    assert Readout.of(seen, judgement.fixed).values(judgement.fixed.points[0]) == tuple(w["ac_power"] for w in watts)
    assert judge(seen_values(built, watts, AS_INVERTER)).suspicions == ()


@pytest.mark.parametrize("type", LONG)
def test_a_kilowatt_hour_counter_in_the_other_order_is_told_by_its_size(type: NumberType) -> None:
    mapped = one_number("ac_energy", type, Order.HIGH_FIRST, "kWh")
    built = one_number("ac_energy", type, Order.LOW_FIRST, "kWh")
    seen = seen_values(mapped, [{"ac_energy": 12_345_000.0}] * 3, AS_INVERTER, built=built)
    assert [one.suspect for one in judge(seen).suspicions] == [Suspect.WORD_ORDER]


@given(
    st.sampled_from([t for t in LONG if t is not NumberType.FLOAT64]),
    st.sampled_from(ORDERS),
    st.lists(st.integers(-60, 20_000), min_size=1, max_size=3),
)
def test_no_power_of_a_home_in_the_right_order_is_suspected(type: NumberType, order: Order, watts: list[int]) -> None:
    least = 0 if not type.is_signed else -60
    moments = [{"ac_power": float(max(w, least))} for w in watts]
    assert judge(seen_values(one_number("ac_power", type, order), moments, AS_INVERTER)).suspicions == ()


@given(st.integers(1, 1_000_000_000), st.integers(0, 20), st.sampled_from(ORDERS))
def test_no_counter_of_a_home_in_the_right_order_is_suspected(start: int, step: int, order: Order) -> None:
    if start % 65536 == 0 and step == 0:
        return  # one counter in 65536 stands at a number whose lower half is nought, and looks like the other order
    moments = [{"ac_energy": float(start + n * step)} for n in range(3)]
    seen = seen_values(one_number("ac_energy", NumberType.UINT32, order, "Wh"), moments, AS_INVERTER)
    assert judge(seen).suspicions == ()


def test_kilowatts_in_a_float_taken_for_watts_are_a_matter_of_unit() -> None:
    mapped = loaded(
        '[device]\ndescription = "x"\n'
        '[[point]]\nquantity = "ac_power"\naddress = 0\ntype = "float32"\n'
        '[[point]]\nquantity = "ac_voltage"\naddress = 2\ntype = "float32"\n'
        '[[point]]\nquantity = "ac_current"\naddress = 4\ntype = "float32"\n'
    )
    values = {"ac_power": 2.345, "ac_voltage": 241.0, "ac_current": 9.75}
    (suspicion,) = judge(seen_values(mapped, [values] * 3, replace(AS_INVERTER, rating_w=3680.0))).suspicions
    assert (suspicion.suspect, str(suspicion.fixes[0])) == (Suspect.KILO, 'unit = "kW"')


def test_a_factor_the_device_keeps_in_a_register_is_put_right_with_a_scale_of_its_own() -> None:
    mapped = loaded(
        '[device]\ndescription = "x"\n'
        '[[point]]\nquantity = "ac_voltage"\naddress = 0\ntype = "uint16"\nscale_register = 1\n'
        '[[point]]\nquantity = "temp_heatsink"\naddress = 2\ntype = "int16"\n'
    )
    values = {"ac_voltage": 2413.0, "temp_heatsink": 40.0}  # the register of the factor holds nought
    seen = seen_values(mapped, [values] * 3, AS_INVERTER)
    (suspicion,) = judge(seen).suspicions
    assert (suspicion.suspect, str(suspicion.fixes[0])) == (Suspect.FACTOR, "scale = 0.1")


@pytest.mark.parametrize(
    ("factor", "suspect", "told"),
    [
        (None, Suspect.NOT_ANSWERED, "ac_voltage: its power of ten, function 3, address 1"),
        (0x8000, Suspect.IMPLAUSIBLE, "ac_voltage: 8000 is no power of ten from -10 to 10"),
        (0x0BAD, Suspect.IMPLAUSIBLE, "ac_voltage: 0BAD is no power of ten from -10 to 10"),
    ],
)
def test_a_factor_that_is_none_is_said(factor: int | None, suspect: Suspect, told: str) -> None:
    mapped = loaded(
        '[device]\ndescription = "x"\n'
        '[[point]]\nquantity = "ac_voltage"\naddress = 0\ntype = "uint16"\nscale_register = 1\n'
    )
    words = {(Table.HOLDING, 0): 2413, **({} if factor is None else {(Table.HOLDING, 1): factor})}
    (suspicion,) = judge(UnitSeen(1, mapped, (Sample(0, words),), AS_INVERTER)).suspicions
    assert (suspicion.suspect, suspicion.evidence) == (suspect, (told,))

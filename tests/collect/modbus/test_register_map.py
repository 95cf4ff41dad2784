"""Registers to values as a map says, and a device read by its map, without a wire."""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.collect.modbus.wire import Answer, Question, at, hold, play
from watcher.collect.modbus.blocks import Span, Table
from watcher.collect.modbus.map_numbers import decoder, sentinel
from watcher.collect.modbus.map_reader import RegisterMapReader, measures_of_map
from watcher.collect.modbus.plan import Decoded, DeviceRole
from watcher.collect.modbus.reader import Poll
from watcher.collect.modbus.register_map import CounterFact, Counting, MapPoint, NumberType, Order, RegisterMap
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import DAY_MS
from watcher.domain.quantity import QUANTITIES
from watcher.table.units import Unit, units_of

HIGH, LOW = Order.HIGH_FIRST, Order.LOW_FIRST
STRUCT = dict(zip(NumberType, "hHiIqQfd", strict=True))


def point(name: str = "ac_power", type: str = "int16", first: int = 0, **said: object) -> MapPoint:
    kind = NumberType(type)
    return replace(MapPoint(name, first, kind, Span(first, kind.size)), **said)  # type: ignore[arg-type]


def packed(type: NumberType, number: float, word: Order = HIGH, byte: Order = HIGH) -> list[int]:
    """The registers of a number, put together by struct alone."""
    raw = struct.pack(">" + STRUCT[type], number)
    pairs = [raw[start : start + 2] for start in range(0, len(raw), 2)]
    pairs = [pair if byte is HIGH else pair[::-1] for pair in pairs]
    return [int.from_bytes(pair, "big") for pair in (pairs if word is HIGH else pairs[::-1])]


@pytest.mark.parametrize(
    ("type", "word", "byte", "words", "value"),
    [
        # The four orders of 123.45 and their usual letters, from a published tutorial on float registers.
        pytest.param("float32", HIGH, HIGH, [0x42F6, 0xE666], 123.45, id="ABCD"),
        pytest.param("float32", LOW, HIGH, [0xE666, 0x42F6], 123.45, id="CDAB"),
        pytest.param("float32", HIGH, LOW, [0xF642, 0x66E6], 123.45, id="BADC"),
        pytest.param("float32", LOW, LOW, [0x66E6, 0xF642], 123.45, id="DCBA"),
        # From the register tables printed in the manuals of a flow meter and of a controller, high end first.
        pytest.param("float32", HIGH, HIGH, [0x425D, 0x47AE], 55.32, id="55.32"),
        pytest.param("float32", HIGH, HIGH, [0xBF80, 0x0000], -1.0, id="minus one"),
        pytest.param("uint32", HIGH, HIGH, [0x1234, 0x5678], 0x12345678, id="hex 12345678"),
        # Common practice, no source.
        pytest.param("uint32", LOW, HIGH, [0x5678, 0x1234], 0x12345678, id="low word first"),
        pytest.param("int32", LOW, HIGH, [0xFFFE, 0xFFFF], -2, id="a negative number, low word first"),
        pytest.param("uint64", LOW, HIGH, [4, 3, 2, 1], 0x0001_0002_0003_0004, id="four registers, lowest first"),
        pytest.param("uint16", LOW, LOW, [0x3412], 0x1234, id="one register has bytes but no word order"),
    ],
)
def test_a_number_is_put_together_in_the_order_the_map_says(
    type: str, word: Order, byte: Order, words: list[int], value: float
) -> None:
    read = decoder(point("pulse_count", type, word_order=word, byte_order=byte))
    assert read(words) == value


@given(st.sampled_from(list(NumberType)), st.sampled_from(Order), st.sampled_from(Order), st.data())
def test_what_struct_packs_in_any_order_reads_as_the_same_number(
    type: NumberType, word: Order, byte: Order, data: st.DataObject
) -> None:
    width = type.bits if type.is_float else None
    numbers = st.floats(allow_nan=False, allow_infinity=False, width=width) if width else st.integers(*type.range)
    number = data.draw(numbers)
    read = decoder(point("ac_power", type, word_order=word, byte_order=byte))(packed(type, number, word, byte))
    assert read is not None
    same = struct.unpack(">f", struct.pack(">f", read))[0] if type is NumberType.FLOAT32 else read
    assert same == float(number)
    assert math.copysign(1, read) == 1 or read != 0


DIGITS = st.decimals(min_value=Decimal("1e-9"), max_value=Decimal("1e9"), places=6).filter(bool)


@given(st.sampled_from([t for t in NumberType if not t.is_float]), DIGITS, st.sampled_from([1, -1]), st.data())
def test_a_scaled_whole_number_is_the_nearest_float_to_the_exact_product(
    type: NumberType, scale: Decimal, sign: int, data: st.DataObject
) -> None:
    raw = data.draw(st.integers(*type.range))
    read = decoder(point("ac_power", type, scale=scale * sign, unit=units_of(QUANTITIES["ac_power"])["kW"]))
    exact = float(Fraction(raw) * Fraction(scale) * sign * 1000)
    assert read(packed(type, raw)) == pytest.approx(exact, rel=1e-15, abs=0.0)


@pytest.mark.parametrize(
    ("name", "type", "raw", "scale", "unit", "value"),
    [
        pytest.param("dc_voltage", "uint16", 5012, "0.1", "V", 501.2, id="501.2, not 501.20000000000005"),
        pytest.param("ac_power", "float32", 0.027, "1", "kW", 27.0, id="27.0, not 27.000000000000004"),
        pytest.param("ac_energy", "uint32", 1234567, "0.1", "kWh", 123_456_700.0, id="tenths of kWh"),
        pytest.param("ac_power", "int16", 250, "-0.01", "kW", -2500.0, id="the other sign"),
        pytest.param("temp_heatsink", "uint16", 3152, "0.1", "K", 42.05, id="kelvin"),
        pytest.param("temp_air", "int16", 212, "1", "degF", 100.0, id="fahrenheit"),
        pytest.param("ac_power", "float32", 0.0, "-1", "W", 0.0, id="nothing has no sign"),
        pytest.param("dc_current", "int16", -5, "0.001", "A", -0.005, id="below zero"),
    ],
)
def test_scale_unit_and_sign_give_the_written_digits(
    name: str, type: str, raw: float, scale: str, unit: str, value: float
) -> None:
    one = point(name, type, scale=Decimal(scale), unit=units_of(QUANTITIES[name])[unit])
    read = decoder(one)(packed(one.type, raw))
    assert repr(read) == repr(value)


@pytest.mark.parametrize(
    ("type", "written", "words"),
    [
        ("int16", 0x8000, [0x8000]),
        ("int16", -32768, [0x8000]),
        ("int16", 0x7FFF, [0x7FFF]),
        ("uint16", 0xFFFF, [0xFFFF]),
        ("int32", 0x8000_0000, [0x8000, 0]),
        ("uint32", 0xFFFF_FFFF, [0xFFFF, 0xFFFF]),
        ("int64", 0x8000_0000_0000_0000, [0x8000, 0, 0, 0]),
        ("float32", 9999.9, packed(NumberType.FLOAT32, 9999.9)),
        ("float32", 3.4028235e38, [0x7F7F, 0xFFFF]),
        ("float64", -1, packed(NumberType.FLOAT64, -1.0)),
        ("float32", 0, [0, 0]),
        ("float32", 0, [0x8000, 0]),  # minus zero is the same number
    ],
)
def test_an_absent_code_is_meant_as_it_reads_or_as_its_bits(type: str, written: float, words: list[int]) -> None:
    one = point("ac_power", type)
    assert decoder(one)(words) is not None
    assert decoder(replace(one, sentinels=frozenset({sentinel(one.type, written)})))(words) is None


@pytest.mark.parametrize(
    ("type", "written"),
    [
        ("uint16", -1),
        ("uint16", 65536),
        ("int16", -32769),
        ("int16", 0x1_0000),
        ("int16", 1.5),
        ("float32", 1e39),
        ("float64", math.inf),
        ("float64", 10**400),
    ],
)
def test_what_a_register_cannot_hold_is_no_absent_code(type: str, written: float) -> None:
    with pytest.raises(ValueError, match=r"is no|never"):
        sentinel(NumberType(type), written)


def test_only_listed_codes_are_absent() -> None:
    assert decoder(point("ac_power", "int16"))([0x8000]) == -32768
    assert decoder(point("ac_power", "uint32"))([0xFFFF, 0xFFFF]) == 0xFFFF_FFFF


@pytest.mark.parametrize("words", [[0x7FC0, 0], [0x7F80, 0], [0xFF80, 0], [0x7F80, 1]])
def test_a_float_that_is_no_number_is_absent_unlisted(words: list[int]) -> None:
    assert decoder(point("ac_power", "float32"))(words) is None


def test_a_scale_that_makes_a_number_infinite_makes_it_none() -> None:
    one = point("ac_power", "float64", scale=Decimal(10**9))
    assert decoder(one)(packed(one.type, 1e299)) == 1e308
    assert decoder(one)(packed(one.type, 1.7e308)) is None


def test_a_state_becomes_ours_and_one_that_is_not_listed_says_nothing() -> None:
    read = decoder(point("operating_state", "int16", states={0: 8, 2: 4, -1: 7}, sentinels=frozenset({2})))
    assert [read([word]) for word in (0, 1, 2, 0xFFFF)] == [8, None, None, 7]


def test_each_listed_bit_finds_its_place_and_two_may_meet() -> None:
    read = decoder(point("event_bits", "uint32", bits={0: 0, 3: 10, 17: 7, 31: 7}))
    assert read([0, 0]) == 0
    assert read([0, 0b1001]) == 1 << 10 | 1
    assert read([0x8002, 0]) == 1 << 7
    assert read([0x7FFD, 0xFFF6]) == 0  # everything that is not listed


METER = RegisterMap(
    "meter",
    "",
    (
        point("energy_import", "uint32", 10, includes_battery_discharge=False),
        point("energy_export", "uint32", 20),
        point("ac_energy", "uint32", 30, counter=Counting.NONE, includes_battery_discharge=True),
        point("ac_power", "int16", 0),
        point("energy_today", "uint16", 40),
    ),
)


def test_a_counter_that_does_not_count_is_known_and_never_read() -> None:
    assert METER.facts() == (
        CounterFact("energy_import", Counting.LIFETIME, False),
        CounterFact("energy_export", Counting.LIFETIME, None),
        CounterFact("ac_energy", Counting.NONE, True),
    )
    channels = [measure.channel for measure in measures_of_map(METER, "meter-1", "meter", "exported")]
    assert channels == [f"meter-1.{q}" for q in ("energy_import", "energy_export", "ac_power", "energy_today")]
    _, asked = poll(RegisterMapReader("meter-1", METER, "meter", "exported"), at(0, [1] * 60))
    assert asked == [Span(0, 41)]


@pytest.mark.parametrize(("counts", "first"), [("exported", 20), ("imported", 10)])
def test_the_index_of_a_generation_meter_is_the_register_the_site_says(counts: str, first: int) -> None:
    measures = measures_of_map(METER, "meter-1", "generation-meter", counts)
    (index,) = [measure for measure in measures if measure.channel == "meter-1.energy_index"]
    assert index.value == Span(first, 2)
    roles: tuple[DeviceRole, ...] = ("meter", "inverter")
    for role in roles:
        assert len(measures_of_map(METER, "meter-1", role, counts)) == len(measures) - 1


def test_an_index_the_map_has_itself_is_the_index() -> None:
    registers = replace(METER, points=(*METER.points, point("energy_index", "uint32", 50)))
    measures = measures_of_map(registers, "meter-1", "generation-meter", "exported")
    assert [m.value.first for m in measures if m.channel == "meter-1.energy_index"] == [50]


def test_a_generation_meter_without_any_index_is_said_once() -> None:
    reader = RegisterMapReader("meter-1", one_map(point()), "generation-meter", "exported")
    assert poll(reader, {0: 7})[0].notes == ("the map has no index for a generation meter",)
    assert poll(reader, {0: 7})[0].notes == ()


def one_map(*points: MapPoint, max_registers: int = 125) -> RegisterMap:
    return RegisterMap("some-map", "", points, max_registers)


def reader_of(*points: MapPoint, max_registers: int = 125) -> RegisterMapReader:
    return RegisterMapReader("d-1", one_map(*points, max_registers=max_registers), "inverter", "exported")


def poll(reader: RegisterMapReader, device: object, now_ms: int = 0) -> tuple[Poll, list[Span]]:
    return play(reader.poll(now_ms), device)  # type: ignore[arg-type]


def read(reader: RegisterMapReader, device: object, now_ms: int = 0) -> Decoded:
    return poll(reader, device, now_ms)[0].decoded


SCALED = point("ac_power", "int16", 0, scale_register=Span(1, 1))


@pytest.mark.parametrize(
    ("words", "value"),
    [
        # Field case A2, by a map: 2900 W, 3210 W, 2900.0 W, and a factor that is none.
        ([0x0B54, 0x0000], 2900.0),
        ([0x0141, 0x0001], 3210.0),
        ([0x7148, 0xFFFF], 2900.0),
        ([0x0B40, 0x8000], None),
        ([0x0B40, 11], None),
    ],
)
def test_case_a2_a_scale_register_is_read_with_its_value_each_time(words: list[int], value: float | None) -> None:
    reader = reader_of(SCALED)
    play(reader.poll(0), {0: 1, 1: 0})
    got, asked = poll(reader, at(0, words), 60_000)
    assert got.decoded.values.get("d-1.ac_power") == value
    assert asked == [Span(0, 2)]
    assert got.notes == (() if value is not None else ("ac_power at 0 has no usable scale factor",))


def test_a_unit_is_applied_to_exact_digits_before_the_power_of_ten() -> None:
    milliamperes = units_of(QUANTITIES["dc_current"])["mA"]
    reader = reader_of(point("dc_current", "int16", 0, scale_register=Span(1, 1), unit=milliamperes))
    assert read(reader, {0: 1234, 1: 0xFFFF}).values == {"d-1.dc_current": 0.1234}


@pytest.mark.parametrize("place", [200, 0], ids=["factor after", "factor before"])
def test_case_a2_a_scale_register_too_far_away_is_read_before_and_after(place: int) -> None:
    far = point("ac_power", "int16", 100, scale_register=Span(place + 60, 1))
    reader = reader_of(far, point("frequency", "uint16", 101, scale=Decimal("0.01")), max_registers=20)
    registers = {100: 2900, 101: 5000, place + 60: 0}
    assert read(reader, registers).values == {"d-1.ac_power": 2900.0, "d-1.frequency": 50.0}
    turn = [0]

    def moving(question: Question) -> Answer:
        """The factor moves once the value has been read, or, where it stands first, just before."""
        turn[0] += question.first == place + 60
        changed = {100: 290, place + 60: 1} if turn[0] > 1 else registers
        return hold({**registers, **changed})(question)

    got = read(reader, moving, 60_000)
    assert got.values == {"d-1.frequency": 50.0}
    assert got.moved == ("ac_power at 100",)
    assert read(reader, moving, 120_000).values == {"d-1.ac_power": 2900.0, "d-1.frequency": 50.0}


def test_a_device_that_will_not_give_value_and_factor_in_one_request_gives_them_apart() -> None:
    def short(question: Question) -> Answer:
        return 3 if question.count > 1 else hold({0: 29, 1: 2})(question)

    reader = reader_of(SCALED)
    assert read(reader, short).values == {"d-1.ac_power": 2900.0}
    assert read(reader, short, 60_000).values == {"d-1.ac_power": 2900.0}


def test_no_request_is_longer_than_the_map_allows() -> None:
    reader = reader_of(*(point(f"input-{n}.dc_power", "uint32", 6 * n) for n in range(1, 30)), max_registers=20)
    got, asked = poll(reader, at(0, [0, 1] * 100))
    assert max(span.count for span in asked) <= 20
    assert len(got.decoded.values) == 29
    assert {value % 0xFFFF for value in got.decoded.values.values()} == {1}


def test_the_two_tables_of_one_device_are_both_read() -> None:
    holding = point("ac_power", "uint16", 5)
    both = replace(point("frequency", "uint16", 5), value=Span(5, 1, Table.INPUT))

    def answer(question: Question) -> Answer:
        return [50 if question.function == 4 else 1234] * question.count

    assert read(reader_of(holding, both), answer).values == {"d-1.ac_power": 1234.0, "d-1.frequency": 50.0}


def test_a_point_that_is_not_there_is_said_once_and_costs_only_itself() -> None:
    reader = reader_of(point("ac_power", "uint16", 0), point("dc_power", "uint32", 2))
    assert poll(reader, {0: 7})[0] == Poll(Decoded({"d-1.ac_power": 7.0}), None, ("dc_power at 2 is not available",))
    assert poll(reader, {0: 7}, 60_000) == (Poll(Decoded({"d-1.ac_power": 7.0}), None, ()), [Span(0, 1)])
    assert len(poll(reader, at(0, [7, 0, 0, 9]), DAY_MS)[0].decoded.values) == 2


def test_a_value_outside_its_range_is_no_measurement_and_is_said_once_until_it_is_over() -> None:
    reader = reader_of(point("dc_voltage", "uint16", 0, scale=Decimal("0.1")), point("ac_power", "uint16", 1))
    notes = []
    for word in (3812, 0xFFFF, 0xFFFF, 3812, 0xFFFF):
        got = poll(reader, {0: word, 1: 5})[0]
        notes.append(got.notes)
        assert got.decoded.values == {"d-1.ac_power": 5.0} | ({"d-1.dc_voltage": 381.2} if word == 3812 else {})
    odd = ("dc_voltage at 0 is outside -50 to 2000 V",)
    assert notes == [(), odd, (), (), odd]


def test_case_a3_a_zero_accumulator_is_no_value() -> None:
    reader = reader_of(point("ac_energy", "uint32", 0), point("energy_today", "uint16", 2))
    assert read(reader, at(0, [0, 0, 0])).values == {"d-1.energy_today": 0.0}


def test_a_stranger_that_refuses_its_whole_map_is_a_matter_of_setup_and_an_acquaintance_is_not() -> None:
    reader = reader_of(point())
    with pytest.raises(CollectError, match='refuses every register of the map "some-map"') as caught:
        poll(reader, {})
    assert caught.value.remedy is Remedy.FIX_SETUP
    poll(reader, {0: 1})
    with pytest.raises(CollectError) as caught:
        poll(reader, {})
    assert caught.value.remedy is Remedy.RETRY


@pytest.mark.parametrize(("code", "remedy"), [(1, Remedy.FIX_SETUP), (4, Remedy.RETRY), (6, Remedy.RETRY)])
def test_a_device_in_trouble_is_asked_again_and_one_without_the_function_needs_a_person(
    code: int, remedy: Remedy
) -> None:
    with pytest.raises(CollectError, match=f"exception {code}") as caught:
        poll(reader_of(point()), lambda _: code)
    assert caught.value.remedy is remedy


def test_a_device_that_was_away_is_put_to_the_test_again() -> None:
    reader = reader_of(point("ac_power", "uint16", 0), point("dc_power", "uint16", 2))
    read(reader, {0: 7})
    reader.away()
    assert len(read(reader, at(0, [7, 8, 9]), 60_000).values) == 2


WORDS = st.lists(st.integers(0, 0xFFFF), min_size=4, max_size=4)


@given(
    st.sampled_from(list(NumberType)),
    st.sampled_from([name for name, quantity in QUANTITIES.items() if quantity.unit]),
    DIGITS,
    st.sampled_from(Order),
    st.sampled_from(Order),
    st.booleans(),
    WORDS,
    st.integers(0, 0xFFFF),
)
def test_whatever_stands_in_the_registers_a_reading_is_finite_and_possible(
    type: NumberType,
    name: str,
    scale: Decimal,
    word: Order,
    byte: Order,
    has_factor: bool,
    words: list[int],
    factor: int,
) -> None:
    place = Span(9, 1) if has_factor and not type.is_float else None
    one = point(name, type, scale=scale, word_order=word, byte_order=byte, scale_register=place, unit=Unit())
    for value in read(reader_of(one), {**at(0, words), 9: factor}).values.values():
        assert isinstance(value, float)
        assert QUANTITIES[name].low <= value <= QUANTITIES[name].high

"""What is a number, what is none, and what could be two."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.collect.mqtt.json_path import Absent, at_path, path_of
from watcher.collect.mqtt.payload import LARGEST, Refusal, contents
from watcher.collect.mqtt.topic_map import TopicRule
from watcher.config import load_topic_map


def rule(quantity: str = "ac_power", *, path: str | None = "v", topic: str = "", value: str = "") -> TopicRule:
    """One value under one topic."""
    where = f"path = '{path}'\n" if path is not None else ""
    text = (
        f'[device]\ndescription = "one"\n[[topic]]\ntopic = "t"\n{topic}\n'
        f'[[topic.value]]\nquantity = "{quantity}"\n{where}{value}\n'
    )
    return load_topic_map(text, "one.toml", "one").topics[0]


def read(payload: str | bytes, by: TopicRule) -> float | Refusal:
    found = contents(payload if isinstance(payload, bytes) else payload.encode(), by)
    assert len(found.values) + len(found.refused) == 1
    return found.values[0][1] if found.values else found.refused[0].why


COMMA = "decimal_comma = true"


@pytest.mark.parametrize(
    ("text", "quantity", "topic", "expected"),
    [
        ("1520", "ac_power", "", 1520.0),
        (" 1520 W\n", "ac_power", "", 1520.0),
        ("-0.5 kW", "ac_power", "", -500.0),
        ("- 3", "ac_power", "", -3.0),
        ("+12", "ac_power", "", 12.0),
        ("1e3", "ac_power", "", 1000.0),
        (".5", "ac_power", "", 0.5),
        ("1 520 310", "ac_power", "", 1_520_310.0),
        ("1\u202f520", "ac_power", "", 1520.0),
        ("1'520 W", "ac_power", "", 1520.0),
        ("12 34", "ac_power", "", Refusal.AMBIGUOUS),
        ("1,520", "ac_power", "", Refusal.AMBIGUOUS),
        ("1.520,5", "ac_power", "", Refusal.AMBIGUOUS),
        ("1.520", "ac_power", COMMA, Refusal.AMBIGUOUS),
        ("1 520,5 W", "ac_power", COMMA, 1520.5),
        ("1,520.5", "ac_power", COMMA, Refusal.AMBIGUOUS),
        ("41.2 °C", "temp_heatsink", "", 41.2),
        ("812.7 kwh", "ac_energy", "", 812_700.0),
        ("5 MW", "ac_power", "", 5_000_000.0),
        ("5 mW", "ac_power", "", Refusal.AMBIGUOUS),
        ("5 V", "ac_power", "", Refusal.AMBIGUOUS),
        ("5 W W", "ac_power", "", Refusal.AMBIGUOUS),
        ("1..2", "ac_power", "", Refusal.AMBIGUOUS),
        ("0x10", "ac_power", "", Refusal.AMBIGUOUS),
        ("12:30", "ac_power", "", Refusal.AMBIGUOUS),
        ("NaN", "ac_power", "", Refusal.NO_VALUE),
        ("-inf", "ac_power", "", Refusal.NO_VALUE),
        ("unavailable", "ac_power", "", Refusal.NO_VALUE),
        ("   ", "ac_power", "", Refusal.NO_VALUE),
        ("--", "ac_power", "", Refusal.NO_VALUE),
        ("off", "ac_power", "", Refusal.NOT_A_NUMBER),
        (".", "ac_power", "", Refusal.NOT_A_NUMBER),
        ("W", "ac_power", "", Refusal.NOT_A_NUMBER),
        ("1e999", "ac_power", "", Refusal.OUT_OF_RANGE),
        ("9" * 29, "ac_power", "", Refusal.OUT_OF_RANGE),
        ("9" * 400, "ac_power", "", Refusal.NOT_A_NUMBER),
        ("65536 Hz", "frequency", "", Refusal.OUT_OF_RANGE),
        ("-1", "ac_energy", "", Refusal.OUT_OF_RANGE),
        ("١٢", "ac_power", "", Refusal.NOT_A_NUMBER),
    ],
)
def test_a_text_is_a_number_only_where_it_can_be_read_in_one_way(
    text: str, quantity: str, topic: str, expected: float | Refusal
) -> None:
    assert read(text, rule(quantity, path=None, topic=topic)) == expected
    assert read(json.dumps({"v": text}), rule(quantity, topic=topic)) == expected


@pytest.mark.parametrize(
    ("document", "expected"),
    [
        ('{"v": 12}', 12.0),
        ('{"v": -0.0}', 0.0),
        ('{"v": Infinity}', Refusal.NO_VALUE),
        ('{"v": -NaN}', Refusal.NO_VALUE),
        ('{"v": nan, "w": "nan"}', Refusal.NO_VALUE),
        ('{"v": "x nan", "w": inf}', Refusal.NOT_A_NUMBER),
        ('{"v": [1]}', Refusal.NOT_A_NUMBER),
        ('{"v": {}}', Refusal.NOT_A_NUMBER),
        ('{"v": false}', Refusal.NOT_A_NUMBER),
        ('{"w": 1}', Refusal.ABSENT),
        ("[1]", Refusal.ABSENT),
        ("7", Refusal.ABSENT),
        ('{"v": 1, "v": 2}', Refusal.AMBIGUOUS),
        ('{"v": 1} x', Refusal.NOT_JSON),
        ("{'v': 1}", Refusal.NOT_JSON),
        ('{"v": 01}', Refusal.NOT_JSON),
        ('{"v": nan', Refusal.NOT_JSON),
        ('{"v": "', Refusal.NOT_JSON),
        ('{"v": "\\', Refusal.NOT_JSON),
        ('{"v": nanny}', Refusal.NOT_JSON),
        ("[" * 30_000, Refusal.NOT_JSON),
        ('{"a":' * 10_000 + "nan", Refusal.NOT_JSON),
        ("[nan," * 10_000, Refusal.NOT_JSON),
        ('{"v": ' + "9" * 10_000 + "}", Refusal.NOT_A_NUMBER),
        ('{"v": 1' + " " * LARGEST + "}", Refusal.TOO_LARGE),
    ],
    ids=lambda value: str(value)[:24],
)
def test_a_good_value_survives_and_nothing_else_is_one(document: str, expected: float | Refusal) -> None:
    found = read(document, rule())
    assert found == expected
    if found == 0.0:
        assert math.copysign(1.0, found) == 1.0


@pytest.mark.parametrize("payload", [b"\xff\xfe1", b'{"v": "\xc3"}'])
def test_bytes_that_are_no_text_are_refused_whole(payload: bytes) -> None:
    assert read(payload, rule()) is Refusal.NOT_TEXT


def test_a_text_of_ten_thousand_open_quotes_costs_no_more_than_its_length() -> None:
    # An open text is stepped over in one go; tried from every quote anew this would take minutes.
    assert read('{"v": "' + '\\"' * 30_000 + "nan", rule()) is Refusal.NOT_JSON


def test_a_unit_after_the_number_holds_but_not_beside_a_scale() -> None:
    assert read('{"v": "1.5 kW"}', rule(value='unit = "W"')) == 1500.0
    assert read('{"v": 1.5}', rule(value='unit = "kW"')) == 1500.0
    assert read('{"v": 15}', rule(value='unit = "kW"\nscale = 0.1\nsign = -1')) == -1500.0
    assert read('{"v": "1.5 kW"}', rule(value='unit = "W"\nscale = 0.1')) is Refusal.AMBIGUOUS


def test_decimals_come_out_as_they_were_written() -> None:
    assert read('{"v": 1.001}', rule("ac_energy", value='unit = "kWh"')) == 1001.0
    assert 1.001 * 1000 != 1001.0  # which is why the digits are read and not the double


def test_a_state_is_one_of_the_listed() -> None:
    by = rule("operating_state", value='states = { running = 4, "7" = 7 }')
    assert read('{"v": "running"}', by) == 4.0
    assert read('{"v": 7}', by) == 7.0
    assert read('{"v": "Running"}', by) is Refusal.NOT_A_NUMBER


@pytest.mark.parametrize(
    ("path", "steps"),
    [
        ("p", ("p",)),
        ("inv.ac[0].p", ("inv", "ac", 0, "p")),
        ("[1]", (1,)),
        ("a[0][12]", ("a", 0, 12)),
        ('"1-0:1.8.0".value', ("1-0:1.8.0", "value")),
        ('x."a[0]"[1]', ("x", "a[0]", 1)),
        ("AC Power".replace(" ", "-"), ("AC-Power",)),
    ],
)
def test_a_path_is_taken_apart(path: str, steps: tuple[str | int, ...]) -> None:
    assert path_of(path) == steps


@pytest.mark.parametrize(
    "path", ["", ".", "a.", ".a", "a..b", "a[", "a[]", "a[-1]", "a[x]", '"', 'a"b"', "a b", "a." * 20]
)
def test_what_is_no_path_is_refused(path: str) -> None:
    with pytest.raises(ValueError, match="is no path"):
        path_of(path)


def test_a_place_that_is_not_there_is_absent_and_null_is_not() -> None:
    document = {"a": [{"b": None}], "0": 1}
    assert at_path(document, path_of("a[0].b")) is None
    for path in ("a[1]", "a.b", "b", "[0]", "a[0].b.c", "a[0][0]"):
        assert at_path(document, path_of(path)) is Absent.HERE


_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from("vwp"), inner, max_size=3),
    max_leaves=8,
)


@given(st.one_of(_JSON.map(json.dumps), st.text(), st.text().map(lambda text: '{"v": ' + text)))
def test_whatever_arrives_a_value_is_finite_and_possible(payload: str) -> None:
    for by in (rule(), rule(path=None), rule(path="v[0].w"), rule(topic=COMMA)):
        for field, value in contents(payload.encode("utf-8", "surrogatepass"), by).values:
            assert field.quantity.low <= value <= field.quantity.high


@given(st.integers(-10_000_000, 10_000_000), st.booleans())
def test_a_number_is_read_as_it_is_however_it_is_written(watts: int, comma: bool) -> None:
    by = rule(topic=COMMA if comma else "")
    sign = "," if comma else "."
    for text in (f"{watts}", f"{watts}{sign}0", f"{watts} W", f"{watts:,}".replace(",", " ")):
        assert read(json.dumps({"v": text}), by) == float(watts)
    assert read(json.dumps({"v": watts}), by) == float(watts)

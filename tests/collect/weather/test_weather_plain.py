"""The plain shape: what is taken, what is left out, what is refused in words."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.collect.weather.answer import NAMES
from watcher.collect.weather.plain import parse, question
from watcher.collect.weather.question import Cell
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import parse_iso
from watcher.domain.reading import Reading

GOOD: dict[str, Any] = {
    "generated": "2026-06-08T12:31:00Z",
    "period_s": 900,
    "label": "mean-ending",
    "time": ["2026-06-08T12:15:00Z", "2026-06-08T12:30:00Z"],
    "ghi": [801.5, 790],
    "dni": [640.0, None],
    "dhi": [120.0, 121.0],
    "temp_air": [-3.5, 18.25],
    "wind_speed": [3.0, 0],
}
FIRST, SECOND = (parse_iso(text) for text in GOOD["time"])


def body(**changes: Any) -> bytes:
    return json.dumps({key: value for key, value in {**GOOD, **changes}.items() if value != "gone"}).encode()


def test_every_value_becomes_a_reading_and_a_null_becomes_none() -> None:
    answer = parse(body(), "weather-nowcast")
    assert (answer.generated_ms, answer.period_s, answer.refused) == (parse_iso("2026-06-08T12:31Z"), 900, ())
    assert answer.readings == (
        Reading("weather-nowcast.ghi", FIRST, 801.5),
        Reading("weather-nowcast.ghi", SECOND, 790.0),
        Reading("weather-nowcast.dni", FIRST, 640.0),
        Reading("weather-nowcast.dhi", FIRST, 120.0),
        Reading("weather-nowcast.dhi", SECOND, 121.0),
        Reading("weather-nowcast.temp_air", FIRST, -3.5),
        Reading("weather-nowcast.temp_air", SECOND, 18.25),
        Reading("weather-nowcast.wind_speed", FIRST, 3.0),
        Reading("weather-nowcast.wind_speed", SECOND, 0.0),
    )
    assert all(type(reading.value) is float for reading in answer.readings)


def test_it_is_asked_for_periods_by_their_ends() -> None:
    asked = question(Cell(53.4, -1.5), FIRST, SECOND)
    assert asked.path == "/irradiance"
    assert dict(asked.fields) == {
        "latitude": "53.4000",
        "longitude": "-1.5000",
        "from": "2026-06-08T12:15:00Z",
        "until": "2026-06-08T12:30:00Z",
    }


def test_an_empty_answer_is_no_reading_and_no_error() -> None:
    nothing: dict[str, Any] = {name: [] for name in ("time", *NAMES)}
    assert parse(body(**nothing), "weather-nowcast").readings == ()


@pytest.mark.parametrize(
    ("name", "value"), [("ghi", 2000.5), ("ghi", -21), ("dhi", 1e9), ("temp_air", 61), ("wind_speed", 10**400)]
)
def test_a_value_out_of_range_is_left_out_and_counted(name: str, value: float) -> None:
    answer = parse(body(**{name: [value, GOOD[name][1]]}), "weather-nowcast")
    assert Reading(f"weather-nowcast.{name}", FIRST, value) not in answer.readings
    assert len(answer.readings) == 8
    assert len(answer.refused) == 1
    assert answer.refused[0].startswith(f"{name} = ")


@pytest.mark.parametrize(
    ("answer", "remedy", "message"),
    [
        pytest.param(b"", Remedy.RETRY, "no JSON", id="empty"),
        pytest.param(body()[:-20], Remedy.RETRY, "no JSON", id="cut short"),
        pytest.param(b"<html>Welcome</html>", Remedy.RETRY, "no JSON", id="a page"),
        pytest.param(b"\xff\xfe\x00", Remedy.RETRY, "no JSON", id="no text"),
        pytest.param(b"[" * 100_000, Remedy.RETRY, "no JSON", id="too deep"),
        pytest.param(body(ghi=[float("nan"), 1]), Remedy.RETRY, "NaN is no JSON number", id="not a number"),
        pytest.param(b"[1, 2]", Remedy.FIX_SETUP, "a JSON object is expected", id="a list"),
        pytest.param(body(ghi="gone", time="gone"), Remedy.FIX_SETUP, "it lacks time, ghi", id="keys missing"),
        pytest.param(body(label="mean-starting"), Remedy.FIX_SETUP, "'mean-starting'; only 'mean-ending'", id="label"),
        pytest.param(body(label="instant"), Remedy.FIX_SETUP, "only 'mean-ending'", id="instants"),
        pytest.param(body(period_s=0), Remedy.FIX_SETUP, "period_s = 0 is no length", id="no period"),
        pytest.param(body(period_s="900"), Remedy.FIX_SETUP, "is no length of time", id="period as text"),
        pytest.param(body(ghi=[1.0]), Remedy.RETRY, "2 times but 1 values of ghi", id="a column too short"),
        pytest.param(body(ghi=5), Remedy.FIX_SETUP, "ghi is no list", id="no column"),
        pytest.param(body(ghi=["801", 1]), Remedy.RETRY, "ghi holds '801', which is no number", id="text"),
        pytest.param(body(ghi=[True, 1]), Remedy.RETRY, "which is no number", id="truth"),
        pytest.param(body(time=GOOD["time"][::-1]), Remedy.RETRY, "do not ascend", id="unsorted"),
        pytest.param(body(time=[GOOD["time"][0]] * 2), Remedy.RETRY, "do not ascend", id="doubled"),
        pytest.param(body(period_s=3600), Remedy.RETRY, "do not ascend by whole periods", id="overlapping"),
        pytest.param(body(time=["2026-06-08T12:15", "2026-06-08T12:30"]), Remedy.RETRY, "no instant", id="no zone"),
        pytest.param(body(time=[1, 2]), Remedy.RETRY, "1 is no instant", id="times as numbers"),
        pytest.param(body(generated=None), Remedy.RETRY, "None is no instant", id="no time of making"),
    ],
)
def test_an_answer_not_as_agreed_is_an_error_in_words(answer: bytes, remedy: Remedy, message: str) -> None:
    with pytest.raises(CollectError) as caught:
        parse(answer, "weather-nowcast")
    assert message in str(caught.value)
    assert str(caught.value).startswith("weather-nowcast: reading the weather service's answer failed")
    assert caught.value.remedy is remedy


_json = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.integers() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4),
    max_leaves=8,
)


@given(changes=st.dictionaries(st.sampled_from(sorted(GOOD)), _json, min_size=1))
def test_whatever_a_service_says_gives_finite_readings_or_an_error_in_words(changes: dict[str, Any]) -> None:
    try:
        readings = parse(json.dumps({**GOOD, **changes}).encode(), "weather-nowcast").readings
    except CollectError as error:
        assert error.remedy in (Remedy.RETRY, Remedy.FIX_SETUP)  # noqa: PT017
    else:
        assert all(abs(reading.value) <= 2000 for reading in readings)

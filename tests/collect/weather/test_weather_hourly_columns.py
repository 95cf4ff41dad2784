"""The hourly-columns shape, as public weather-model services document it."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.collect.weather.hourly_columns import parse, question
from watcher.collect.weather.question import Cell
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import parse_iso

DEVICE = "weather-forecast"
# Laid out as in the documentation of such services; the numbers are ours.
GOOD: dict[str, Any] = {
    "latitude": 53.4,
    "longitude": -1.5,
    "generationtime_ms": 0.2,
    "utc_offset_seconds": 0,
    "timezone": "GMT",
    "timezone_abbreviation": "GMT",
    "elevation": 38.0,
    "hourly_units": {
        "time": "iso8601",
        "shortwave_radiation": "W/m\u00b2",
        "direct_normal_irradiance": "W/m\u00b2",
        "diffuse_radiation": "W/m\u00b2",
        "temperature_2m": "\u00b0C",
        "wind_speed_10m": "m/s",
    },
    "hourly": {
        "time": ["2026-06-21T11:00", "2026-06-21T12:00", "2026-06-21T13:00"],
        "shortwave_radiation": [790.0, None, 815.5],
        "direct_normal_irradiance": [700.0, 710.0, 0.0],
        "diffuse_radiation": [120.0, 121.0, 122.0],
        "temperature_2m": [18.0, 19.0, None],
        "wind_speed_10m": [3.0, 4.0, 5.0],
    },
}


def body(hourly: dict[str, Any] | None = None, units: dict[str, Any] | None = None, **changes: Any) -> bytes:
    whole = {**GOOD, **changes}
    for part, other in (("hourly", hourly), ("hourly_units", units)):
        if other is not None:
            whole[part] = {**GOOD[part], **other}
    return json.dumps(whole).encode()


def told(answer: bytes) -> dict[str, dict[str, float]]:
    found: dict[str, dict[str, float]] = {}
    for reading in parse(answer, DEVICE).readings:
        hour = f"{(reading.time_ms - parse_iso('2026-06-21T00:00Z')) // 3_600_000}:00"
        found.setdefault(reading.channel.removeprefix(f"{DEVICE}."), {})[hour] = reading.value
    return found


def test_radiation_is_labelled_with_the_end_of_its_hour_and_null_is_no_reading() -> None:
    found = told(body())
    assert found["ghi"] == {"11:00": 790.0, "13:00": 815.5}
    assert found["dni"] == {"11:00": 700.0, "12:00": 710.0, "13:00": 0.0}
    assert found["dhi"] == {"11:00": 120.0, "12:00": 121.0, "13:00": 122.0}


def test_temperature_and_wind_of_a_moment_become_the_mean_of_the_hour_before() -> None:
    found = told(body())
    assert found["temp_air"] == {"12:00": 18.5}
    assert found["wind_speed"] == {"12:00": 3.5, "13:00": 4.5}


def test_a_moment_more_than_an_hour_before_makes_no_mean() -> None:
    times = ["2026-06-21T09:00", "2026-06-21T12:00", "2026-06-21T13:00"]
    assert told(body({"time": times}))["wind_speed"] == {"13:00": 4.5}


def test_it_says_what_its_values_are_means_of_and_nothing_of_when_it_was_made() -> None:
    answer = parse(body(), DEVICE)
    assert (answer.period_s, answer.generated_ms, answer.refused) == (3600, None, ())


def test_a_service_that_knows_radiation_alone_will_do() -> None:
    lean = {**GOOD, "hourly": {name: GOOD["hourly"][name] for name in ("time", "shortwave_radiation")}}
    assert told(json.dumps(lean).encode()) == {"ghi": {"11:00": 790.0, "13:00": 815.5}}


def test_values_out_of_range_are_left_out_and_counted() -> None:
    answer = parse(body({"shortwave_radiation": [5000.0, 1.0, 2.0], "temperature_2m": [10**400, 10**400, 1]}), DEVICE)
    assert [text.partition(" ")[0] for text in answer.refused] == ["ghi", "temp_air", "temp_air"]
    assert not [one for one in answer.readings if one.channel.endswith("temp_air")]


def test_it_is_asked_for_whole_days_in_utc_and_metres_a_second() -> None:
    asked = question(Cell(53.4, -1.5), parse_iso("2026-06-20T22:00Z"), parse_iso("2026-06-22T00:00Z"))
    assert asked.path == ""
    assert dict(asked.fields) == {
        "latitude": "53.4000",
        "longitude": "-1.5000",
        "hourly": "shortwave_radiation,direct_normal_irradiance,diffuse_radiation,temperature_2m,wind_speed_10m",
        "wind_speed_unit": "ms",
        "timezone": "GMT",
        "start_date": "2026-06-20",
        "end_date": "2026-06-22",
    }


@pytest.mark.parametrize(
    ("answer", "remedy", "message"),
    [
        pytest.param(body()[:-9], Remedy.RETRY, "no JSON", id="cut short"),
        pytest.param(b'{"error": true, "reason": "none"}', Remedy.FIX_SETUP, "no object hourly", id="an error"),
        pytest.param(body(hourly_units=3), Remedy.FIX_SETUP, "no object hourly_units", id="no units"),
        pytest.param(body(utc_offset_seconds=3600), Remedy.FIX_SETUP, "3600 seconds off UTC", id="local time"),
        pytest.param(body(utc_offset_seconds=None), Remedy.FIX_SETUP, "None seconds off UTC", id="zone not said"),
        pytest.param(json.dumps({**GOOD, "hourly": []}).encode(), Remedy.FIX_SETUP, "no object hourly", id="a list"),
        pytest.param(body({"time": 5}), Remedy.FIX_SETUP, "time is no list", id="no list"),
        pytest.param(
            json.dumps({**GOOD, "hourly": {"time": []}}).encode(),
            Remedy.FIX_SETUP,
            "lacks time or shortwave_radiation",
            id="no radiation",
        ),
        pytest.param(
            body(units={"wind_speed_10m": "km/h"}), Remedy.FIX_SETUP, "wind_speed_10m is in 'km/h'", id="another unit"
        ),
        pytest.param(body({"time": ["2026-06-21T11:00Z"] * 3}), Remedy.RETRY, "is no time of the form", id="an offset"),
        pytest.param(body({"time": [1, 2, 3]}), Remedy.RETRY, "1 is no time of the form", id="numbers"),
        pytest.param(body({"time": ["0001-01-01T00:00"] * 3}), Remedy.RETRY, "do not ascend", id="standing still"),
        pytest.param(
            body({"time": ["2026-06-21T11:00", "2026-06-21T11:15", "2026-06-21T11:30"]}),
            Remedy.RETRY,
            "do not ascend by whole periods",
            id="quarters",
        ),
        pytest.param(body({"temperature_2m": [1.0]}), Remedy.RETRY, "3 times but 1 values", id="a column too short"),
        pytest.param(body({"temperature_2m": [1.0, "2", 3.0]}), Remedy.RETRY, "temp_air holds '2'", id="text"),
        pytest.param(body({"shortwave_radiation": ["a", 1, 2]}), Remedy.RETRY, "ghi holds 'a'", id="text in ghi"),
    ],
)
def test_an_answer_not_as_agreed_is_an_error_in_words(answer: bytes, remedy: Remedy, message: str) -> None:
    with pytest.raises(CollectError) as caught:
        parse(answer, DEVICE)
    assert message in str(caught.value)
    assert caught.value.remedy is remedy


_json = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(sorted(GOOD["hourly"])), inner),
    max_leaves=8,
)


@given(
    hourly=st.dictionaries(st.sampled_from(sorted(GOOD["hourly"])), _json),
    changes=st.dictionaries(st.sampled_from(["utc_offset_seconds", "hourly_units"]), _json, max_size=1),
)
def test_whatever_is_said_gives_finite_readings_or_an_error_in_words(
    hourly: dict[str, Any], changes: dict[str, Any]
) -> None:
    try:
        readings = parse(body(hourly, **changes), DEVICE).readings
    except CollectError as error:
        assert error.remedy in (Remedy.RETRY, Remedy.FIX_SETUP)  # noqa: PT017
    else:
        assert all(abs(reading.value) <= 2000 for reading in readings)

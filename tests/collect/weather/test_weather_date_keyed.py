"""The date-keyed shape, as public satellite archives document it."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.collect.weather.date_keyed import parse, question
from watcher.collect.weather.question import Cell
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import parse_iso
from watcher.domain.reading import Reading

DEVICE = "weather-analysis"
# Laid out as in the documentation of such services; the numbers are ours.
GOOD: dict[str, Any] = {
    "type": "Feature",
    "geometry": {"type": "Point", "coordinates": [-1.5, 53.5, 120.4]},
    "properties": {
        "parameter": {
            "ALLSKY_SFC_SW_DWN": {"2026062111": 812.4, "2026062112": 801.0, "2026062113": -999.0},
            "ALLSKY_SFC_SW_DNI": {"2026062111": 698.0, "2026062112": -999.0, "2026062113": -999.0},
            "ALLSKY_SFC_SW_DIFF": {"2026062111": 151.2, "2026062112": 160.0, "2026062113": -999.0},
            "T2M": {"2026062111": 18.3, "2026062112": 19.0, "2026062113": 19.4},
            "WS10M": {"2026062111": 3.3},
        }
    },
    "header": {"title": "hourly", "fill_value": -999.0, "time_standard": "UTC", "start": "20260621", "end": "20260621"},
    "messages": [],
    "parameters": {
        "ALLSKY_SFC_SW_DWN": {"units": "Wh/m^2", "longname": "irradiance"},
        "ALLSKY_SFC_SW_DNI": {"units": "Wh/m^2", "longname": "irradiance"},
        "ALLSKY_SFC_SW_DIFF": {"units": "Wh/m^2", "longname": "irradiance"},
        "T2M": {"units": "C", "longname": "temperature"},
        "WS10M": {"units": "m/s", "longname": "wind"},
    },
    "times": {"data": 0.4, "process": 0.1},
}


def body(path: str = "", value: Any = None) -> bytes:
    """The good answer with one thing changed, named by its path; "gone" takes it out."""
    whole = json.loads(json.dumps(GOOD))
    *above, last = path.split("/")
    table = whole
    for key in above:
        table = table[key]
    if value == "gone":
        del table[last]
    elif path:
        table[last] = value
    return json.dumps(whole).encode()


def test_an_hour_is_labelled_with_its_end_and_the_fill_value_is_no_reading() -> None:
    answer = parse(body(), DEVICE)
    noon = parse_iso("2026-06-21T12:00Z")
    assert answer.readings == (
        Reading("weather-analysis.ghi", noon, 812.4),
        Reading("weather-analysis.ghi", noon + 3_600_000, 801.0),
        Reading("weather-analysis.dni", noon, 698.0),
        Reading("weather-analysis.dhi", noon, 151.2),
        Reading("weather-analysis.dhi", noon + 3_600_000, 160.0),
        Reading("weather-analysis.temp_air", noon, 18.3),
        Reading("weather-analysis.temp_air", noon + 3_600_000, 19.0),
        Reading("weather-analysis.temp_air", noon + 7_200_000, 19.4),
        Reading("weather-analysis.wind_speed", noon, 3.3),
    )
    assert (answer.period_s, answer.generated_ms, answer.refused) == (3600, None, ())


def test_the_fill_value_is_what_the_answer_says_it_is() -> None:
    answer = parse(body("header/fill_value", 801.0), DEVICE)
    assert [one.value for one in answer.readings if one.channel.endswith(".ghi")] == [812.4]
    assert any(text.startswith("ghi = -999") for text in answer.refused)


def test_hours_need_no_order() -> None:
    column = {"2026062112": 801.0, "2026062111": 812.4}
    shuffled = parse(body("properties/parameter/ALLSKY_SFC_SW_DWN", column), DEVICE).readings
    assert [one.value for one in shuffled if one.channel.endswith(".ghi")] == [812.4, 801.0]


def test_it_is_asked_for_whole_days_in_utc() -> None:
    asked = question(Cell(53.5, -1.5), parse_iso("2026-06-20T00:00Z"), parse_iso("2026-06-22T00:00Z"))
    assert asked.path == ""
    assert dict(asked.fields) == {
        "parameters": "ALLSKY_SFC_SW_DWN,ALLSKY_SFC_SW_DNI,ALLSKY_SFC_SW_DIFF,T2M,WS10M",
        "community": "RE",
        "latitude": "53.5000",
        "longitude": "-1.5000",
        "start": "20260620",
        "end": "20260621",
        "format": "JSON",
        "time-standard": "UTC",
    }


GHI = "properties/parameter/ALLSKY_SFC_SW_DWN"


@pytest.mark.parametrize(
    ("answer", "remedy", "message"),
    [
        pytest.param(body("header/time_standard", "LST"), Remedy.FIX_SETUP, "are 'LST'; only 'UTC'", id="solar time"),
        pytest.param(body("header/time_standard", "gone"), Remedy.FIX_SETUP, "are None", id="which time is not said"),
        pytest.param(body("header/fill_value", "gone"), Remedy.FIX_SETUP, "fill value is None", id="no fill value"),
        pytest.param(body("header", "gone"), Remedy.FIX_SETUP, "no object header", id="no header"),
        pytest.param(body("properties", []), Remedy.FIX_SETUP, "no object properties.parameter", id="no properties"),
        pytest.param(body(GHI, "gone"), Remedy.FIX_SETUP, "lacks ALLSKY_SFC_SW_DWN", id="no radiation"),
        pytest.param(body(GHI, [1, 2]), Remedy.FIX_SETUP, "no object ALLSKY_SFC_SW_DWN", id="a list"),
        pytest.param(
            body("parameters/ALLSKY_SFC_SW_DWN/units", "MJ/hr"), Remedy.FIX_SETUP, "is in 'MJ/hr'", id="another unit"
        ),
        pytest.param(body("parameters/T2M", "gone"), Remedy.FIX_SETUP, "T2M is in None", id="unit not said"),
        pytest.param(body(GHI, {"20260621": 5}), Remedy.RETRY, "'20260621' is no hour", id="a day"),
        pytest.param(body(GHI, {"2026062124": 5}), Remedy.RETRY, "'2026062124' is no hour", id="an hour too many"),
        pytest.param(body(GHI, {"2026062111": "5"}), Remedy.RETRY, "ghi holds '5'", id="text"),
        pytest.param(b'{"detail": "no"}', Remedy.FIX_SETUP, "no object header", id="an error of theirs"),
    ],
)
def test_an_answer_not_as_agreed_is_an_error_in_words(answer: bytes, remedy: Remedy, message: str) -> None:
    with pytest.raises(CollectError) as caught:
        parse(answer, DEVICE)
    assert message in str(caught.value)
    assert caught.value.remedy is remedy


_json = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.integers() | st.text(max_size=12),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["units", "2026062111", "2026062112", "0000000000"]) | st.text(), inner)
    ),
    max_leaves=8,
)
PATHS = ["header/fill_value", "header/time_standard", "parameters/T2M", "parameters", GHI, "properties/parameter/T2M"]


@given(path=st.sampled_from(PATHS), value=_json)
def test_whatever_is_said_gives_finite_readings_or_an_error_in_words(path: str, value: Any) -> None:
    try:
        readings = parse(body(path, value), DEVICE).readings
    except CollectError as error:
        assert error.remedy in (Remedy.RETRY, Remedy.FIX_SETUP)  # noqa: PT017
    else:
        assert all(abs(reading.value) <= 2000 for reading in readings)

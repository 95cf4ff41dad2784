"""Topic maps: what the example says, and what is wrong with a file in words."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from watcher.collect.mqtt.topic_map import Counting, TimeForm
from watcher.config import load_topic_map
from watcher.config.topic_map_file import fixed_topics, load_topic_maps
from watcher.domain.errors import SetupError

CONFIG = Path(__file__).resolve().parents[2] / "config"
DEVICE = '[device]\ndescription = "invented"\n'
TOPIC = '[[topic]]\ntopic = "{device}/state"\n'
POWER = '[[topic.value]]\npath = "p"\nquantity = "ac_power"\n'
BARE = '[[topic.value]]\nquantity = "ac_power"\n'
PULSES = '[[topic.value]]\npath = "n"\nquantity = "pulse_count"\ncounter = "increment"\n'
STATE = '[[topic.value]]\npath = "s"\nquantity = "operating_state"\n'


def told(text: str, name: str = "invented") -> str:
    with pytest.raises(SetupError) as error:
        load_topic_map(text, "invented.toml", name)
    return str(error.value)


def test_the_example_is_a_map() -> None:
    found = load_topic_maps(CONFIG / "topics")
    assert found.problems == ()
    state, temperature, pulses = found.good["example"].topics
    assert [value.name for value in state.values] == [
        "ac_power",
        "ac_energy",
        "input-1.dc_current",
        "operating_state",
    ]
    assert state.time is not None
    assert (state.time.path, state.time.form, str(state.time.zone)) == (("ts",), TimeForm.ISO, "Europe/London")
    assert state.values[1].path == ("inv", "1.8.0")
    assert state.values[3].states == {"standby": 8, "running": 4, "limited": 5, "fault": 7}
    assert temperature.values[0].path is None
    assert (pulses.sequence, pulses.values[0].counting) == (("seq",), Counting.INCREMENT)
    assert not fixed_topics(found.good["example"])
    assert found.good["example"].of("home7/pv")[1].topic == "home7/pv/temperature"


def test_sign_and_scale_are_one_factor_and_keep_the_digits_as_written() -> None:
    text = DEVICE + TOPIC + POWER + "scale = 0.1\nsign = -1\n"
    assert load_topic_map(text, "invented.toml", "invented").topics[0].values[0].scale == Decimal("-0.1")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        pytest.param(TOPIC + POWER, "device: missing", id="no device"),
        pytest.param("[device]\n" + TOPIC + POWER, "device.description: missing", id="no description"),
        pytest.param(DEVICE, "topic: missing", id="no topic"),
        pytest.param(DEVICE + '[[topic]]\ntopic = "a"\n', "topic[0].value: missing", id="no value"),
        pytest.param(DEVICE + "[[topic]]\n" + POWER, "topic[0].topic: missing", id="no name"),
        pytest.param(DEVICE + "[[topic]]\ntopic = 7\n" + POWER, 'such as "{device}/state"', id="a number for a topic"),
        pytest.param(DEVICE + '[[topic]]\ntopic = ""\n' + POWER, "1 to 200 letters and signs", id="empty topic"),
        pytest.param(DEVICE + '[[topic]]\ntopic = "a/#"\n' + POWER, '"#" is too much', id="everything"),
        pytest.param(DEVICE + '[[topic]]\ntopic = "a+/b"\n' + POWER, "stands for a whole level", id="part of a level"),
        pytest.param(DEVICE + '[[topic]]\ntopic = "$share/g/a"\n' + POWER, "shared subscription", id="shared"),
        pytest.param(DEVICE + '[[topic]]\ntopic = "{house}/a"\n' + POWER, "only {device}, once", id="another name"),
        pytest.param(
            DEVICE + '[[topic]]\ntopic = "{device}/{device}"\n' + POWER, "only {device}, once", id="device twice"
        ),
        pytest.param(DEVICE + TOPIC + POWER.replace('"p"', '"a..b"'), 'such as "inv.ac[0].p"', id="no path"),
        pytest.param(DEVICE + TOPIC + POWER.replace('"p"', "5"), 'such as "inv.ac[0].p"', id="a number for a path"),
        pytest.param(DEVICE + TOPIC + POWER.replace("ac_power", "ac_powr"), "did you mean ac_power?", id="misspelt"),
        pytest.param(DEVICE + TOPIC + '[[topic.value]]\npath = "p"\n', "quantity: missing", id="no quantity"),
        pytest.param(DEVICE + TOPIC + POWER + 'unit = "kWh"\n', 'must be one of "W"', id="energy for power"),
        pytest.param(DEVICE + TOPIC + POWER + "sign = 2\n", "sign", id="a sign that is a factor"),
        pytest.param(DEVICE + TOPIC + POWER + "scale = 0\n", "for the other sign, sign = -1", id="no scale"),
        pytest.param(DEVICE + TOPIC + POWER + 'part = "leg-1"\n', '"input-1" or "l1"', id="a part there is not"),
        pytest.param(DEVICE + TOPIC + POWER + 'counter = "increment"\n', "only for a pulse_count", id="power in steps"),
        pytest.param(
            DEVICE + TOPIC + POWER + "states = { on = 4 }\n", "only for an operating_state", id="states of a power"
        ),
        pytest.param(DEVICE + TOPIC + STATE, "states: missing", id="a state without its words"),
        pytest.param(DEVICE + TOPIC + STATE + "states = {}\n", "must be theirs = ours", id="no states"),
        pytest.param(DEVICE + TOPIC + STATE + "states = { on = 12 }\n", "on = 12; must be theirs", id="not ours"),
        pytest.param(DEVICE + TOPIC + STATE + "states = { on = true }\n", "on = true; must be theirs", id="true"),
        pytest.param(
            DEVICE + TOPIC + STATE + 'states = { on = 4 }\nunit = "W"\n', "it has neither unit nor scale", id="in watts"
        ),
        pytest.param(
            DEVICE + TOPIC + POWER.replace("ac_power", "event_bits"), "is not read from a broker", id="a word of bits"
        ),
        pytest.param(DEVICE + TOPIC + 'time = "ts"\n' + POWER, 'time_form: missing; "s" or "ms"', id="no form"),
        pytest.param(DEVICE + TOPIC + 'time_form = "s"\n' + POWER, "time says where it stands", id="form of nothing"),
        pytest.param(
            DEVICE + TOPIC + 'zone = "Europe/London"\n' + POWER, "time says where it stands", id="zone of nothing"
        ),
        pytest.param(
            DEVICE + TOPIC + 'time = "ts"\ntime_form = "s"\nzone = "Europe/London"\n' + POWER,
            "seconds since 1970 have none",
            id="zone of seconds",
        ),
        pytest.param(
            DEVICE + TOPIC + 'time = "ts"\ntime_form = "iso"\nzone = "Mars/Olympus"\n' + POWER, "zone", id="no zone"
        ),
        pytest.param(DEVICE + TOPIC + BARE + POWER, "a payload that is one number has one value", id="bare and not"),
        pytest.param(
            DEVICE + TOPIC + 'time = "ts"\ntime_form = "s"\n' + BARE, "is a document; give the value", id="bare, dated"
        ),
        pytest.param(DEVICE + TOPIC + 'sequence = "n"\n' + POWER, 'is for counter = "increment"', id="numbered power"),
        pytest.param(
            DEVICE + '[[topic]]\ntopic = "+/n"\n' + PULSES, "would be one count; name every level", id="pulses of many"
        ),
        pytest.param(DEVICE + TOPIC + POWER + TOPIC + STATE, "topic[0] is this one already", id="one topic twice"),
        pytest.param(
            DEVICE + TOPIC + POWER + TOPIC.replace("state", "other") + POWER,
            "topic[0].value[0] is ac_power already",
            id="one value twice",
        ),
        pytest.param(DEVICE + TOPIC + POWER + "qos = 1\n", "qos", id="a key there is not"),
        pytest.param("[device\n", "invented.toml", id="no TOML"),
    ],
)
def test_what_is_wrong_with_a_topic_map_is_said(text: str, said: str) -> None:
    assert said in told(text)


def test_every_problem_is_said_at_once_and_the_name_is_one_of_them() -> None:
    message = told(DEVICE + TOPIC + 'zone = "Europe/London"\n' + POWER + "sign = 2\n", name="My Map")
    assert '"My Map" names the map' in message
    assert "topic[0].zone" in message
    assert "topic[0].value[0].sign" in message


def test_a_folder_gives_its_good_maps_and_says_what_the_bad_ones_are(tmp_path: Path) -> None:
    (tmp_path / "good.toml").write_text(DEVICE + TOPIC + POWER)
    (tmp_path / "bad.toml").write_text(DEVICE)
    (tmp_path / ".hidden.toml").write_text("[")
    (tmp_path / "notes.txt").write_text("[")
    found = load_topic_maps(tmp_path)
    assert (set(found.good), found.bad) == ({"good"}, {"bad"})
    assert [problem.place for problem in found.problems] == [str(tmp_path / "bad.toml")]
    assert found.fault("good") == ""
    assert found.fault("bad") == "this topic map has problems of its own and can't be used"
    assert found.fault("other") == 'must be one of "good"'


def test_no_folder_is_no_map_and_a_file_in_its_place_is_a_problem(tmp_path: Path) -> None:
    none = load_topic_maps(tmp_path / "topics")
    assert (none.good, none.problems) == ({}, ())
    assert none.fault("any") == "there is no topic map in the folder of them"
    (tmp_path / "file").write_text("")
    (problem,) = load_topic_maps(tmp_path / "file").problems
    assert "cannot be read" in str(problem)


def test_increments_without_numbers_are_warned_of_where_the_map_is_used(tmp_path: Path) -> None:
    (tmp_path / "pulses.toml").write_text(DEVICE + '[[topic]]\ntopic = "{device}/n"\n' + PULSES)
    (tmp_path / "numbered.toml").write_text(DEVICE + '[[topic]]\ntopic = "{device}/n"\nsequence = "seq"\n' + PULSES)
    found = load_topic_maps(tmp_path)
    (caution,) = found.cautions(frozenset({"pulses", "numbered"}))
    assert caution.startswith("topic map pulses: pulse_count under {device}/n adds up increments")
    assert "one that comes twice counts twice" in caution
    assert "doubtful.pulse_count" in caution
    assert found.cautions(frozenset()) == ()

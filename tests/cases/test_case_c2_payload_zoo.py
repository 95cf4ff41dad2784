"""Case C2: NaN, null, units, decimal comma, nesting, text. Thirteen messages, each as it stands in the case."""

from __future__ import annotations

import pytest

from watcher.collect.mqtt.payload import Refusal, contents
from watcher.config import load_topic_map

_MAP = """
[device]
description = "whatever stands in the case"

[[topic]]
topic = "home7/pv"
decimal_comma = {comma}
[[topic.value]]
path = "p"
quantity = "ac_power"
[[topic.value]]
path = "e"
quantity = "ac_energy"
unit = "kWh"

[[topic]]
topic = "home7/bare"
[[topic.value]]
quantity = "dc_power"

[[topic]]
topic = "home7/nested"
[[topic.value]]
path = "inv.ac[0].p"
quantity = "grid_power"
"""
FIELDS, BARE, NESTED = load_topic_map(_MAP.format(comma="false"), "zoo.toml", "zoo").topics
COMMA, _, _ = load_topic_map(_MAP.format(comma="true"), "zoo.toml", "zoo").topics


@pytest.mark.parametrize(
    ("rule", "payload", "values", "refused"),
    [
        pytest.param(FIELDS, '{"p": 1520, "e": 812.4}', [1520.0, 812_400.0], [], id="1 both"),
        pytest.param(FIELDS, '{"p": nan, "e": 812.5}', [812_500.0], [Refusal.NO_VALUE], id="2 nan, which is no JSON"),
        pytest.param(FIELDS, '{"p": null, "e": 812.6}', [812_600.0], [Refusal.NO_VALUE], id="3 null"),
        pytest.param(COMMA, '{"p": "1 520 W", "e": "812,7 kWh"}', [1520.0, 812_700.0], [], id="4 declared comma"),
        pytest.param(
            FIELDS, '{"p": "1 520 W", "e": "812,7 kWh"}', [1520.0], [Refusal.AMBIGUOUS], id="4 a comma nobody declared"
        ),
        pytest.param(BARE, "1520.5", [1520.5], [], id="5 a bare number"),
        pytest.param(BARE, "1.52 kW", [1520.0], [], id="6 with its unit"),
        pytest.param(BARE, "1.520", [1.52], [], id="7 a lone dot is a decimal point"),
        pytest.param(NESTED, '{"inv":{"ac":[{"p":"1521"}]}}', [1521.0], [], id="8 nested, as text"),
        pytest.param(BARE, "", [], [Refusal.NO_VALUE], id="9 empty"),
        pytest.param(BARE, "ON", [], [Refusal.NOT_A_NUMBER], id="10 a word"),
        pytest.param(FIELDS, '{"p": 1e999}', [], [Refusal.OUT_OF_RANGE, Refusal.ABSENT], id="11 infinite"),
        pytest.param(FIELDS, '{"p": true, "e": 812.8}', [812_800.0], [Refusal.NOT_A_NUMBER], id="12 true"),
        pytest.param(FIELDS, '{"p": 1522, "e": 812.9', [], [Refusal.NOT_JSON], id="13 cut off: refused whole"),
    ],
)
def test_case_c2_line(rule: object, payload: str, values: list[float], refused: list[Refusal]) -> None:
    read = contents(payload.encode(), rule)
    assert [value for _, value in read.values] == values
    assert [one.why for one in read.refused] == refused

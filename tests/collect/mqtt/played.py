"""Topic maps and messages for the tests, and the two clocks at one moment."""

from __future__ import annotations

import json
from typing import Any

from watcher.collect.mqtt.intake import Intake, Message
from watcher.collect.mqtt.payload import contents
from watcher.collect.mqtt.topic_map import TopicRule
from watcher.config import load_topic_map
from watcher.domain.instant import parse_iso
from watcher.domain.reading import Reading

HEAD = '[device]\ndescription = "played"\n'
DATED = """
[[topic]]
topic = "home7/pv"
time = "ts"
time_form = "iso"
[[topic.value]]
path = "power"
quantity = "ac_power"
[[topic.value]]
path = "energy"
quantity = "ac_energy"
unit = "kWh"
"""
UNDATED = DATED.replace('time = "ts"\ntime_form = "iso"\n', "")
NUMBERED = """
[[topic]]
topic = "home7/pulses"
sequence = "seq"
[[topic.value]]
path = "n"
quantity = "pulse_count"
counter = "increment"
"""
UNNUMBERED = NUMBERED.replace('sequence = "seq"\n', "")


def rules(text: str) -> tuple[TopicRule, ...]:
    return load_topic_map(HEAD + text, "played.toml", "played").topics


class Played:
    """One device and the clocks: the monotonic one counts seconds from `began`."""

    def __init__(self, text: str, began: str = "2026-01-10T21:05:00Z", **known: Any) -> None:
        self.rule = rules(text)[0]
        self.intake = Intake("inverter-1", **known)
        self.began_ms = parse_iso(began)
        self.waiting: list[Message] = []

    def message(self, second: float, payload: Any, **marks: bool) -> None:
        written = payload if isinstance(payload, str) else json.dumps(payload)
        read = contents(written.encode(), self.rule)
        self.waiting.append(Message(self.rule.topic, self.rule, second, read, **marks))

    def taken(self, second: float) -> list[Reading]:
        """What the device's messages up to now are worth."""
        messages, self.waiting = self.waiting, []
        return self.intake.take(messages, self.began_ms + round(second * 1000), second).readings

    @property
    def refused(self) -> dict[str, int]:
        """What was refused, by kind; what a message leaves out is no refusal."""
        return {kind: count for kind, count in self.intake.refused.items() if kind != "absent"}

    def at(self, second: float) -> int:
        return self.began_ms + round(second * 1000)

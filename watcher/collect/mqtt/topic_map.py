"""A topic map: what a kind of device publishes, under which topics, and what its values mean. Pure.

Rule: the map says everything (path, unit, decimal sign, form of the time, how counts count); nothing is guessed from
what arrives. config/topic_map_file.py reads the file, payload.py what arrives.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from decimal import Decimal
from enum import StrEnum
from functools import cached_property

from watcher.collect.mqtt.json_path import Path
from watcher.domain.quantity import QUANTITIES, Quantity
from watcher.table.units import Unit, units_of

DEVICE_LEVEL = "{device}"
"""In a map's topic: the levels that a site's source gives as `topic`, its device's id where it gives none."""

NUMBERED = "messages"
"""Part of the channel in which the number of the last message stands beside a count of numbered increments."""

DOUBTFUL = "doubtful"
"""Part of the channel in which increments without numbers are added up; nothing is judged by it."""


class TimeForm(StrEnum):
    """How a payload writes its time."""

    SECONDS = "s"
    MILLISECONDS = "ms"
    ISO = "iso"


class Counting(StrEnum):
    """What one message of a counter says."""

    INDEX = "index"  # where the counter stands
    INCREMENT = "increment"  # by how much it has moved since the message before


@dataclass(frozen=True, slots=True)
class TimeField:
    """path: None for a payload that is nothing but values. zone: of times that carry no offset, None where each must"""

    path: Path
    form: TimeForm = TimeForm.ISO
    zone: tzinfo | None = None


@dataclass(frozen=True)
class ValueField:
    """One value of a payload.

    name: its channel without the device: "ac_power", "input-1.dc_current"
    path: where it stands; None where the whole payload is the value
    scale: what one is worth in its unit, with the sign that makes it ours. unit: from its unit to the quantity's
    states: theirs to ours, for an operating state; a text that is not listed says nothing
    """

    name: str
    path: Path | None = None
    unit: Unit = field(default_factory=Unit)
    scale: Decimal = Decimal(1)
    counting: Counting = Counting.INDEX
    states: Mapping[str, int] | None = None

    @cached_property
    def quantity(self) -> Quantity:
        return QUANTITIES[self.name.rpartition(".")[2]]

    @cached_property
    def units(self) -> Mapping[str, Unit]:
        """The units that a text may give after its number."""
        return units_of(self.quantity)

    @property
    def is_increment(self) -> bool:
        return self.counting is Counting.INCREMENT


@dataclass(frozen=True, slots=True)
class TopicRule:
    """What is published under one topic.

    topic: may hold DEVICE_LEVEL, and "+" for a level that does not matter
    time: None where messages carry no time of their own
    sequence: where the number of a message stands, for increments
    """

    topic: str
    values: tuple[ValueField, ...]
    time: TimeField | None = None
    sequence: Path | None = None
    decimal_comma: bool = False

    @property
    def increments(self) -> tuple[ValueField, ...]:
        return tuple(value for value in self.values if value.is_increment)

    @property
    def unsafe(self) -> tuple[str, ...]:
        """Values that a message come twice would count twice: increments whose messages are not numbered."""
        return () if self.sequence is not None else tuple(value.name for value in self.increments)


@dataclass(frozen=True, slots=True)
class TopicMap:
    """name: the map's file without its ending"""

    name: str
    description: str
    topics: tuple[TopicRule, ...]

    def of(self, levels: str) -> tuple[TopicRule, ...]:
        """The rules of one device, with the levels that are its own put in."""
        return tuple(replace(rule, topic=rule.topic.replace(DEVICE_LEVEL, levels)) for rule in self.topics)

    def cautions(self) -> tuple[str, ...]:
        """What cannot be made safe, in words for whoever sets it up."""
        return tuple(
            f"{name} under {rule.topic} adds up increments whose messages have no number: one that comes twice counts "
            f"twice. The sum is kept apart as {DOUBTFUL}.{name} and nothing is judged by it. Have the device send its "
            "index, or a sequence number, and say where it stands with sequence"
            for rule in self.topics
            for name in rule.unsafe
        )


def matches(pattern: str, topic: str) -> bool:
    """Whether a topic is meant by a pattern; "+" stands for one level, and not for the broker's own ($SYS)."""
    if "+" not in pattern:
        return pattern == topic
    wanted, levels = pattern.split("/"), topic.split("/")
    if len(wanted) != len(levels) or (topic.startswith("$") and wanted[0] != levels[0]):
        return False
    return all(one in ("+", level) for one, level in zip(wanted, levels, strict=True))


def pattern_fault(topic: str) -> str:
    """What a topic of a map must be, where this one is not; "" where it is."""
    if not topic or len(topic) > 200 or any(ord(sign) < 0x20 or 0x7F <= ord(sign) < 0xA0 for sign in topic):
        return "must be one line of 1 to 200 letters and signs"
    if "#" in topic:
        return '"#" is too much: name every level, with "+" for one that does not matter'
    if topic.startswith(("$share/", "$queue/")):
        return "a shared subscription hands each message to one of several; this program needs them all"
    if any("+" in level and level != "+" for level in topic.split("/")):
        return '"+" stands for a whole level'
    rest = topic.replace(DEVICE_LEVEL, "")
    if "{" in rest or "}" in rest or topic.count(DEVICE_LEVEL) > 1:
        return f"only {DEVICE_LEVEL}, once, stands for what differs from device to device"
    return ""

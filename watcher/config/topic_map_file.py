"""Topic maps: from the text of a file to the map, and the folder they are in.

Rule: a map is given only for a file without a single problem. topic_map_words.py says what each key may hold; here
stands what one must be to another.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

from watcher.collect.mqtt.topic_map import (
    DEVICE_LEVEL,
    Counting,
    TimeField,
    TimeForm,
    TopicMap,
    TopicRule,
    ValueField,
)
from watcher.config.checked_toml import Page, shown
from watcher.config.toml_text import read_text
from watcher.config.topic_map_words import TOPIC_MAP_FILE
from watcher.domain.errors import Problem, SetupError
from watcher.domain.quantity import NAME, QUANTITIES
from watcher.table.units import Unit, units_of

_Entry = Mapping[str, Any]

TOPICS = "topics"
"""The folder of topic maps, beside the watcher file, where that names no other."""


@dataclass(frozen=True, slots=True)
class TopicMapsFound:
    """What a folder of topic maps came to. bad: names of maps that can't be used; problems: why."""

    good: Mapping[str, TopicMap] = field(default_factory=dict)
    bad: frozenset[str] = frozenset()
    problems: tuple[Problem, ...] = ()

    def fault(self, name: str) -> str:
        """Why a site can't have a map of this name, as a sentence; "" where it can."""
        if name in self.good:
            return ""
        if name in self.bad:
            return "this topic map has problems of its own and can't be used"
        known = ", ".join(f'"{one}"' for one in sorted(self.good))
        return f"must be one of {known}" if known else "there is no topic map in the folder of them"

    def cautions(self, used: frozenset[str]) -> tuple[str, ...]:
        """What cannot be made safe in the maps that are used, in words."""
        return tuple(
            f"topic map {name}: {caution}"
            for name in sorted(used & self.good.keys())
            for caution in self.good[name].cautions()
        )


def load_topic_maps(folder: Path) -> TopicMapsFound:
    """Every topic map of a folder, by file name; none where there is no folder. Never raises."""
    good: dict[str, TopicMap] = {}
    bad: set[str] = set()
    problems: list[Problem] = []
    try:
        paths = sorted(path for path in folder.iterdir() if path.suffix == ".toml" and not path.name.startswith("."))
    except FileNotFoundError:
        return TopicMapsFound()
    except OSError as error:
        return TopicMapsFound(problems=(Problem(str(folder), "", "", f"cannot be read: {error.strerror or error}"),))
    for path in paths:
        try:
            good[path.stem] = load_topic_map(read_text(path), str(path), path.stem)
        except SetupError as error:
            bad.add(path.stem)
            problems += error.problems
    return TopicMapsFound(good, frozenset(bad), tuple(problems))


def load_topic_map(text: str, place: str, name: str) -> TopicMap:
    """The topic map in the text of its file.

    place: the file's name, for messages. name: the map's, which is the name of the file without its ending.
    SetupError with every problem there is.
    """
    page, tables = Page.opened(text, place)
    if NAME.fullmatch(name) is None:
        page.wrong("", f'"{name}" names the map: lower case letters, digits and single hyphens')
    content = page.table(tables, TOPIC_MAP_FILE)
    topics = content.get("topic", [])
    for at, topic in enumerate(topics):
        for key, allowed, found in _faults(topic):
            page.wrong(f"topic[{at}].{key}", allowed, found)
    _together(page, topics)
    page.refuse()
    return TopicMap(name, content["device"]["description"], tuple(_rule(topic) for topic in topics))


def _faults(topic: _Entry) -> Iterator[tuple[str, str, str]]:
    """What in a topic contradicts the rest of it: key, what is allowed, what was found."""
    values = topic.get("value", ())
    form = topic.get("time_form")
    if "time" not in topic:
        for key in ("time_form", "zone"):
            if key in topic:
                yield key, "says how a time is written; time says where it stands", shown(str(topic[key]))
    elif form is None:
        yield "time_form", 'missing; "s" or "ms" since 1970, or "iso"', ""
    elif form is not TimeForm.ISO and "zone" in topic:
        yield "zone", "seconds since 1970 have none", shown(str(topic["zone"]))
    whole = [value for value in values if "path" not in value and "quantity" in value]
    if whole and len(values) > 1:
        yield "value", "a payload that is one number has one value; give each its path", ""
    if whole and ("time" in topic or "sequence" in topic):
        yield "value", "a payload that carries a time or a number is a document; give the value its path", ""
    if "sequence" in topic and not any(value.get("counter") is Counting.INCREMENT for value in values):
        yield "sequence", 'is for counter = "increment"; what says where it stands needs none', ""
    if "+" in topic.get("topic", "") and any(value.get("counter") is Counting.INCREMENT for value in values):
        yield "topic", 'increments from several topics would be one count; name every level, without "+"', ""


def _together(page: Page, topics: list[_Entry]) -> None:
    """One value has one place, and one topic one entry."""
    named: dict[str, str] = {}
    patterns: dict[str, int] = {}
    for at, topic in enumerate(topics):
        if "topic" in topic and (before := patterns.setdefault(topic["topic"], at)) != at:
            page.wrong(f"topic[{at}].topic", f"topic[{before}] is this one already; keep one", shown(topic["topic"]))
        for place, value in enumerate(topic.get("value", ())):
            if "quantity" not in value:
                continue
            name, here = _name(value), f"topic[{at}].value[{place}]"
            if (other := named.setdefault(name, here)) != here:
                page.wrong(f"{here}.quantity", f"{other} is {name} already", shown(value["quantity"]))


def _name(value: _Entry) -> str:
    return ".".join(filter(None, (value.get("part"), value["quantity"])))


def _rule(topic: _Entry) -> TopicRule:
    time = TimeField(topic["time"], topic["time_form"], topic.get("zone")) if "time" in topic else None
    return TopicRule(
        topic=topic["topic"],
        values=tuple(_value(value) for value in topic["value"]),
        time=time,
        sequence=topic.get("sequence"),
        decimal_comma=topic.get("decimal_comma", False),
    )


def _value(value: _Entry) -> ValueField:
    quantity = QUANTITIES[value["quantity"]]
    return ValueField(
        name=_name(value),
        path=value.get("path"),
        unit=units_of(quantity)[value["unit"]] if "unit" in value else Unit(),
        # The digits as written: a float's shortest form gives them back.
        scale=Decimal(repr(value.get("scale", 1.0))) * value.get("sign", 1),
        counting=value.get("counter", Counting.INDEX),
        states=value.get("states"),
    )


def fixed_topics(topics: TopicMap) -> bool:
    """Whether every device by this map would publish under the same topics."""
    return all(DEVICE_LEVEL not in rule.topic for rule in topics.topics)

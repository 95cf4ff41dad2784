"""Messages of one device in, readings out. Pure.

Rule: when a message came is not when it was so. One with a time of its own is stored at that time, whenever and however
often it comes. One without is now only where nothing speaks against it: not what the broker had kept (retained), not
what waited for us there while we were away, not what came with others in one burst, of which only the last may be now.
What is not stored is counted by kind.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import NamedTuple

from watcher.collect.mqtt.increments import RunningCount, Told
from watcher.collect.mqtt.payload import Contents, Refusal, Refused
from watcher.collect.mqtt.stamps import Undatable, settled
from watcher.collect.mqtt.topic_map import DOUBTFUL, NUMBERED, TopicRule, ValueField
from watcher.domain.instant import iso
from watcher.domain.quantity import channel
from watcher.domain.reading import Reading

QUIET_S = 2.0
"""A message without a time that no other follows for so long is no part of a burst, where nothing else is known."""

BRISKEST_S, LONGEST_QUIET_S = 0.5, 5.0
"""Where the usual pace of a topic is known, a quarter of it decides, within these bounds."""

ENDLESS_S = 600.0
"""A burst that lasts longer is no burst but a device in a hurry."""

_GAPS, _PACE = 9, 3
_TOPICS = 500
"""So many topics of one device are told apart; a pattern with "+" may let in any number."""


class Message(NamedTuple):
    """One message, read. arrived: when, on the monotonic clock.

    retained: the broker had kept it. waited: it may have waited at the broker while we were away. again: the broker
    marks it as possibly sent before
    """

    topic: str
    rule: TopicRule
    arrived: float
    contents: Contents
    retained: bool = False
    waited: bool = False
    again: bool = False


class LastKnown(NamedTuple):
    """The newest that is known of a channel. time_ms: None where its age is not known."""

    value: float
    time_ms: int | None

    def told(self, name: str) -> str:
        """In words: "last known 2310 W, age unknown". name: of the channel"""
        what = f"last known {self.value:.12g} {channel(name).quantity.unit}".rstrip()
        return f"{what}, age unknown" if self.time_ms is None else f"{what} at {iso(self.time_ms)}"


class Spoilt(NamedTuple):
    """A message, or a value in it, that was not taken: for the log."""

    topic: str
    refused: Refused


@dataclass(slots=True)
class Taken:
    readings: list[Reading] = field(default_factory=list)
    spoilt: list[Spoilt] = field(default_factory=list)


@dataclass(slots=True)
class _Undated:
    """A topic whose messages carry no time."""

    held: dict[str, float] = field(default_factory=dict)
    arrived: float = 0.0
    burst_began: float | None = None
    gaps: deque[float] = field(default_factory=lambda: deque(maxlen=_GAPS))

    def quiet_s(self) -> float:
        if len(self.gaps) < _PACE:
            return QUIET_S
        return min(LONGEST_QUIET_S, max(BRISKEST_S, median(self.gaps) / 4))


class Intake:
    """One device of a site.

    device: its id. counts: what the store last knew of its counts, by channel: a Reading each
    refused: messages and values not taken, by kind. last_known: the newest of each channel, retained included
    refused_topics: the same by topic. heard: by topic of the map, when the last message that was not retained arrived
    """

    def __init__(self, device: str, counts: Mapping[str, Reading] | None = None) -> None:
        self.device = device
        self.refused: Counter[str] = Counter()
        self.refused_topics: Counter[str] = Counter()
        self.last_known: dict[str, LastKnown] = {}
        self.heard: dict[str, float] = {}
        self._undated: dict[str, _Undated] = {}
        self._counts: dict[str, RunningCount] = {}
        self._stored = dict(counts or {})

    def take(self, messages: Sequence[Message], now_ms: int, monotonic: float) -> Taken:
        """What has come since, in order of arrival. now_ms, monotonic: the two clocks at one moment."""
        taken = Taken()
        pending: dict[str, tuple[str | None, int]] = {}
        for message in messages:
            received_ms = now_ms - round((monotonic - message.arrived) * 1000)
            self._one(message, received_ms, taken, pending)
        for name, (numbered, at_ms) in pending.items():
            taken.readings += self._count_readings(name, numbered, at_ms)
        for undated in self._undated.values():
            self._release(undated, now_ms, monotonic, taken)
        return taken

    def _one(
        self,
        message: Message,
        received_ms: int,
        taken: Taken,
        pending: dict[str, tuple[str | None, int]],
    ) -> None:
        contents = message.contents
        for refused in contents.refused:
            if refused.why is Refusal.ABSENT:  # devices leave out what has not changed: counted, not complained of
                self.refused[refused.why] += 1
                continue
            self._refuse(refused.why, message.topic)
            taken.spoilt.append(Spoilt(message.topic, refused))
        if not message.retained:
            self.heard[message.rule.topic] = message.arrived
        if not contents.values:
            return
        time_ms: int | None = None
        if contents.stamp is not None:
            at = settled(contents.stamp, received_ms)
            if isinstance(at, Undatable):
                self._refuse(at, message.topic)
                taken.spoilt.append(Spoilt(message.topic, Refused(Refusal.BAD_TIME, found=str(at))))
                return
            time_ms = at
        if message.rule.increments:
            self._count(message, received_ms, time_ms, taken, pending)
        standing = _standing(contents)
        if time_ms is not None:
            taken.readings += self._readings(standing, time_ms)
        elif standing:
            self._hold(message, standing, received_ms, taken)

    def _readings(self, values: Iterable[tuple[str, float]], time_ms: int) -> Iterator[Reading]:
        for own_name, value in values:
            name = f"{self.device}.{own_name}"
            known = self.last_known.get(name)
            if known is None or known.time_ms is None or known.time_ms <= time_ms:
                self.last_known[name] = LastKnown(value, time_ms)
            yield Reading(name, time_ms, value)

    def _refuse(self, why: str, topic: str) -> None:
        self.refused[why] += 1
        if topic not in self.refused_topics and len(self.refused_topics) >= _TOPICS:
            topic = "others"
        self.refused_topics[topic] += 1

    # What carries no time

    def _hold(self, message: Message, values: list[tuple[str, float]], received_ms: int, taken: Taken) -> None:
        if message.retained:
            self.refused["retained"] += 1
            for own_name, value in values:
                known = self.last_known.get(f"{self.device}.{own_name}")
                if known is None or known.time_ms is None:
                    self.last_known[f"{self.device}.{own_name}"] = LastKnown(value, None)
            return
        if message.waited:
            self.refused["of-unknown-age"] += 1
            return
        undated = self._undated.get(message.topic)
        if undated is None:
            if len(self._undated) >= _TOPICS:
                self._undated.pop(next(iter(self._undated)))
            undated = self._undated[message.topic] = _Undated(arrived=message.arrived)
        gap = message.arrived - undated.arrived
        live = gap >= undated.quiet_s() or _in_a_hurry(undated, message.arrived)
        if live:
            taken.readings += self._readings(undated.held.items(), received_ms - round(gap * 1000))
            undated.held, undated.burst_began = dict(values), None
        else:
            # One message may bring what another left out; only the same value told again is overtaken.
            if any(own_name in undated.held for own_name, _ in values):
                self.refused["overtaken"] += 1
                undated.burst_began = undated.arrived if undated.burst_began is None else undated.burst_began
            undated.held.update(values)
        if gap >= BRISKEST_S and (live or len(undated.gaps) < _PACE):  # a burst tells nothing of the pace
            undated.gaps.append(gap)
        undated.arrived = message.arrived

    def _release(self, undated: _Undated, now_ms: int, monotonic: float, taken: Taken) -> None:
        age_s = monotonic - undated.arrived
        if undated.held and age_s >= undated.quiet_s():
            taken.readings += self._readings(undated.held.items(), now_ms - round(age_s * 1000))
            undated.held, undated.burst_began = {}, None

    # Increments

    def _count(
        self,
        message: Message,
        received_ms: int,
        time_ms: int | None,
        taken: Taken,
        pending: dict[str, tuple[str | None, int]],
    ) -> None:
        sequence = message.contents.sequence
        for field_, value in message.contents.values:
            if not field_.is_increment:
                continue
            numbered = sequence is not None
            name, count = self._running(field_, numbered)
            if sequence is None:
                if message.again or message.retained:
                    self.refused["repeated" if message.again else "retained"] += 1
                    continue
            else:
                later = time_ms is not None and time_ms > count.at_ms
                missed = count.missed
                if count.number(sequence, began_later=later) is Told.REPEATED:
                    self.refused["repeated"] += 1
                    continue
                if count.missed > missed:
                    self.refused["missed"] += count.missed - missed
            at_ms = count.add(value, received_ms if time_ms is None else time_ms)
            numbers = f"{self.device}.{_with_part(field_.name, NUMBERED)}" if numbered else None
            if time_ms is None:
                pending[name] = (numbers, at_ms)  # a burst of them is one count
            else:
                taken.readings += self._count_readings(name, numbers, at_ms)

    def _running(self, field_: ValueField, numbered: bool) -> tuple[str, RunningCount]:
        name = f"{self.device}.{field_.name if numbered else _with_part(field_.name, DOUBTFUL)}"
        count = self._counts.get(name)
        if count is None:
            count = self._counts[name] = RunningCount()
            if (last := self._stored.get(name)) is not None:
                numbers = self._stored.get(f"{self.device}.{_with_part(field_.name, NUMBERED)}")
                known = numbered and numbers is not None and numbers.time_ms == last.time_ms
                count.go_on_from(last.value, int(numbers.value) if known and numbers else None, last.time_ms)
        return name, count

    def _count_readings(self, name: str, numbers: str | None, at_ms: int) -> list[Reading]:
        count = self._counts[name]
        self.last_known[name] = LastKnown(count.total, at_ms)
        readings = [Reading(name, at_ms, count.total)]
        if numbers is not None and count.highest is not None:
            readings.append(Reading(numbers, at_ms, float(count.highest)))
        return readings


def _in_a_hurry(undated: _Undated, arrived: float) -> bool:
    return undated.burst_began is not None and arrived - undated.burst_began > ENDLESS_S


def _standing(contents: Contents) -> list[tuple[str, float]]:
    """Values that are what they are, by name; increments left out."""
    return [(field_.name, value) for field_, value in contents.values if not field_.is_increment]


def _with_part(name: str, part: str) -> str:
    return f"{part}.{name.rpartition('.')[2]}"

"""A topic that falls silent while another begins to speak like it: a device was renamed. Pure.

Rule: looked for only after a long silence, by listening for a while to topics that differ in one level. What is found
is a question to the operator, said once, never a new source: another home's inverter speaks like ours too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from watcher.collect.mqtt.payload import contents
from watcher.collect.mqtt.topic_map import TopicRule, matches

SILENT_S = 3600.0
LOOK_S = 900.0
"""How long to listen; devices that speak every five minutes are heard twice."""
AGAIN_S = 6 * 3600.0
_STRANGERS = 200


def siblings(rule: TopicRule) -> list[str]:
    """Patterns for topics that differ from a rule's in one level.

    A bare number under another last level is another quantity, so that level stays where the payload is one.
    """
    levels = rule.topic.split("/")
    bare = all(value.path is None for value in rule.values)
    places = [at for at, level in enumerate(levels) if level not in ("+", "") and not level.startswith("$")]
    if bare and len(levels) > 1:
        places = [at for at in places if at < len(levels) - 1]
    return ["/".join([*levels[:at], "+", *levels[at + 1 :]]) for at in places]


class Strangers:
    """What speaks like the silent ones. silent: their rules. claimed: topics that somebody of ours reads"""

    def __init__(self, silent: Sequence[TopicRule], claimed: Sequence[str]) -> None:
        self._silent = [(rule, siblings(rule)) for rule in silent]
        self._claimed = tuple(claimed)
        self._heard: dict[tuple[str, str], int] = {}

    @property
    def filters(self) -> list[str]:
        return list(dict.fromkeys(one for _, patterns in self._silent for one in patterns))

    def note(self, topic: str, payload: bytes) -> None:
        """A message that is not retained."""
        if any(matches(claimed, topic) for claimed in self._claimed):
            return
        for rule, patterns in self._silent:
            pair = (rule.topic, topic)
            if len(self._heard) >= _STRANGERS and pair not in self._heard:
                continue
            if any(matches(pattern, topic) for pattern in patterns):
                read = contents(payload, rule)
                if read.values and not read.refused:
                    self._heard[pair] = self._heard.get(pair, 0) + 1

    def found(self) -> list[tuple[str, str]]:
        """The silent topic and the one that speaks like it, heard more than once."""
        return [pair for pair, times in self._heard.items() if times > 1]


class Renamed:
    """Decides when to listen. look: begins to, for LOOK_S, and tells what it hears to the Strangers"""

    def __init__(
        self, rules: Sequence[TopicRule], claimed: Callable[[], Sequence[str]], look: Callable[[Strangers], None]
    ) -> None:
        self._rules, self._claimed, self._look = tuple(rules), claimed, look
        self._began: float | None = None
        self._looking: Strangers | None = None
        self._next = float("-inf")
        self._told: set[tuple[str, str]] = set()

    def turn(self, heard: Mapping[str, float], monotonic: float) -> list[str]:
        """What to ask the operator now. heard: when each topic last spoke, on the monotonic clock"""
        if self._began is None:
            self._began = monotonic
        notes: list[str] = []
        if self._looking is not None and monotonic >= self._next - AGAIN_S + LOOK_S:
            for pair in self._looking.found():
                if pair not in self._told and len(self._told) < _STRANGERS:
                    self._told.add(pair)
                    notes.append(f"{pair[0]} is silent, and {pair[1]} speaks like it: was the device renamed?")
            self._looking = None
        began = self._began
        silent = [rule for rule in self._rules if monotonic - heard.get(rule.topic, began) >= SILENT_S]
        if silent and self._looking is None and monotonic >= self._next:
            self._next = monotonic + AGAIN_S
            strangers = Strangers(silent, self._claimed())
            if strangers.filters:
                self._looking = strangers
                self._look(strangers)
        return notes

"""Random payloads and random topic maps: nothing is raised, and nothing that is not finite and possible comes out.

`python -m tests.collect.mqtt.fuzz_payloads --count 100000` prints one line of figures; a short run is among the tests.
Seeded, so that a find can be found again.
"""

from __future__ import annotations

import argparse
import json
import math
import random
from collections import Counter
from pathlib import Path

from watcher.collect.mqtt.intake import Intake, Message
from watcher.collect.mqtt.payload import contents
from watcher.collect.mqtt.topic_map import TopicMap, TopicRule
from watcher.config import load_topic_map
from watcher.domain.errors import SetupError
from watcher.domain.instant import parse_iso
from watcher.domain.quantity import channel

CONFIG = Path(__file__).resolve().parents[3] / "config" / "topics"
NOW_MS = parse_iso("2026-06-21T12:00:00Z")
_NUMBERS = (
    "0", "-0", "1520", "1520.5", "-3", "1e3", "1e999", "-1e999", "9" * 40, "9" * 5000, "0.1", "1.520", "4294967295",
    "1e-400", "nan", "NaN", "-NaN", "inf", "-Infinity", "Infinity", "0x1F", "01", "1.", ".5", "+1", "1_000",
)  # fmt: skip
_TEXTS = (
    "1 520 W", "812,7 kWh", "1.52 kW", "ON", "off", "", " ", "unavailable", "12:30", "1,520.5", "5 mW", "41.2 °C",
    "\u0661", "1'520", "\u202f1", "running", "9" * 70, "1e9999", "--", "2026-06-21T11:59:00Z", "2026-10-25T01:30:00",
    "9999-12-31T23", "1970-01-01", "\x00", "\ud7ff", "nan", '"', "\\", "{}", "[nan]",
)  # fmt: skip
_WORDS = ("null", "true", "false", "nan", "None", "undefined", "[]", "{}", "[[1]]")
_KEYS = ("ts", "p", "power", "energy", "inv", "ac", "dc", "state", "n", "seq", "1.8.0", "i", "x", "")
_MAP_WORDS = (
    "ac_power", "pulse_count", "operating_state", "nonsense", "kWh", "W", "increment", "iso", "ms", "{device}/a", "#",
)  # fmt: skip


def some_value(dice: random.Random, depth: int = 0) -> str:
    """The text of a value, of JSON or nearly."""
    kind = dice.random()
    if kind < 0.35:
        return dice.choice(_NUMBERS)
    if kind < 0.6:
        return json.dumps(dice.choice(_TEXTS))
    if kind < 0.7:
        return dice.choice(_WORDS)
    if kind < 0.72:
        return dice.choice(("[", '{"p":')) * dice.randrange(1, 3000)
    if depth > 4:
        return "1"
    if kind < 0.85:
        return "[" + ", ".join(some_value(dice, depth + 1) for _ in range(dice.randrange(3))) + "]"
    return some_object(dice, depth + 1)


def some_object(dice: random.Random, depth: int = 0) -> str:
    entries = (f"{json.dumps(dice.choice(_KEYS))}: {some_value(dice, depth)}" for _ in range(dice.randrange(7)))
    return "{" + ", ".join(entries) + "}"


def like_a_device(dice: random.Random) -> str:
    """What the example's device says, with one thing or another in place of a value."""
    odd = [some_value(dice, 3) if dice.random() < 0.25 else None for _ in range(5)]
    return (
        f'{{"ts": {odd[0] or json.dumps(f"2026-06-21T11:5{dice.randrange(10)}:00+00:00")},'
        f' "seq": {odd[4] or dice.randrange(2000)}, "n": {dice.randrange(20)},'
        f' "inv": {{"ac": [{{"p": {odd[1] or dice.randrange(4000)}}}], "1.8.0": {odd[2] or dice.random() * 1e4},'
        f' "dc": [{{"i": {odd[3] or round(dice.random() * 10, 2)}}}], "state": "running"}}}}'
    )


def some_payload(dice: random.Random) -> bytes:
    kind = dice.random()
    if kind < 0.35:
        text = like_a_device(dice)
    elif kind < 0.6:
        text = some_object(dice)
    elif kind < 0.8:
        text = dice.choice(_TEXTS + _NUMBERS + _WORDS)
    elif kind < 0.9:
        text = some_value(dice)
    else:
        return dice.randbytes(dice.randrange(200))
    raw = text.encode("utf-8", "surrogatepass")
    for _ in range(dice.choice((0, 0, 0, 1, 3))):  # cut, changed, doubled
        at = dice.randrange(len(raw) + 1)
        raw = dice.choice((raw[:at], raw[:at] + dice.randbytes(1) + raw[at + 1 :], raw[:at] + raw[max(0, at - 9) :]))
    return raw + b" " * 70_000 if dice.random() < 0.001 else raw


def spoilt(dice: random.Random, text: str) -> str:
    """A map's file with a few slips in it."""
    lines = text.splitlines()
    for _ in range(dice.randrange(1, 4)):
        at = dice.randrange(len(lines))
        slip = dice.random()
        if slip < 0.3:
            del lines[at]
        elif slip < 0.6:
            lines.insert(at, dice.choice(lines))
        elif slip < 0.8 and "=" in lines[at]:
            lines[at] = lines[at].split("=")[0] + f'= "{dice.choice(_MAP_WORDS)}"'
        else:
            cut = dice.randrange(len(lines[at]) + 1)
            lines[at] = lines[at][:cut] + dice.choice(_TEXTS + _NUMBERS).replace("\ud7ff", "") + lines[at][cut:]
        if not lines:
            return ""
    return "\n".join(lines)


def map_or_none(text: str, counted: Counter[str]) -> TopicMap | None:
    try:
        return load_topic_map(text, "fuzz.toml", "fuzz")
    except SetupError as error:
        problems = error.problems
    counted["maps refused"] += 1
    assert all(problem.place.startswith("fuzz.toml") and problem.allowed for problem in problems)
    return None


def hold_to_the_promise(rule: TopicRule, payload: bytes, counted: Counter[str]) -> Message:
    read = contents(payload, rule)
    for field, value in read.values:
        assert field in rule.values
        assert isinstance(value, float)
        assert field.quantity.low <= value <= field.quantity.high, (field.name, value, payload)
    assert len(read.values) + len(read.refused) >= 1
    counted["values"] += len(read.values)
    counted["values refused"] += len(read.refused)
    return Message(rule.topic, rule, 0.0, read)


def run(seed: int, count: int) -> Counter[str]:
    """Try so many payloads; what came of it."""
    dice = random.Random(seed)
    examples = [path.read_text(encoding="utf-8") for path in sorted(CONFIG.glob("*.toml"))]
    maps = [load_topic_map(text, "example.toml", "example") for text in examples]
    counted: Counter[str] = Counter()
    intake, second = Intake("d-1"), 0.0
    for number in range(count):
        if number % 20 == 0:
            counted["maps"] += 1
            spoilt_map = map_or_none(spoilt(dice, dice.choice(examples)), counted)
            topics = (spoilt_map or dice.choice(maps)).of("home-1/pv")
        if number % 500 == 0:
            intake = Intake("d-1")
        second += dice.choice((0.0, 0.01, 1.0, 300.0))
        message = hold_to_the_promise(dice.choice(topics), some_payload(dice), counted)
        marks = {"retained": dice.random() < 0.1, "waited": dice.random() < 0.1, "again": dice.random() < 0.1}
        now_ms = NOW_MS + round(second * 1000)
        for reading in intake.take([message._replace(arrived=second, **marks)], now_ms, second).readings:
            quantity = channel(reading.channel).quantity
            assert math.isfinite(reading.value)
            assert quantity.low <= reading.value <= quantity.high
            counted["readings"] += 1
        counted["payloads"] += 1
    return counted


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--count", type=int, default=100_000)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    print(", ".join(f"{number} {what}" for what, number in run(given.seed, given.count).items()))

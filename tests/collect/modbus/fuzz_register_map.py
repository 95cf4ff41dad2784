"""Random maps and random registers: nothing but SetupError comes out of a file, nothing impossible out of a register.

`python -m tests.collect.modbus.fuzz_register_map --count 100000` prints one line of figures; a short run is among the
tests. Seeded, so that a find can be found again.
"""

from __future__ import annotations

import argparse
import math
import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from tests.collect.modbus.wire import Answer, Question, play
from watcher.collect.modbus.map_reader import RegisterMapReader
from watcher.collect.modbus.register_map import NumberType, RegisterMap
from watcher.config import load_map
from watcher.domain.errors import CollectError, Problem, SetupError
from watcher.domain.instant import DAY_MS
from watcher.domain.quantity import QUANTITIES, Kind, channel
from watcher.table.units import units_of

EXAMPLES = sorted((Path(__file__).resolve().parents[3] / "config" / "devices").glob("*.toml"))
TELLING = (0, 1, 0x7FFF, 0x8000, 0xFFFF, 0x7F80, 0xFF80, 0x7FC0, 0x7FF0, 0xFFFE, 0x7F7F)
"""Words at the edges of numbers: extremes, infinities, what is no number."""
JUNK = (
    "", "=", "[[", "]]", "nan", "inf", "-inf", "1e999", "-1", "true", '"', "'''", "{", "}", "0x", "9" * 40, "\0", "é",
    "[" + "9" * 400 + "]",
    "1979-05-27", "[point]", "[[point]]", "[device]", "\n", "#", "point.x = 1", "[[device]]", "{ a = { b = [] } }",
)  # fmt: skip


def some_map(dice: random.Random) -> str:
    """The text of a map that is right in most things and odd in many."""
    lines = [f'[device]\ndescription = "{dice.choice("abc")}"']
    lines += _some(dice, {"function": "3 4", "max_registers": "1 2 4 20 125", "address_base": "0 1", **_ORDERS})
    many = dice.randint(1, 8)
    addresses = dice.sample(range(1, 97, 4), many)
    for quantity, address in zip(dice.sample(list(QUANTITIES.values()), many), addresses, strict=True):
        whole = [str(type) for type in NumberType if not type.is_float]
        odd = dice.choice((-1, 0, 2, 3, 65535, 65536)) if dice.random() < 0.03 else address
        lines += ["[[point]]", f'quantity = "{quantity.name}"', f"address = {odd}"]
        lines += _some(dice, {"function": "3 4", "part": '"l1" "input-1" "input-27"', **_ORDERS})
        match quantity.kind:
            case Kind.BITS:
                lines += [f'type = "{dice.choice(("uint16", "uint32"))}"', f"bits = {_table(dice, 16, 31)}"]
            case Kind.STATE:
                lines += [f'type = "{dice.choice(whole)}"', f"states = {_table(dice, 100, 9)}"]
            case _:
                lines += [f'type = "{dice.choice(list(NumberType))}"', *_some(dice, {"sentinels": _SENTINELS})]
                units = " ".join(f'"{unit}"' for unit in units_of(quantity))
                scale = "1e-9 0.001 0.1 1 7 1e6 1e9 3.3333333333333335"
                lines += _some(dice, {"unit": units, "sign": "1 -1"})
                lines += _some(dice, dice.choice(({"scale": scale}, {"scale_register": "0 5 44 300 65535"})))
        if quantity.kind is Kind.COUNTER:
            lines += _some(dice, {"counter": '"lifetime" "none"', "includes_battery_discharge": "true false"})
    return "\n".join(lines) + "\n"


_SENTINELS = "[0] [0x7FFF] [0x8000] [0xFFFF,0x7FFF] [-1] [0x8000_0000] [1e38,1.5] []"
_ORDERS = {"word_order": '"high-first" "low-first"', "byte_order": '"high-first" "low-first"'}


def _some(dice: random.Random, keys: dict[str, str]) -> list[str]:
    return [f"{key} = {dice.choice(values.split(' '))}" for key, values in keys.items() if dice.random() < 0.4]


def _table(dice: random.Random, theirs: int, ours: int) -> str:
    listed = {dice.randrange(theirs): dice.randint(1, ours) for _ in range(dice.randint(1, 5))}
    return "{ " + ", ".join(f"{key} = {value}" for key, value in listed.items()) + " }"


def spoilt(dice: random.Random, text: str) -> str:
    """The same text after a slip of the pen, a bad copy or a power cut."""
    for _ in range(dice.randint(1, 3)):
        start = dice.randrange(len(text) + 1)
        end = min(len(text), start + dice.choice((0, 1, 5, 60)))
        match dice.randrange(5):
            case 0:
                text = text[:start] + text[end:]
            case 1:
                text = text[:start] + dice.choice(JUNK) + text[end:]
            case 2:
                text = text[:start] + text[start:end] * 2 + text[end:]
            case 3:
                text = text[:start]
            case _:
                lines = text.split("\n")
                at = dice.randrange(len(lines))
                lines[at] = lines[at].partition("=")[0] + "= " + dice.choice(JUNK)
                text = "\n".join(lines)
    return text


def some_device(dice: random.Random) -> Callable[[Question], Answer]:
    """A device whose registers change with every question, with holes and a limit of its own."""
    longest = dice.choice((125, 125, 20, 2, 1))
    holes = {dice.randrange(100) for _ in range(dice.choice((0, 0, 3, 40)))}

    def answer(question: Question) -> Answer:
        if question.count > longest:
            return 3
        if holes.intersection(range(question.first, question.first + question.count)):
            return 2
        if dice.random() < 0.002:
            return dice.choice((1, 4, 6))
        telling = dice.random() < 0.5
        return [dice.choice(TELLING) if telling else dice.getrandbits(16) for _ in range(question.count)]

    return answer


def hold_to_the_promise(registers: RegisterMap, device: Callable[[Question], Answer], counted: Counter[str]) -> None:
    """Three polls and one a day later: each reading finite and possible, of a channel the map has."""
    reader = RegisterMapReader("d-1", registers, "generation-meter", "imported")
    names = {f"d-1.{point.name}" for point in registers.read_points()} | {"d-1.energy_index"}

    def watched(question: Question) -> Answer:
        assert question.function in (3, 4)
        assert 0 < question.count <= registers.max_registers
        assert 0 <= question.first <= 0x1_0000 - question.count
        counted["requests"] += 1
        counted["words"] += question.count
        return device(question)

    for now_ms in (0, 60_000, 120_000, DAY_MS):
        try:
            poll, _ = play(reader.poll(now_ms), watched)
        except CollectError:
            counted["polls without an answer"] += 1
            continue
        for name, value in poll.decoded.values.items():
            quantity = channel(name).quantity
            assert name in names
            assert isinstance(value, float)
            assert math.isfinite(value)
            assert quantity.low <= value <= quantity.high, (name, value)
        counted["readings"] += len(poll.decoded.values)


def run(seed: int, count: int) -> Counter[str]:
    """Try so many files; what came of it."""
    dice = random.Random(seed)
    examples = [path.read_text(encoding="utf-8") for path in EXAMPLES]
    counted: Counter[str] = Counter()
    for _ in range(count):
        text = some_map(dice) if dice.random() < 0.7 else dice.choice(examples)
        if dice.random() < 0.3:
            text = spoilt(dice, text)
        counted["files"] += 1
        loaded = map_or_problems(text)
        if isinstance(loaded, RegisterMap):
            hold_to_the_promise(loaded, some_device(dice), counted)
        else:
            counted["refused"] += 1
            assert loaded
            assert all(problem.place.startswith("fuzz.toml") and problem.allowed for problem in loaded)
    return counted


def map_or_problems(text: str) -> RegisterMap | tuple[Problem, ...]:
    try:
        return load_map(text, "fuzz.toml", "fuzz")
    except SetupError as error:
        return error.problems


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--count", type=int, default=100_000)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    print(", ".join(f"{number} {what}" for what, number in run(given.seed, given.count).items()))

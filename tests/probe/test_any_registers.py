"""Whatever stands in the registers and whatever the map says: a judgement, a page and a bundle, never an exception.

`python -m tests.probe.test_any_registers 100000` runs as many and prints one line; a short run is among the tests.
"""

from __future__ import annotations

import contextlib
import random
import sys

from tests.collect.modbus.fuzz_register_map import TELLING, some_map
from watcher.collect.modbus.blocks import Table
from watcher.collect.modbus.register_map import RegisterMap
from watcher.config import load_map
from watcher.domain.errors import SetupError
from watcher.probe.bundle import Bundle, bundle_text, read_bundle
from watcher.probe.judge import judge
from watcher.probe.map_text import map_text
from watcher.probe.page import WIDTH, unit_page
from watcher.probe.seen import ROLES, Facts, InputFacts, Sample, UnitSeen

COUNT = 300


def some_unit(dice: random.Random) -> UnitSeen | None:
    """A unit with a random map, or none, and words at the edges of numbers; None where the map is no map."""
    registers: RegisterMap | None = None
    if dice.random() < 0.9:
        try:
            registers = load_map(some_map(dice), "fuzz", "fuzz")
        except SetupError:
            return None
    samples = []
    words = {(table, at): _word(dice) for table in Table for at in range(110) if dice.random() < 0.97}
    apart_ms = dice.choice((0, 1, 5_000, 900_000))
    for poll in range(dice.randint(1, 3)):
        samples.append(Sample(poll * apart_ms, dict(words)))
        for place in dice.sample(sorted(words), 20):
            words[place] = (words[place] + dice.choice((1, 1, 3, 0xFFFF))) & 0xFFFF
    inputs = {f"input-{n}": InputFacts(dice.choice((None, 0.0, 250.0)), dice.choice((None, 9.0))) for n in (1, 27)}
    facts = Facts(dice.choice(ROLES), dice.choice((None, 3680.0)), dice.choice(({}, inputs)))
    return UnitSeen(dice.randint(0, 247), registers, tuple(samples), facts, standard=dice.random() < 0.1)


def _word(dice: random.Random) -> int:
    return dice.choice((0, 0, dice.choice(TELLING), dice.randint(0, 3000), dice.getrandbits(16)))


def examine(seed: int) -> int:
    """One unit through all of it; how many things looked wrong."""
    dice = random.Random(seed)
    seen, beside = some_unit(dice), some_unit(dice)
    if seen is None:
        return 0
    judgement = judge(seen, [seen, *([beside] if beside else [])])
    lines = list(unit_page(seen, judgement))
    assert all(len(line) <= WIDTH for line in lines), seed
    if seen.registers is None or len({p.address - p.value.first for p in seen.registers.points}) == 1:
        assert read_bundle(bundle_text(Bundle((seen,), {}, "\n".join(lines))), "fuzz").units == (seen,), seed
    for suspicion in judgement.suspicions:
        assert suspicion.points, seed
        assert suspicion.sentence, seed
        assert "nan" not in " ".join(suspicion.evidence), seed
    if judgement.fixed is not None:
        # Two fixes may ask for the same place; `watcher probe` says so then, and writes nothing.
        with contextlib.suppress(SetupError, ValueError):
            load_map(map_text(judgement.fixed), "fixed", "fixed")
    return len(judgement.suspicions)


def test_any_registers_are_judged_shown_and_saved() -> None:
    assert sum(examine(seed) for seed in range(COUNT)) > 100


if __name__ == "__main__":
    count = int(sys.argv[1])
    print(f"{count} units, {sum(examine(seed) for seed in range(count))} suspicions, no exception")

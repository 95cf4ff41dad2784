"""Registers nobody has described: what looks like something, and what is left alone."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import pytest

from tests.probe.seeing import BEGAN_MS
from watcher.collect.modbus.blocks import Table
from watcher.probe.seen import Sample
from watcher.probe.unmapped import answered, guessed, hints


def samples(*polls: Sequence[int], first: int = 100) -> tuple[Sample, ...]:
    return tuple(
        Sample(BEGAN_MS + 1000 * n, {(Table.INPUT, first + at): word for at, word in enumerate(poll)})
        for n, poll in enumerate(polls)
    )


def real(value: float) -> tuple[int, int]:
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return high, low


@pytest.mark.parametrize(
    ("polls", "told"),
    [
        ([[5001], [5002]], ["50.02 Hz, scale 0.01"]),
        ([[2413], [2415]], ["241.5 V, scale 0.1"]),
        ([real(2345.5), real(2350.25)], ["float32 high-first: 2350.25"]),
        ([real(2345.5)[::-1], real(2350.25)[::-1]], ["float32 low-first: 2350.25"]),
        ([[0, 2345], [0, 2350]], ["int32 high-first: 2350, its second register moves; or 235 V, scale 0.1"]),
        ([[2345, 0], [2350, 0]], ["int32 low-first: 2350, its first register moves; or 235 V, scale 0.1"]),
        ([[188, 24842], [188, 24850]], ["int32 high-first: 12345618, its second register moves"]),
        ([[17], [19]], ["19, moving (17 before)"]),
        ([[17], [17]], []),
        ([[0, 0], [0, 0]], []),
    ],
)
def test_what_registers_look_like(polls: Sequence[Sequence[int]], told: list[str]) -> None:
    assert [hint.reads for hint in hints(samples(*polls))] == told


def test_the_stretches_that_answer_are_told_by_table() -> None:
    words = {(Table.INPUT, at): 0 for at in (1, 2, 3, 7)} | {(Table.HOLDING, 0): 0}
    assert answered((Sample(BEGAN_MS, words),)) == {Table.HOLDING: ((0, 0),), Table.INPUT: ((1, 3), (7, 7))}


def test_a_map_is_guessed_only_of_what_is_known_by_its_number() -> None:
    found = guessed(samples([5001, 2413, 2390, 2420, 2410, 77], [5002, 2413, 2390, 2420, 2410, 78]))
    assert found is not None
    assert [(p.name, p.address) for p in found.points] == [
        ("frequency", 100),
        ("l1.ac_voltage", 101),
        ("l2.ac_voltage", 102),
        ("l3.ac_voltage", 103),
    ]
    assert guessed(samples([77, 0], [78, 0])) is None
    assert guessed(samples([0, 2413], [0, 2415])) is None  # 2415 W, as like as not

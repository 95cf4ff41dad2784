"""What a probe asks of one unit: who it is, what it describes, what a map names, what answers at all.

Rule: polite and small. What is refused is remembered and not asked for again; nothing is asked that is not needed to
tell a right map from a wrong one: the points, their neighbours, and the other table for what this one does not have.
Sans-IO, as in blocks.py.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from watcher.collect.modbus.blocks import (
    ILLEGAL_FUNCTION,
    MOST,
    Asking,
    Blocks,
    Refused,
    Span,
    Table,
    UnansweredError,
    cover,
)
from watcher.collect.modbus.register_map import RegisterMap
from watcher.collect.modbus.registers import Words
from watcher.collect.modbus.sunspec import DeviceMap, NoMapError, discover, read_identity

SILENCE = Refused(0)
"""Stands for no answer at all, for those conversations that go on after it."""

SCANNED = ((0, 399), (1000, 1099), (3000, 3099), (5000, 5099), (30000, 30099), (32000, 32099), (40000, 40099))
"""Where registers are looked for when nobody says where: first and last address (common practice, no source)."""

A_BLOCK = 10
SILENT_IN_A_ROW = 3
_LAST = 0xFFFF


@dataclass(frozen=True, slots=True)
class Described:
    """What a unit says of itself. found: None where it does not speak SunSpec; why: then, in short."""

    found: DeviceMap | None
    identity: Mapping[str, str]
    why: str = ""


def describe(now_ms: int) -> Asking[Described]:
    """Look for a SunSpec map and who the device is. UnansweredError where the device is in trouble."""
    try:
        found = yield from discover()
    except NoMapError as error:
        return Described(None, {}, str(error))
    identity = yield from read_identity(found, now_ms)
    return Described(found, identity)


GATEWAY = (10, 11)
"""Exceptions a gateway says for a device it cannot reach."""


def there() -> Asking[bool]:
    """Whether a unit answers one question for one register, be it with an exception of its own."""
    return _heard((yield Span(0, 1)))


def somebody() -> Asking[bool]:
    """Whether a unit answers for a register of either table, be it with an exception of its own."""
    for table in Table:
        if _heard((yield Span(0, 1, table))):
            return True
    return False


def _heard(answer: Words | Refused) -> bool:
    return not isinstance(answer, Refused) or (answer != SILENCE and answer.code not in GATEWAY)


class MapPoll:
    """Polls what a map names, and around it.

    around: whether to ask, too, for the register before and after each point, which tell a map that is off by one, and
        for what is not answered in the other table. Both once it is known which tables answer at all.
    refused: tables the device does not know, with what it said
    """

    def __init__(self, registers: RegisterMap, *, around: bool) -> None:
        self._registers = registers
        self._most = min(registers.max_registers, MOST)
        self._around_still_due = around
        self._blocks: dict[Table, Blocks] = {}
        self.refused: dict[Table, Refused] = {}
        self._plan({table: self._named(table) for table in Table})

    def read(self, now_ms: int) -> Asking[dict[tuple[Table, int], int]]:
        """Every register that was answered, by place."""
        words = yield from self._all(now_ms)
        if self._around_still_due:
            self._around_still_due = False
            self._plan({table: self._named(table) | self._around(table, words) for table in Table})
            words = yield from self._all(now_ms)
        return words

    def _plan(self, wanted: Mapping[Table, set[Span]]) -> None:
        self._blocks = {table: Blocks(spans, self._most) for table, spans in wanted.items() if spans}

    def _all(self, now_ms: int) -> Asking[dict[tuple[Table, int], int]]:
        words: dict[tuple[Table, int], int] = {}
        for table, blocks in self._blocks.items():
            if table in self.refused:
                continue
            try:
                found = yield from blocks.read(now_ms)
            except UnansweredError as error:
                if error.refused.code != ILLEGAL_FUNCTION:
                    raise
                self.refused[table] = error.refused
                continue
            words.update(zip(_places(blocks.requests), found, strict=False))
        return words

    def _named(self, table: Table) -> set[Span]:
        """What the map names in a table; a number and its power of ten in one request where that can be."""
        spans: set[Span] = set()
        for point in self._registers.read_points():
            if point.value.table is not table:
                continue
            spans.add(point.value)
            if point.scale_register is not None:
                both = cover((point.value, point.scale_register))
                spans |= {both} if both.count <= self._most else {point.scale_register}
        return spans

    def _around(self, table: Table, words: Mapping[tuple[Table, int], int]) -> set[Span]:
        """Neighbours of the points in a table that answers, and what the other one does not answer."""
        spans: set[Span] = set()
        answers = any(one is table for one, _ in words)
        for span in (point.value for point in self._registers.read_points()):
            if span.table is table and answers:
                sides = (span.first - 1, span.end)
                spans |= {Span(address, 1, table) for address in sides if 0 <= address <= _LAST}
            elif span.table is not table and not _whole(span, words):
                spans.add(Span(span.first, span.count, table))
        return spans


def _places(requests: Sequence[Span]) -> Iterator[tuple[Table, int]]:
    for span in requests:
        yield from ((span.table, address) for address in range(span.first, span.end))


def _whole(span: Span, words: Mapping[tuple[Table, int], int]) -> bool:
    return all((span.table, address) in words for address in range(span.first, span.end))


def scan(ranges: Sequence[tuple[int, int]], table: Table) -> Asking[dict[tuple[Table, int], int]]:
    """What answers in some ranges of one table, asked for in small blocks.

    A refused block is tried at its first register, and one by one from there on while that answers; where a block
    answers and the one before did not, the registers before it are tried one by one too. A table is given up once it
    stays silent three times in a row, or where the device does not know the function.
    """
    words: dict[tuple[Table, int], int] = {}
    silent = 0
    for first, last in ranges:
        for start in range(first, last + 1, A_BLOCK):
            span = Span(start, min(A_BLOCK, last + 1 - start), table)
            answer = yield span
            if answer == SILENCE:
                silent += 1
                if silent == SILENT_IN_A_ROW:
                    return words
                continue
            silent = 0
            if isinstance(answer, Refused):
                if answer.code == ILLEGAL_FUNCTION:
                    return words
                words.update((yield from _one_by_one(range(start, span.end), table)))
            else:
                words.update(zip(_places([span]), answer, strict=False))
            if (table, start) in words and (table, start - 1) not in words and start > first:
                words.update((yield from _one_by_one(range(start - 1, max(first, start - A_BLOCK) - 1, -1), table)))
    return words


def _one_by_one(addresses: Iterable[int], table: Table) -> Asking[dict[tuple[Table, int], int]]:
    """Registers in their order until the first that is refused."""
    found: dict[tuple[Table, int], int] = {}
    for address in addresses:
        answer = yield Span(address, 1, table)
        if isinstance(answer, Refused):
            break
        found[table, address] = answer[0]
    return found


def again(places: Sequence[tuple[Table, int]]) -> Asking[dict[tuple[Table, int], int]]:
    """Read once more what answered to a scan, in blocks as small as before."""
    words: dict[tuple[Table, int], int] = {}
    for span in _stretches(sorted(places)):
        answer = yield span
        if not isinstance(answer, Refused):
            words.update(zip(_places([span]), answer, strict=False))
        elif span.count > 1:  # answered one by one before, and only so
            for address in range(span.first, span.end):
                one = yield Span(address, 1, span.table)
                if not isinstance(one, Refused):
                    words[span.table, address] = one[0]
    return words


def _stretches(places: Sequence[tuple[Table, int]]) -> Iterator[Span]:
    run: list[tuple[Table, int]] = []
    for place in places:
        if run and (place != (run[-1][0], run[-1][1] + 1) or len(run) == A_BLOCK):
            yield Span(run[0][1], len(run), run[0][0])
            run = []
        run.append(place)
    if run:
        yield Span(run[0][1], len(run), run[0][0])

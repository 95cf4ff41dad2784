"""What a probe asks: politely, and no more than it needs."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.collect.modbus.wire import INVERTER_A1, Question, at, play, sunspec
from watcher.collect.modbus.blocks import Span, Table
from watcher.collect.modbus.probe_talk import SILENT_IN_A_ROW, MapPoll, again, describe, scan, somebody
from watcher.collect.modbus.register_map import RegisterMap
from watcher.config import load_map
from watcher.probe.readout import value
from watcher.probe.seen import INVERTER, METER, Sample
from watcher.probe.sunspec_map import described, role_of

MAP = """
[device]
description = "two numbers far apart"
function = 4
[[point]]
quantity = "ac_power"
address = 40
type = "int32"
[[point]]
quantity = "frequency"
address = 300
type = "uint16"
scale_register = 303
"""


def two_points() -> RegisterMap:
    return load_map(MAP, "test", "test")


def test_the_points_and_their_neighbours_are_asked_for_in_few_requests() -> None:
    poll = MapPoll(two_points(), around=True)
    found, asked = play(poll.read(0), at(0, range(400)))
    asked_first, asked_then = asked[:2], asked[2:]
    assert asked_first == [Span(40, 2, Table.INPUT), Span(300, 4, Table.INPUT)]
    assert asked_then == [Span(39, 4, Table.INPUT), Span(299, 5, Table.INPUT)]
    assert play(poll.read(5_000), at(0, range(400)))[1] == asked_then
    assert set(found) == {(Table.INPUT, address) for address in (*range(39, 43), *range(299, 304))}


def test_what_is_refused_costs_only_itself_and_is_not_asked_for_again() -> None:
    poll = MapPoll(two_points(), around=True)
    held = {**at(40, [0, 2345]), **at(300, [5001, 0, 0, 0xFFFE])}

    def answer(question: Question) -> list[int] | int:
        wanted = range(question.first, question.first + question.count)
        return [held[a] for a in wanted] if question.function == 4 and all(a in held for a in wanted) else 2

    found, first = play(poll.read(0), answer)
    assert found == {(Table.INPUT, address): word for address, word in held.items()}
    _, second = play(poll.read(5_000), answer)
    assert len(second) < len(first)
    assert second == [Span(40, 2, Table.INPUT), Span(300, 4, Table.INPUT)]


def test_what_is_not_in_its_table_is_looked_for_in_the_other() -> None:
    def holding_only(question: Question) -> list[int] | int:
        return [7] * question.count if question.function == 3 else 2

    found, asked = play(MapPoll(two_points(), around=True).read(0), holding_only)
    assert {(Table.HOLDING, a) for a in (40, 41, 300)} <= set(found)
    assert {span.table for span in asked} == {Table.HOLDING, Table.INPUT}


def test_a_table_the_device_does_not_know_is_noted_and_left_alone() -> None:
    poll = MapPoll(two_points(), around=True)
    assert play(poll.read(0), lambda question: 1)[0] == {}
    assert {table: refused.code for table, refused in poll.refused.items()} == {Table.INPUT: 1, Table.HOLDING: 1}
    assert play(poll.read(5_000), lambda question: 1)[1] == []


def test_a_map_that_allows_few_registers_at_once_is_respected() -> None:
    short = replace(two_points(), max_registers=2)
    _, asked = play(MapPoll(short, around=True).read(0), at(0, range(400)))
    assert max(span.count for span in asked) <= 2


def test_what_a_device_does_not_have_stays_absent() -> None:
    registers = sunspec(INVERTER_A1)
    told, _ = play(describe(0), registers)
    assert told.found is not None
    own = described(told.found)
    assert own is not None
    words, _ = play(MapPoll(own, around=False).read(0), registers)
    values = {point.name: value(point, Sample(0, words)) for point in own.points}
    assert {name for name, one in values.items() if one is None} >= {"l2.ac_current", "dc_current", "temp_heatsink"}
    assert values["l1.ac_voltage"] == pytest.approx(240.6)
    assert values["operating_state"] == 4
    assert values["event_bits"] == 0


def test_the_role_follows_from_the_models() -> None:
    inverter, _ = play(describe(0), sunspec(INVERTER_A1))
    meter, _ = play(describe(0), sunspec([203, 105, *[0x8000] * 105]))
    assert inverter.found is not None
    assert meter.found is not None
    assert (role_of(inverter.found), role_of(meter.found)) == (INVERTER, METER)


def test_a_stranger_is_asked_little_before_it_is_called_one() -> None:
    told, asked = play(describe(0), at(0, [0] * 50))
    assert told.found is None
    assert len(asked) <= 3
    assert play(somebody(), lambda question: 2)[0] is True
    assert len(play(somebody(), lambda question: 2)[1]) == 1
    assert play(somebody(), lambda question: 0)[0] is False


@pytest.mark.parametrize("first", [0, 3])
def test_a_scan_asks_in_small_blocks_and_one_by_one_at_the_edges(first: int) -> None:
    found, asked = play(scan([(first, 59)], Table.INPUT), at(23, range(100, 112)))
    assert max(span.count for span in asked) <= 10
    assert found == {(Table.INPUT, 23 + n): 100 + n for n in range(12)}


def test_a_scan_stays_in_its_ranges() -> None:
    found, asked = play(scan([(5, 14), (30, 33)], Table.INPUT), at(0, range(100)))
    assert {address for _, address in found} == {*range(5, 15), *range(30, 34)}
    assert min(span.first for span in asked) == 5
    assert max(span.end for span in asked) == 34


def test_a_scan_of_a_silent_table_stops_soon() -> None:
    found, asked = play(scan([(0, 399)], Table.HOLDING), lambda question: 0)
    assert (found, len(asked)) == ({}, SILENT_IN_A_ROW)
    found, asked = play(scan([(0, 399)], Table.HOLDING), lambda question: 1)
    assert (found, len(asked)) == ({}, 1)


def test_what_answered_a_scan_is_read_again_and_nothing_else() -> None:
    places = [(Table.INPUT, a) for a in (1, 2, 3, 40)] + [(Table.HOLDING, 7)]
    found, asked = play(again(places), at(0, range(50)))
    assert found == {place: place[1] for place in places}
    assert sorted(asked) == [Span(1, 3, Table.INPUT), Span(7, 1), Span(40, 1, Table.INPUT)]

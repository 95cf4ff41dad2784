"""What is asked together, and what is learned from refusals; no wire."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.collect.modbus.wire import Answer, Question, at, hold, play
from watcher.collect.modbus.blocks import Blocks, Refused, Span, Table, UnansweredError
from watcher.domain.instant import DAY_MS


def limited(registers: dict[int, int], most: int, code: int = 3):
    """A device that answers at most so many registers at once, and says so before it looks at addresses."""
    answer = hold(registers)

    def reply(question: Question) -> Answer:
        return code if question.count > most else answer(question)

    return reply


def got(blocks: Blocks, words: list[int]) -> dict[Span, list[int]]:
    places = {span: blocks.place(span) for span in blocks.wanted}
    return {span: words[start : start + span.count] for span, start in places.items() if start is not None}


def test_neighbours_are_read_together_over_a_gap() -> None:
    blocks = Blocks([Span(40, 2), Span(10, 4)])
    _, asked = play(blocks.read(0), at(0, range(100)))
    assert asked == [Span(10, 32)]


def test_no_request_is_longer_than_a_reply_can_carry() -> None:
    blocks = Blocks([Span(first, 2) for first in range(0, 400, 4)])
    words, asked = play(blocks.read(0), at(0, range(1000)))
    assert [span.count for span in asked] == [122, 122, 122, 26]
    assert got(blocks, words) == {span: [span.first, span.first + 1] for span in blocks.wanted}


def test_a_wanted_span_longer_than_a_request_is_our_own_mistake() -> None:
    with pytest.raises(ValueError, match="125"):
        Blocks([Span(0, 126)])


def test_the_two_tables_are_never_mixed() -> None:
    blocks = Blocks([Span(0, 2), Span(2, 2, Table.INPUT)])
    _, asked = play(blocks.read(0), at(0, range(10)))
    assert asked == [Span(0, 2), Span(2, 2, Table.INPUT)]


def test_what_was_refused_is_not_asked_again_until_a_day_has_passed() -> None:
    device = at(0, range(10)) | at(20, range(10))
    blocks = Blocks([Span(2, 2), Span(22, 2)])
    _, first = play(blocks.read(0), device)
    _, second = play(blocks.read(60_000), device)
    _, third = play(blocks.read(DAY_MS), device)
    assert first == [Span(2, 22), Span(2, 2), Span(22, 2)]
    assert second == [Span(2, 2), Span(22, 2)]
    assert third == first


def test_a_device_that_refused_nothing_is_never_put_to_the_test_again() -> None:
    blocks = Blocks([Span(2, 2), Span(8, 2)])
    play(blocks.read(0), at(0, range(10)))
    assert play(blocks.read(DAY_MS), at(0, range(10)))[1] == list(blocks.requests)


def test_a_device_that_changed_is_learned_anew_in_the_same_cycle() -> None:
    blocks = Blocks([Span(2, 2), Span(8, 2)])
    play(blocks.read(0), at(0, range(20)))
    words, asked = play(blocks.read(60_000), at(0, range(5)) | at(7, range(7, 20)))
    assert asked[0] == Span(2, 8)
    assert got(blocks, words) == {Span(2, 2): [2, 3], Span(8, 2): [8, 9]}


def test_a_register_that_is_not_there_costs_only_itself() -> None:
    blocks = Blocks([Span(2, 2), Span(8, 2), Span(30, 1)])
    words, _ = play(blocks.read(0), at(0, range(20)))
    assert blocks.missing == {Span(30, 1)}
    assert got(blocks, words) == {Span(2, 2): [2, 3], Span(8, 2): [8, 9]}


def test_a_device_that_refuses_everything_teaches_nothing() -> None:
    blocks = Blocks([Span(2, 2), Span(8, 2)])
    assert play(blocks.read(0), {})[0] == []
    assert blocks.missing == frozenset()
    words, _ = play(blocks.read(60_000), at(0, range(20)))  # a minute later it has woken up
    assert blocks.requests == (Span(2, 8),)
    assert words == list(range(2, 10))


def test_a_code_three_for_a_bad_address_does_not_shorten_every_request() -> None:
    device = limited(at(10, range(100)), 125)
    blocks = Blocks([Span(0, 2), *(Span(first, 2) for first in range(10, 60, 4))])
    play(blocks.read(0), lambda question: 3 if device(question) == 2 else device(question))
    assert len(blocks.requests) == 1
    assert blocks.missing == {Span(0, 2)}


@pytest.mark.parametrize("code", [1, 4, 5, 6])
def test_other_refusals_are_not_answered_by_asking_differently(code: int) -> None:
    with pytest.raises(UnansweredError) as caught:
        play(Blocks([Span(0, 2)]).read(0), lambda _: code)
    assert caught.value.refused == Refused(code)


SPANS = st.lists(st.builds(Span, st.integers(0, 300), st.integers(1, 20)), min_size=1, max_size=25)


@given(SPANS, st.sets(st.integers(0, 320), max_size=30), st.integers(20, 125), st.sampled_from([2, 3]))
def test_everything_a_device_can_answer_is_read_and_then_without_refusals(
    wanted: list[Span], holes: set[int], most: int, code: int
) -> None:
    registers = {address: address * 7 for address in range(330) if address not in holes}
    device = limited(registers, most, code)
    blocks = Blocks(wanted)
    readable = {span for span in wanted if all(a in registers for a in range(span.first, span.end))}
    for now_ms in (0, 60_000, 120_000):
        words, asked = play(blocks.read(now_ms), device)
        if not readable:
            assert words == []
            return
        assert got(blocks, words) == {span: [a * 7 for a in range(span.first, span.end)] for span in readable}
        assert blocks.missing == set(wanted) - readable
        if now_ms:
            assert asked == list(blocks.requests)
            assert all(isinstance(device(Question(0, 1, 3, span.first, span.count)), list) for span in asked)


@given(SPANS)
def test_a_device_without_holes_gets_the_fewest_requests(wanted: list[Span]) -> None:
    blocks = Blocks(wanted)
    _, asked = play(blocks.read(0), at(0, range(400)))
    # Each request must begin at or before some wanted span that no earlier one held: walk them the plain way.
    fewest, rest = 0, sorted(wanted)
    while rest:
        fewest += 1
        rest = [span for span in rest if span.end > rest[0].first + 125]
    assert len(asked) == fewest

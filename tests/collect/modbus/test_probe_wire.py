"""The probe on a real wire: what it sends, how it waits, and what it says when nothing comes back."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable

import pytest

from tests.collect.modbus.wire import INVERTER_A1, Answer, Question, Recorder, Server, at, hold, sunspec
from tests.probe.seeing import device_map
from watcher.collect.modbus.probe_wire import EXCEPTIONS, NobodyError, refusal
from watcher.commands.probe_asked import Asked
from watcher.commands.probe_units import Prober
from watcher.probe.seen import UnitSeen
from watcher.simulate.odd_registers import TimeOfDay, plant
from watcher.simulate.odd_registers import words as registers_of

DEVICE = {address: word for (_, address), word in registers_of(device_map(), plant(TimeOfDay.NOON, 0)).items()}


def probed(asked: Asked) -> tuple[tuple[UnitSeen, ...], list[str]]:
    said: list[str] = []
    return asyncio.run(Prober(asked, said.append).run()), said


def against(
    answer: Callable[[Question], Answer], **wishes: object
) -> tuple[tuple[UnitSeen, ...], list[str], list[Question]]:
    """Probe a server in the same loop."""

    async def run() -> tuple[tuple[UnitSeen, ...], list[str], list[Question]]:
        said: list[str] = []
        async with Server(answer) as server:
            settled = {"seconds": 0.1, "timeout_s": 0.2, **wishes}
            asked = Asked(address=server.address, **settled)  # type: ignore[arg-type]
            return await Prober(asked, said.append).run(), said, server.asked

    return asyncio.run(run())


def whole(registers: dict[int, int]) -> Callable[[Question], Answer]:
    return hold({**at(0, [0] * 60), **registers})


@pytest.mark.parametrize("wishes", [{"registers": device_map()}, {"ranges": ((0, 59),)}])
def test_a_probe_sends_function_codes_3_and_4_only(wishes: dict[str, object]) -> None:
    """A proxy keeps every byte that was sent."""

    async def run() -> Recorder:
        async with Server(whole(DEVICE)) as server, Recorder(server.port) as recorder:
            asked = Asked(address=recorder.address, seconds=0.1, timeout_s=1.0, **wishes)  # type: ignore[arg-type]
            await Prober(asked, lambda line: None).run()
            return recorder

    recorder = asyncio.run(run())
    assert recorder.functions <= {3, 4}
    assert recorder.functions
    assert all(len(request) == 12 for request in recorder.requests)


def test_a_device_that_describes_itself_is_read_without_a_map() -> None:
    units, _, asked = against(hold(sunspec(INVERTER_A1)))
    (seen,) = units
    assert seen.standard
    assert seen.facts.role == "inverter"
    assert len(seen.samples) == 3
    assert {question.function for question in asked} == {3}


def test_a_stranger_is_scanned_and_what_answered_is_read_again() -> None:
    units, said, asked = against(whole(DEVICE), ranges=((0, 59),))
    (seen,) = units
    assert seen.registers is None
    assert len(seen.samples) == 3
    assert set(seen.samples[0].words) == set(seen.samples[2].words)
    assert any("does not describe itself" in line for line in said)
    assert max(question.count for question in asked) <= 10


def test_units_are_polled_in_turn_and_a_silent_one_costs_itself() -> None:
    def answer(question: Question) -> Answer:
        return None if question.unit == 2 else whole(DEVICE)(question)

    units, said, _ = against(answer, units=(1, 2, 3), registers=device_map())
    assert [(seen.unit, len(seen.samples)) for seen in units] == [(1, 3), (3, 3)]
    assert any("unit 2 says nothing" in line for line in said)
    assert said.count("Poll 3 of 3.") == 1


def test_many_unit_ids_are_hunted_for_who_answers() -> None:
    def answer(question: Question) -> Answer:
        return whole(DEVICE)(question) if question.unit in (3, 9) else 11

    async def run() -> tuple[UnitSeen, ...]:
        async with Server(answer) as server:
            asked = Asked(
                address=server.address, units=tuple(range(1, 12)), hunt=True, registers=device_map(), seconds=0.0
            )
            return await Prober(asked, lambda line: None).run()

    assert [seen.unit for seen in asyncio.run(run())] == [3, 9]


def test_a_device_that_answers_to_every_unit_id_is_one() -> None:
    units, said, asked = against(
        whole(DEVICE), units=tuple(range(1, 100)), hunt=True, registers=device_map(), seconds=0.0
    )
    assert [seen.unit for seen in units] == [1]
    assert any("does not look at them" in line for line in said)
    assert max(question.unit for question in asked) < 10


@pytest.mark.parametrize("wishes", [{"registers": device_map()}, {}, {"scan": True}])
def test_no_answer_from_a_unit_is_said_with_what_to_try(wishes: dict[str, object]) -> None:
    with pytest.raises(NobodyError, match=r"unit 1 says nothing\. Is the unit id right"):
        against(lambda question: None, timeout_s=0.1, **wishes)


def test_nothing_that_listens_is_a_refused_connection() -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(NobodyError, match=f"Refused by port {port} of 127.0.0.1"):
        probed(Asked(address=f"127.0.0.1:{port}", timeout_s=0.5))


def test_a_name_nobody_has_is_no_such_host() -> None:
    with pytest.raises(NobodyError, match=r"There is no such host as no-such-host\.invalid|cannot be looked up"):
        probed(Asked(address="no-such-host.invalid:502", timeout_s=1.0))


def test_a_device_that_hangs_up_at_once_is_busy_with_somebody_else() -> None:
    async def run() -> None:
        async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            writer.close()

        server = await asyncio.start_server(hang_up, "127.0.0.1", 0)
        async with server:
            port = server.sockets[0].getsockname()[1]
            await Prober(Asked(address=f"127.0.0.1:{port}", timeout_s=0.2), lambda line: None).run()

    with pytest.raises(NobodyError, match=r"hangs up at once\. Many devices serve one program at a time"):
        asyncio.run(run())


@pytest.mark.parametrize("code", [4, 6, 10])
def test_an_exception_is_said_in_words(code: int) -> None:
    """With a map; without one, a device in trouble is still looked at for what answers."""
    with pytest.raises(NobodyError, match=EXCEPTIONS[code]):
        against(lambda question: code, registers=device_map())


def test_a_gateway_without_a_device_behind_it_is_said() -> None:
    with pytest.raises(NobodyError, match="Unit 1: exception 11: the gateway asked it and got no answer"):
        against(lambda question: 11)


def test_every_exception_has_words_and_an_unknown_one_its_number() -> None:
    assert all(str(code) in refusal(code) for code in (*EXCEPTIONS, 99))


def test_a_poll_that_fails_is_noted_and_the_others_kept() -> None:
    polls = 0

    def answer(question: Question) -> Answer:
        nonlocal polls
        polls += question.first <= 5 < question.first + question.count
        return 4 if polls == 3 else whole(DEVICE)(question)

    units, _, _ = against(answer, registers=device_map())
    (seen,) = units
    assert len(seen.samples) == 2
    (note,) = seen.notes
    assert "failed. Exception 4: it failed while answering." in note

"""A serial line over real ports: what is sent, what is believed, what a driver may do to us."""

from __future__ import annotations

import asyncio
import os
import threading
import time
from collections.abc import Coroutine, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.collect.modbus.serial_wire import Asked, Units, exception, pair, reply
from tests.collect.modbus.wire import INVERTER_A1, sunspec
from watcher.collect.modbus.blocks import Refused, Span, Table
from watcher.collect.modbus.bus import DeviceOnBus, ModbusBus
from watcher.collect.modbus.line import SilentError
from watcher.collect.modbus.rtu_line import RtuLine
from watcher.collect.modbus.serial_port import SerialPort
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.site import SerialSettings

QUICK = SerialSettings(baud=115200, quiet_gap_s=0.15)
TIMEOUT_S = 0.1


def run(steps: Coroutine[Any, Any, Any]) -> Any:
    return asyncio.run(steps)


def quick(path: str, **other: Any) -> RtuLine:
    return RtuLine(path, QUICK, timeout_s=TIMEOUT_S, **other)


def honest(question: Asked) -> list[tuple[float, bytes]]:
    """Every register holds its own address, and input registers that and a thousand."""
    return [(0.0, reply(question.unit, question.function, right(question)))]


def right(question: Asked) -> list[int]:
    base = question.first + (1000 if question.function == 4 else 0) + 10_000 * (question.unit - 1)
    return [(base + n) & 0xFFFF for n in range(question.count)]


async def let_go(line: RtuLine, path: str) -> None:
    """Close, and wait until the port is free for others."""
    line.close()
    for _ in range(400):
        try:
            SerialPort(path, QUICK).close()
        except OSError:
            await asyncio.sleep(0.005)
        else:
            return
    raise AssertionError("the port was never let go")


def test_a_sunspec_inverter_and_its_neighbour_served_by_an_independent_program_read_the_same(tmp_path: Path) -> None:
    a1 = sunspec(INVERTER_A1)
    held = SimData(40000, values=[a1[address] for address in sorted(a1)], datatype=DataType.REGISTERS)

    async def steps(ours: str, theirs: str) -> None:
        units = [SimDevice(id=unit, simdata=[held]) for unit in (1, 2)]
        server = ModbusSerialServer(units, framer=FramerType.RTU, port=theirs, baudrate=115200)
        await server.serve_forever(background=True)
        devices = [DeviceOnBus(f"inverter-{unit}", unit, "sunspec", "exported", "inverter") for unit in (1, 2)]
        bus = ModbusBus(RtuLine(ours, QUICK), devices)
        both = await asyncio.gather(*(bus.poll(device.id, 0, 0.0) for device in devices))
        for device, polled in zip(devices, both, strict=True):
            values = {reading.channel: reading.value for reading in polled.readings}
            assert values[f"{device.id}.ac_power"] == 3158.0
        assert {kind for kind, count in bus.refused.items() if count} <= {"refused"}
        await bus.close()
        await server.shutdown()

    with pair(tmp_path) as (ours, theirs):
        run(steps(ours, theirs))


def test_nothing_but_the_two_reading_functions_is_ever_sent_on_a_serial_line(tmp_path: Path) -> None:
    def moody(question: Asked) -> list[tuple[float, bytes]]:
        turn = len(units.asked)
        good = honest(question)[0][1]
        trouble = [b"", exception(question.unit, question.function, 6), good[:4], b"\x00garbage!", good + good]
        return [(0.0, trouble[turn // 3 % len(trouble)] if turn % 3 == 0 else good)]

    async def steps(ours: str) -> int:
        line, answered = quick(ours), 0
        for turn in range(40):
            span = Span(turn, 1 + turn % 7, Table.INPUT if turn % 2 else Table.HOLDING)
            try:
                answered += not isinstance(await line.ask(1 + turn % 3, span, patient=turn % 5 == 0), Refused)
            except SilentError:
                continue
        await let_go(line, ours)
        return answered

    with pair(tmp_path) as (ours, theirs), Units(theirs, moody) as units:
        assert run(steps(ours)) > 20
        assert {frame[1] for frame in units.frames} == {3, 4}
        assert {len(frame) for frame in units.frames} == {8}


def test_a_silent_unit_is_not_asked_again_blindly_and_the_line_is_left_quiet(tmp_path: Path) -> None:
    def one_sleeps(question: Asked) -> list[tuple[float, bytes]]:
        times.append(time.monotonic())
        return honest(question) if question.unit == 2 else []

    async def steps(ours: str) -> dict[str, int]:
        line = quick(ours)
        with pytest.raises(SilentError):
            await line.ask(1, Span(0, 2), patient=False)
        assert list(await line.ask(2, Span(0, 2), patient=False)) == [10_000, 10_001]
        await let_go(line, ours)
        return dict(line.counted)

    times: list[float] = []
    with pair(tmp_path) as (ours, theirs), Units(theirs, one_sleeps) as units:
        counted = run(steps(ours))
        assert [question.unit for question in units.asked] == [1, 2]
    assert times[1] - times[0] >= TIMEOUT_S + QUICK.quiet_gap_s - 0.005
    assert counted == {"silent": 1}


@pytest.mark.parametrize(
    ("spoilt", "kind"),
    [
        pytest.param(lambda good: good[:-1] + b"?", "garbled", id="a wrong check sum"),
        pytest.param(lambda good: good[:-3], "garbled", id="a frame cut short"),
        pytest.param(lambda good: reply(9, 3, [1, 2]), "mismatched", id="another unit"),
        pytest.param(lambda good: reply(1, 3, [1]), "short", id="too few registers"),
    ],
)
def test_what_does_not_fit_is_thrown_away_and_asked_again_once(tmp_path: Path, spoilt: Any, kind: str) -> None:
    def answer(question: Asked) -> list[tuple[float, bytes]]:
        good = honest(question)[0][1]
        return [(0.0, spoilt(good) if len(units.asked) == 1 else good)]

    async def steps(ours: str) -> dict[str, int]:
        line = quick(ours)
        assert list(await line.ask(1, Span(5, 2), patient=False)) == [5, 6]
        await let_go(line, ours)
        return dict(line.counted)

    with pair(tmp_path) as (ours, theirs), Units(theirs, answer) as units:
        assert run(steps(ours)) == {kind: 1}


def test_after_three_answers_in_a_row_that_do_not_fit_the_port_is_opened_again(tmp_path: Path) -> None:
    opened: list[str] = []

    def opener(path: str, settings: SerialSettings, by_id: Path) -> SerialPort:
        opened.append(path)
        return SerialPort(path, settings, by_id)

    async def steps(ours: str) -> dict[str, int]:
        line = quick(ours, opener=opener)
        for _ in range(2):
            with pytest.raises(SilentError, match="mismatched"):
                await line.ask(1, Span(0, 1), patient=False)
        await let_go(line, ours)
        return dict(line.counted)

    with pair(tmp_path) as (ours, theirs), Units(theirs, lambda q: [(0.0, reply(9, 3, [0]))]):
        assert run(steps(ours)) == {"mismatched": 4, "reopened": 1}
    assert len(opened) == 2


def test_a_busy_unit_is_asked_once_more(tmp_path: Path) -> None:
    def answer(question: Asked) -> list[tuple[float, bytes]]:
        return [(0.0, exception(1, 3, 6))] if len(units.asked) == 1 else honest(question)

    async def steps(ours: str) -> None:
        line = quick(ours)
        assert list(await line.ask(1, Span(5, 1), patient=False)) == [5]
        await let_go(line, ours)

    with pair(tmp_path) as (ours, theirs), Units(theirs, answer) as units:
        run(steps(ours))


def test_a_line_that_never_stops_talking_is_no_answer_and_no_hang(tmp_path: Path) -> None:
    async def steps(ours: str, theirs: str) -> dict[str, int]:
        line = quick(ours)
        other = os.open(theirs, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        over = threading.Event()

        def talk() -> None:
            while not over.wait(0.0005):
                try:
                    os.write(other, b"\x55")
                except BlockingIOError:
                    continue

        talking = threading.Thread(target=talk)
        talking.start()
        try:
            with pytest.raises(SilentError):
                await line.ask(1, Span(0, 1), patient=False)
        finally:
            over.set()
            talking.join()
            os.close(other)
        line.close()
        return dict(line.counted)

    with pair(tmp_path) as (ours, theirs):
        counted = run(steps(ours, theirs))
    assert counted["late"] > 0


STORY = st.lists(
    st.tuples(
        st.sampled_from(
            ["good", "silent", "late", "cut", "noise", "other unit", "other table", "short", "twice", "busy"]
        ),
        st.integers(0, 50),
        st.integers(1, 4),
        st.integers(1, 2),
    ),
    min_size=1,
    max_size=12,
)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(STORY)
def test_whatever_happens_on_the_line_no_wrong_register_is_ever_believed(
    tmp_path_factory: pytest.TempPathFactory, story: Sequence[tuple[str, int, int, int]]
) -> None:
    tricks = iter(())

    def answer(question: Asked) -> list[tuple[float, bytes]]:
        good = honest(question)[0][1]
        wrong = [7] * question.count
        return {
            "good": [(0.0, good)],
            "silent": [],
            "late": [(TIMEOUT_S + 0.05, good)],  # after the time-out, before the quiet gap is over
            "cut": [(0.0, good[: len(good) // 2])],
            "noise": [(0.0, bytes(range(60, 90)))],
            "other unit": [(0.0, reply(77, question.function, wrong))],
            "other table": [(0.0, reply(question.unit, 7 - question.function, wrong))],
            "short": [(0.0, reply(question.unit, question.function, [*wrong, 7]))],
            "twice": [(0.0, good + good)],
            "busy": [(0.0, exception(question.unit, question.function, 6))],
        }[next(tricks, "good")]

    async def steps(ours: str) -> None:
        nonlocal tricks
        line = quick(ours)
        for trick, first, count, unit in story:
            tricks = iter([trick])
            table = Table.INPUT if first % 2 else Table.HOLDING
            try:
                words = await line.ask(unit, Span(first, count, table), patient=False)
            except SilentError:
                assert trick in ("silent", "late", "cut", "noise")
                continue
            assert list(words) == right(Asked(unit, table, first, count))
        # And when it is over the line is as good as new.
        tricks = iter(())
        assert list(await line.ask(1, Span(3, 2), patient=False)) == [3, 4]
        line.close()

    with pair(tmp_path_factory.mktemp("line")) as (ours, theirs), Units(theirs, answer):
        run(steps(ours))


def test_an_adapter_that_comes_back_under_another_number_is_found_by_its_own_name(tmp_path: Path) -> None:
    names = tmp_path / "by-id"
    names.mkdir()
    plain = tmp_path / "ttyUSB0"

    async def steps() -> dict[str, int]:
        with pair(tmp_path, ("a", "b")) as (ours, theirs), Units(theirs, honest):
            # The site file says ttyUSB0, and the adapter has a name of its own.
            os.rename(ours, plain)
            (names / "usb-adapter").symlink_to(os.path.realpath(plain))
            tty = os.path.realpath(plain)
            line = quick(tty, by_id=names)
            assert list(await line.ask(1, Span(1, 1), patient=False)) == [1]
        with pytest.raises((OSError, SilentError)):  # pulled out
            await line.ask(1, Span(1, 1), patient=False)
        (names / "usb-adapter").unlink()
        stranger = Units("", lambda question: [(0.0, reply(1, 3, [666]))])
        # Another adapter takes the old number before ours is back.
        with pair(tmp_path, ("c", "d")) as (_, stranger.port), stranger:
            with pair(tmp_path, ("e", "f")) as (ours, theirs), Units(theirs, honest):
                (names / "usb-adapter").symlink_to(os.path.realpath(ours))
                assert list(await line.ask(1, Span(1, 1), patient=False)) == [1]
            line.close()
        return dict(line.counted)

    counted = run(steps())
    assert (counted["broken"], counted["renamed"]) == (1, 1)


def test_a_port_that_is_not_there_is_tried_again_by_itself(tmp_path: Path) -> None:
    async def steps() -> None:
        bus = ModbusBus(
            quick(str(tmp_path / "ours")), [DeviceOnBus("inverter-1", 1, "sunspec", "exported", "inverter")]
        )
        with pytest.raises(CollectError, match="is the adapter plugged in") as caught:
            await bus.poll("inverter-1", 0, 0.0)
        assert caught.value.remedy is Remedy.RETRY
        a1 = sunspec(INVERTER_A1)

        def inverter(question: Asked) -> list[tuple[float, bytes]]:
            wanted = range(question.first, question.first + question.count)
            if not all(address in a1 for address in wanted):
                return [(0.0, exception(1, question.function, 2))]
            return [(0.0, reply(1, question.function, [a1[address] for address in wanted]))]

        with pair(tmp_path) as (_, theirs), Units(theirs, inverter):
            assert (await bus.poll("inverter-1", 60_000, 60.0)).readings
            await bus.close()

    run(steps())


class Stuck:
    """A driver that blocks until it is let go."""

    def __init__(self, path: str, go_on: threading.Event, *, in_open: bool) -> None:
        self.path, self._go_on, self.closed = path, go_on, threading.Event()
        if in_open:
            go_on.wait(30)

    def rest(self, *_: object) -> tuple[int, bool]:
        return 0, True

    def exchange(self, *_: object) -> tuple[None, bytes]:
        self._go_on.wait(30)
        return None, b""

    def close(self) -> None:
        self.closed.set()


@pytest.mark.parametrize("in_open", [True, False])
def test_a_driver_that_blocks_costs_the_event_loop_nothing_and_is_left_behind(tmp_path: Path, in_open: bool) -> None:
    go_on = threading.Event()
    made: list[Any] = []

    def opener(path: str, *_: object) -> Any:
        made.append(None)
        made[-1] = stuck = Stuck(path, go_on, in_open=in_open)
        return stuck

    async def steps() -> tuple[int, dict[str, int]]:
        line = quick(str(tmp_path / "port"), opener=opener, driver_s=0.1)
        beats = 0

        async def beat() -> None:
            nonlocal beats
            while True:
                await asyncio.sleep(0.01)
                beats += 1

        beating = asyncio.create_task(beat())
        with pytest.raises(OSError, match="does not come back"):
            await line.ask(1, Span(0, 1), patient=False)
        beating.cancel()
        # Once it comes back, what it was doing is put away.
        go_on.set()
        for _ in range(400):
            if made[0] is not None and made[0].closed.is_set():
                break
            await asyncio.sleep(0.005)
        assert made[0].closed.is_set()
        return beats, dict(line.counted)

    beats, counted = run(steps())
    assert beats >= 5
    assert counted["hanging"] == 1


def test_a_question_that_is_given_up_does_not_leave_its_answer_to_the_next(tmp_path: Path) -> None:
    async def steps(ours: str) -> None:
        line = quick(ours)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.02):
                await line.ask(1, Span(100, 1), patient=False)
        assert list(await line.ask(1, Span(5, 1), patient=False)) == [5]
        await let_go(line, ours)

    def slow(question: Asked) -> list[tuple[float, bytes]]:
        return [(0.06 if question.first == 100 else 0.0, honest(question)[0][1])]

    with pair(tmp_path) as (ours, theirs), Units(theirs, slow):
        run(steps(ours))

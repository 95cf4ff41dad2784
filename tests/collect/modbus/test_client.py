"""The bus over real sockets: what is sent, what is believed, what it costs the neighbours."""

from __future__ import annotations

import ast
import asyncio
import re
import struct
from collections import Counter
from collections.abc import Coroutine
from pathlib import Path
from typing import Any, TypeVar

import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from sunspec2.device import Model

import watcher
from tests.collect.modbus.wire import INVERTER_A1, Answer, Question, Recorder, Server, frame, hold, sunspec
from watcher.collect.modbus.blocks import Span
from watcher.collect.modbus.bus import DeviceOnBus
from watcher.collect.modbus.client import Line, ModbusTcpBus
from watcher.collect.modbus.line import SilentError
from watcher.collect.modbus.models import INPUT_CHANNELS, INVERTER_CHANNELS, METER_CHANNELS
from watcher.collect.modbus.plan import DeviceRole
from watcher.domain.errors import CollectError, Remedy

INVERTER = DeviceOnBus("inverter-1", 1, "sunspec", "exported", "inverter")
METER = DeviceOnBus("meter-1", 2, "sunspec", "imported", "generation-meter")
A1 = sunspec(INVERTER_A1)
T = TypeVar("T")


def run(steps: Coroutine[Any, Any, T]) -> T:
    return asyncio.run(steps)


async def values(bus: ModbusTcpBus, device: str = "inverter-1", monotonic: float = 0.0) -> dict[str, float]:
    polled = await bus.poll(device, 1_750_000_000_000, monotonic)
    assert {reading.time_ms for reading in polled.readings} == {1_750_000_000_000}
    return {reading.channel: reading.value for reading in polled.readings}


def published(model: int, length: int, points: dict[str, Any], inputs: tuple[dict[str, Any], ...] = ()) -> Model:
    """A model encoded by the independent library from its own definition; points not given are not implemented."""
    built = Model(model_id=model, model_len=length, data=bytes(2 * (length + 2)))
    groups = [built, *built.groups.get("module", [])]
    for group, given in zip(groups, (points, *inputs), strict=True):
        for name, point in group.points.items():
            if name not in ("ID", "L") or group is not built:
                point.value = given.get(name)
    return built


def registers(*models: Model) -> list[int]:
    packed = b"SunS" + b"".join(model.get_mb() for model in models) + bytes([0xFF, 0xFF, 0, 0])
    return list(struct.unpack(f">{len(packed) // 2}H", packed))


COMMON = {"Mn": "EXAMPLE WORKS", "Md": "DEMO", "Vr": "1.0", "SN": "0012345"}
BY_LIBRARY = {
    103: {
        "A": 2172, "AphA": 724, "AphB": 723, "AphC": 725, "A_SF": -2, "PhVphA": 2310, "PhVphB": 2309, "PhVphC": 2312,
        "V_SF": -1, "W": 5012, "W_SF": 0, "Hz": 5001, "Hz_SF": -2, "WH": 45678901, "WH_SF": 0, "DCW": 5160, "DCW_SF": 0,
        "TmpCab": 412, "TmpSnk": -35, "Tmp_SF": -1, "St": 5, "Evt1": 0x410, "Evt2": 0,
    },
    113: {
        "A": 21.72, "AphA": 7.24, "AphB": 7.23, "AphC": 7.25, "PhVphA": 231.05, "PhVphB": 230.9, "PhVphC": 231.2,
        "W": 5012.4, "Hz": 50.01, "WH": 4567890.0, "DCV": 612.7, "TmpCab": 41.25, "St": 4, "Evt1": 0,
    },
    203: {
        "A": 362, "A_SF": -1, "PhVphA": 2411, "PhVphB": 2407, "PhVphC": 2414, "V_SF": -1, "W": -490, "W_SF": 1,
        "TotWhExp": 3123456, "TotWhImp": 1234567, "TotWh_SF": 1, "Evt": 0,
    },
}  # fmt: skip
INPUTS = (
    {"DCA": 675, "DCV": 3812, "DCW": 2573, "DCWH": 23456789, "DCSt": 4, "DCEvt": 0},
    {"DCA": 661, "DCV": 3820, "DCW": 2525, "DCWH": 23456780, "DCSt": 9, "DCEvt": 0x8000},
)


def by_library(model: Model, names: dict[str, str], prefix: str) -> dict[str, float]:
    """The library's own scaled values of our channels, from its own decoding of its own registers."""
    model.set_mb(model.get_mb())
    points = {name: model.points[point].cvalue for point, name in names.items()}
    return {f"{prefix}.{name}": value for name, value in points.items() if value is not None}


@pytest.mark.parametrize(("main", "base"), [(103, 40000), (113, 0), (103, 50000), (203, 40000)])
def test_a_device_encoded_by_the_library_and_served_by_a_simulator_reads_the_same(main: int, base: int) -> None:
    role: DeviceRole = "meter" if main == 203 else "inverter"
    length = {103: 50, 113: 60, 203: 105}[main]
    model = published(main, length, BY_LIBRARY[main])
    inputs = published(160, 48, {"DCA_SF": -2, "DCV_SF": -1, "DCW_SF": 0, "DCWH_SF": 0, "N": 2}, INPUTS)
    chain = registers(published(1, 66, COMMON), model, inputs)
    expected = by_library(model, dict(METER_CHANNELS if role == "meter" else INVERTER_CHANNELS), "device-1")
    if role == "inverter":
        for n, group in enumerate(inputs.groups["module"], start=1):
            group_values = {point: group.points[point].cvalue for point in INPUT_CHANNELS}
            expected |= {f"device-1.input-{n}.{INPUT_CHANNELS[p]}": v for p, v in group_values.items()}
    # float32 as the library gives it is the same number written with more digits.
    expected = {name: float(f"{value:.7g}") if main == 113 else float(value) for name, value in expected.items()}

    async def steps() -> tuple[dict[str, float], Any]:
        device = SimDevice(id=1, simdata=[SimData(base, values=chain, datatype=DataType.REGISTERS)])
        server = ModbusTcpServer([device], address=("127.0.0.1", 0))
        await server.serve_forever(background=True)
        port = server.transport.sockets[0].getsockname()[1]
        bus = ModbusTcpBus(f"127.0.0.1:{port}", [DeviceOnBus("device-1", 1, "sunspec", "exported", role)])
        try:
            polled = await bus.poll("device-1", 0, 0.0)
            return {reading.channel: reading.value for reading in polled.readings}, polled.identity
        finally:
            await bus.close()
            await server.shutdown()

    read, identity = run(steps())
    assert read == expected
    assert len(read) >= 6
    assert identity == {"maker": "EXAMPLE WORKS", "model": "DEMO", "version": "1.0", "serial": "0012345"}


def test_nothing_but_the_two_reading_functions_is_ever_sent() -> None:
    def moody(question: Question) -> Answer:
        """Busy, wrong, holed, broken or silent by turns."""
        turn = len(server.asked)
        trouble: list[Answer] = [None, 6, 4, 11, 2, 3, b"\x00\x01garbage!", [1], 1]
        return trouble[turn // 7 % len(trouble)] if turn % 7 == 6 else hold(A1)(question)

    server = Server(moody)

    async def steps() -> tuple[set[int], int]:
        async with server, Recorder(server.port) as recorder:
            bus = ModbusTcpBus(recorder.address, [INVERTER, METER], timeout_s=0.02)
            succeeded = 0
            for poll in range(60):
                for device in ("inverter-1", "meter-1"):
                    try:
                        succeeded += bool(await values(bus, device, 1000.0 * poll))
                    except CollectError:
                        continue
            recorder.frozen = True
            with pytest.raises(CollectError):
                await values(bus, "inverter-1", 1e6)
            await bus.close()
            assert len(recorder.requests) > 200
            return recorder.functions, succeeded

    functions, succeeded = run(steps())
    assert functions <= {3, 4}
    assert succeeded > 10


def test_nothing_in_the_program_calls_what_would_write_to_a_device() -> None:
    root = Path(watcher.__file__).parent
    importers = set()
    forbidden = re.compile(r"^(write_(coils?|registers?|file_record)|readwrite_registers|mask_write_register|diag_.*)$")
    for path in root.rglob("*.py"):
        if "simulate" in path.parts:
            continue  # the simulated home is the device's end of the wire
        tree = ast.parse(path.read_text())
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom | ast.Import):
                names = [node.module or ""] if isinstance(node, ast.ImportFrom) else [a.name for a in node.names]
                if any(name.partition(".")[0] == "pymodbus" for name in names):
                    importers.add(path.relative_to(root).as_posix())
            if isinstance(node, ast.Attribute):
                assert not forbidden.match(node.attr), f"{path}:{node.lineno}"
    assert importers == {"collect/modbus/client.py"}


@pytest.mark.parametrize(
    ("wrong", "counter"),
    [
        pytest.param(lambda q: frame(q.transaction, q.unit, q.function, [7] * (q.count - 1)), "short", id="too few"),
        pytest.param(lambda q: frame(q.transaction, q.unit, q.function, [7] * (q.count + 1)), "short", id="too many"),
        pytest.param(lambda q: frame(q.transaction, q.unit, 4, [7] * q.count), "short", id="another function"),
        pytest.param(lambda q: frame(q.transaction, 9, q.function, [7] * q.count), "mismatched", id="another unit"),
        pytest.param(lambda q: frame(q.transaction + 9, q.unit, 3, [7] * q.count), "mismatched", id="another question"),
        pytest.param(lambda q: None, "silent", id="no answer"),
    ],
)
def test_a_reply_that_does_not_fit_is_not_believed_and_the_question_is_asked_again(wrong: Any, counter: str) -> None:
    spoil = [True]

    def answer(question: Question) -> Answer:
        return wrong(question) if spoil and spoil.pop() else hold(A1)(question)

    async def steps() -> tuple[dict[str, float], dict[str, int]]:
        async with Server(answer) as server:
            bus = ModbusTcpBus(server.address, [INVERTER], timeout_s=0.1)
            spoil.clear()
            await values(bus)
            spoil.append(True)
            read = await values(bus)
            await bus.close()
            return read, dict(bus.refused)

    read, counted = run(steps())
    assert read["inverter-1.ac_power"] == 3158.0
    assert counted[counter] == 1


def test_a_late_answer_is_not_taken_for_the_answer_to_the_next_question() -> None:
    held: list[Question] = []

    async def answer(question: Question) -> Answer:
        if question.first == 100 and not held:
            held.append(question)
            return None
        if held:  # first the late answer to the earlier question, in the same breath the right one
            late, right = held.pop(), frame(*question[:3], [1, 2])
            return frame(*late[:3], [0x00C3, 0x5A10]) + right
        return [1, 2]

    async def steps() -> None:
        async with Server(answer) as server:
            counted: Counter[str] = Counter()
            line = Line("127.0.0.1", server.port, 0.1, counted)
            assert list(await line.ask(1, Span(100, 2), patient=False)) == [1, 2]
            assert counted == {"silent": 1, "mismatched": 1}
            line.close()

    run(steps())


def test_an_answer_that_comes_byte_by_byte_is_an_answer() -> None:
    async def steps() -> None:
        async with Server(lambda _: [5, 6], byte_by_byte=True) as server:
            counted: Counter[str] = Counter()
            line = Line("127.0.0.1", server.port, 1.0, counted)
            assert list(await line.ask(1, Span(0, 2), patient=False)) == [5, 6]
            assert counted == {}
            line.close()

    run(steps())


def test_a_refused_connection_is_tried_again_by_itself_next_time() -> None:
    async def steps() -> dict[str, float]:
        async with Server(hold(A1)) as server:
            port = server.port
        bus = ModbusTcpBus(f"127.0.0.1:{port}", [INVERTER])
        with pytest.raises(CollectError) as caught:
            await values(bus, monotonic=0.0)
        assert caught.value.remedy is Remedy.RETRY
        assert bus.refused["unconnected"] == 1
        async with Server(hold(A1), port=port):
            read = await values(bus, monotonic=60.0)
            await bus.close()
        return read

    assert run(steps())["inverter-1.ac_power"] == 3158.0


def test_a_connection_the_device_has_closed_is_opened_again_without_losing_a_poll() -> None:
    async def steps() -> int:
        async with Server(hold(A1)) as server:
            bus = ModbusTcpBus(server.address, [INVERTER])
            await values(bus)
            await server.drop()
            await asyncio.sleep(0.02)  # until the news has come through
            await values(bus)
            await bus.close()
            return server.connections

    assert run(steps()) == 2


def test_a_poll_within_the_back_off_touches_no_wire_and_says_it_is_waiting() -> None:
    async def steps() -> list[float]:
        tried = []
        async with Server(lambda _: None) as server:
            bus = ModbusTcpBus(server.address, [INVERTER], timeout_s=0.005)
            for second in range(0, 1200, 5):
                before = len(server.asked)
                with pytest.raises(CollectError) as caught:
                    await values(bus, monotonic=float(second))
                assert caught.value.remedy is Remedy.RETRY
                assert ("waiting" in str(caught.value)) == (len(server.asked) == before)
                if len(server.asked) > before:
                    tried.append(second)
            await bus.close()
        return tried

    # 15 s, then twice as long each time, up to 300 s
    assert run(steps()) == [0, 15, 45, 105, 225, 465, 765, 1065]


@pytest.mark.parametrize("code", [10, 11])
def test_a_gateway_that_cannot_reach_the_unit_is_not_the_units_refusal(code: int) -> None:
    async def steps() -> None:
        async with Server(lambda _: code) as server:
            bus = ModbusTcpBus(server.address, [INVERTER])
            with pytest.raises(CollectError, match="gateway") as caught:
                await values(bus)
            assert caught.value.remedy is Remedy.RETRY
            assert len(server.asked) == 1
            await bus.close()

    run(steps())


@pytest.mark.parametrize(
    ("registers", "remedy"),
    [
        pytest.param(dict.fromkeys(range(40000, 40200), 0), Remedy.FIX_SETUP, id="no map"),
        pytest.param(sunspec([201, 105, *[0] * 105]), Remedy.FIX_SETUP, id="a meter where an inverter should be"),
    ],
)
def test_what_only_a_person_can_put_right_says_so(registers: dict[int, int], remedy: Remedy) -> None:
    async def steps() -> None:
        async with Server(hold(registers)) as server:
            bus = ModbusTcpBus(server.address, [INVERTER])
            for monotonic, says in ((0.0, "model|marker"), (5.0, "waiting")):
                with pytest.raises(CollectError, match=says) as caught:
                    await values(bus, monotonic=monotonic)
                assert caught.value.remedy is remedy
            await bus.close()

    run(steps())


def test_what_is_odd_about_a_device_is_said_once_and_again_when_it_returns(caplog: pytest.LogCaptureFixture) -> None:
    device = dict(A1)
    factor = 40070 + 15  # W_SF

    async def steps() -> list[tuple[str, ...]]:
        async with Server(lambda question: hold(device)(question)) as server:
            bus = ModbusTcpBus(server.address, [INVERTER])
            notes = []
            for word in (0, 0x8000, 0x8000, 0, 0x8000):
                device[factor] = word
                notes.append((await bus.poll("inverter-1", 0, 0.0)).notes)
            await bus.close()
            return notes

    odd = ("101.W has no usable scale factor",)
    assert run(steps()) == [(), odd, (), (), odd]
    assert [record.message for record in caplog.records] == [f"device-oddity device=inverter-1 note={odd[0]}"] * 2


def test_an_unknown_register_map_is_a_matter_of_setup_and_touches_no_wire() -> None:
    bus = ModbusTcpBus("127.0.0.1:1", [DeviceOnBus("meter-2", 3, "no-such-map", "exported", "meter")])
    with pytest.raises(CollectError, match="no-such-map") as caught:
        run(values(bus, "meter-2"))
    assert caught.value.remedy is Remedy.FIX_SETUP


def test_two_devices_polled_at_once_do_not_get_in_each_others_way() -> None:
    meter = sunspec([201, 105, *[0x8000] * 36, 0, 5, *[0, 0] * 3, 0, 9, *[0, 0] * 3, 0, *[0] * 50])

    def answer(question: Question) -> Answer:
        return hold(A1 if question.unit == 1 else meter)(question)

    async def steps() -> list[dict[str, float]]:
        async with Server(answer) as server:
            bus = ModbusTcpBus(server.address, [INVERTER, METER])
            both = await asyncio.gather(values(bus, "inverter-1"), values(bus, "meter-1"))
            await bus.close()
            assert server.connections == 1
            return both

    inverter, meter_read = run(steps())
    assert inverter["inverter-1.ac_power"] == 3158.0
    assert meter_read == {"meter-1.energy_export": 5.0, "meter-1.energy_import": 9.0, "meter-1.energy_index": 9.0}


def test_a_poll_that_is_given_up_leaves_the_line_usable() -> None:
    silent = [True]

    async def steps() -> dict[str, float]:
        async with Server(lambda q: None if silent else hold(A1)(q)) as server:
            bus = ModbusTcpBus(server.address, [INVERTER], timeout_s=10)
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(0.05):
                    await values(bus)
            silent.clear()
            read = await values(bus)
            await bus.close()
            return read

    assert run(steps())["inverter-1.ac_power"] == 3158.0


def test_a_line_that_stays_silent_is_closed() -> None:
    async def steps() -> int:
        async with Server(lambda _: None) as server:
            line = Line("127.0.0.1", server.port, 0.01, Counter())
            for _ in range(2):
                with pytest.raises(SilentError):
                    await line.ask(1, Span(0, 1), patient=False)
            line.close()
            return server.connections

    assert run(steps()) == 2


@pytest.mark.parametrize("role", ["inverters", ""])
def test_a_role_that_is_none_is_our_own_mistake(role: Any) -> None:
    with pytest.raises(ValueError, match="inverter-1"):
        ModbusTcpBus("127.0.0.1:502", [DeviceOnBus("inverter-1", 1, "sunspec", "exported", role)])

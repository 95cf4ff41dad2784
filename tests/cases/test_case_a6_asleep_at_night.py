"""Field case A6, main input: one unit behind a gateway sleeps at night, its neighbour does not.

Waiting on the wire is scaled: a second of the case is TIMEOUT_S / 3 here. The back-off runs on the case's own clock.
"""

from __future__ import annotations

import asyncio

import pytest

from tests.collect.modbus.wire import INVERTER_A1, Answer, Question, Recorder, Server, hold, sunspec
from watcher.collect.modbus.bus import DeviceOnBus
from watcher.collect.modbus.client import ModbusTcpBus
from watcher.collect.modbus.line import PATIENCE, TRIES
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import parse_iso

TIMEOUT_S = 0.06
SECOND = TIMEOUT_S / 3
ASLEEP, AWAKE = parse_iso("2026-12-10T15:47:00Z"), parse_iso("2026-12-11T08:26:00Z")
START, END = parse_iso("2026-12-10T15:32:00Z"), parse_iso("2026-12-11T08:56:00Z")
STEP_MS = 300_000
INVERTER = DeviceOnBus("inverter-1", 1, "sunspec", "exported", "inverter")
METER = DeviceOnBus("meter-1", 2, "sunspec", "exported", "generation-meter")
METER_MODEL = [201, 105, *[0x8000] * 36, 0, 5, *[0, 0] * 3, 0, 9, *[0, 0] * 3, 0, *[0] * 50]


@pytest.mark.parametrize("says", ["nothing", "gateway path unavailable", "gateway target failed to respond"])
def test_case_a6_a_sleeping_unit_goes_and_returns_by_itself_and_its_neighbour_keeps_pace(says: str) -> None:
    now_ms, first_connection = START, True

    async def gateway(question: Question) -> Answer:
        nonlocal first_connection
        if question.unit == METER.unit:
            return hold(sunspec(METER_MODEL))(question)
        if ASLEEP <= now_ms < AWAKE:
            return {"nothing": None, "gateway path unavailable": 10, "gateway target failed to respond": 11}[says]
        if now_ms >= AWAKE and first_connection:
            first_connection = False
            await asyncio.sleep(7 * SECOND)
        return hold(sunspec(INVERTER_A1))(question)

    # Where nothing is said each try costs real waiting: then only the night's first and last hour are played.
    everything = list(range(START, END, STEP_MS))
    if says == "nothing":
        everything = everything[:15] + everything[-18:]
    asleep = [at for at in everything if ASLEEP <= at < AWAKE]

    async def steps() -> None:
        nonlocal now_ms
        heard: dict[str, list[int]] = {"inverter-1": [], "meter-1": []}
        failed, questions_at_night = [], []
        async with Server(gateway) as server:
            bus = ModbusTcpBus(server.address, [INVERTER, METER], timeout_s=TIMEOUT_S)
            for now_ms in everything:
                before = len(server.asked)
                for device in heard:
                    try:
                        polled = await bus.poll(device, now_ms, now_ms / 1000)
                    except CollectError as error:
                        failed.append((now_ms, error.device, error.remedy))
                    else:
                        assert {reading.time_ms for reading in polled.readings} == {now_ms}
                        heard[device].append(now_ms)
                if now_ms in asleep:
                    questions_at_night.append(sum(q.unit == INVERTER.unit for q in server.asked[before:]))
            await bus.close()
        # Nothing at night, above all not the last value of the day; from the first answer in the morning on, all of it.
        assert heard["inverter-1"] == [at for at in everything if at not in asleep]
        assert failed == [(at, "inverter-1", Remedy.RETRY) for at in asleep]
        # The neighbour misses nothing, and waits for one patient question at most: 10 s in 300.
        assert heard["meter-1"] == everything
        assert questions_at_night[0] == (TRIES if says == "nothing" else 1)
        assert set(questions_at_night[1:]) <= {0, 1}
        assert TIMEOUT_S * PATIENCE / SECOND < 0.2 * STEP_MS / 1000

    asyncio.run(steps())


def test_case_a6_a_connection_that_died_without_a_word_is_replaced() -> None:
    async def steps() -> None:
        async with Server(hold(sunspec(INVERTER_A1))) as server, Recorder(server.port) as recorder:
            bus = ModbusTcpBus(recorder.address, [INVERTER], timeout_s=TIMEOUT_S)
            assert (await bus.poll("inverter-1", START, 0.0)).readings
            recorder.frozen = True  # dusk: the peer is gone and has closed nothing
            for poll in range(1, 5):
                with pytest.raises(CollectError):
                    await bus.poll("inverter-1", START + poll * STEP_MS, poll * 300.0)
            before = recorder.connections
            recorder.frozen = False
            assert (await bus.poll("inverter-1", AWAKE, 86_400.0)).readings
            assert recorder.connections == before + 1
            await bus.close()

    asyncio.run(steps())


def test_case_a6_a_slow_first_answer_is_no_failure() -> None:
    asked_before_waking = TRIES

    async def waking(question: Question) -> Answer:
        if len(server.asked) <= asked_before_waking:
            return None
        if len(server.asked) == asked_before_waking + 1:
            await asyncio.sleep(8 * 0.05)
        return hold(sunspec(INVERTER_A1))(question)

    server = Server(waking)

    async def steps() -> None:
        async with server:
            bus = ModbusTcpBus(server.address, [INVERTER], timeout_s=3 * 0.05)
            with pytest.raises(CollectError):
                await bus.poll("inverter-1", 0, 0.0)
            assert (await bus.poll("inverter-1", 300_000, 300.0)).readings
            assert server.asked[TRIES] not in server.asked[TRIES + 1 :]  # asked once, and waited for
            await bus.close()

    asyncio.run(steps())

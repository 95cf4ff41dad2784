"""The store against a model of its rules in a few lines of plain Python, on whatever batches chance thinks of.

The model knows nothing of packed days: upkeep may run at any time and must change nothing that can be asked.
"""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.domain.instant import DAY_MS, GRACE_MS, GRID_MS, MINUTE_MS, ON_TIME_MS
from watcher.domain.reading import Appended, Late, Reading
from watcher.store.readings import SqliteReadings

CHANNELS = ("inverter-1.ac_power", "meter-1.energy_index", "weather-forecast.ghi")

T0 = 6_000_000 * GRID_MS

# Small ranges on a half-minute lattice, so that rows meet, clocks step back and bounds are hit exactly.
instants = st.integers(-4, 16).map(lambda n: n * MINUTE_MS // 2)
readings = st.builds(Reading, st.sampled_from(CHANNELS), instants, st.sampled_from([0.0, 1.5, -2.0]))
batches = st.lists(st.tuples(instants, st.lists(readings, max_size=8)), max_size=8)
upkeeps = st.sets(st.integers(0, 8))
"""After which batches the night comes, years later by its clock: every row there is then lies in a closed day."""


def night(store: SqliteReadings) -> None:
    while store.upkeep(20_000 * DAY_MS):
        pass


class Model:
    """Everything ever stored, as (channel, time) to (value, received or None where on time)."""

    def __init__(self) -> None:
        self.rows: dict[tuple[str, int], tuple[float, int | None]] = {}
        self.received_through: int | None = None
        self.newest: dict[str, int] = {}

    def append(self, batch: list[Reading], now_ms: int) -> Appended:
        received = now_ms if self.received_through is None else max(self.received_through, now_ms)
        new = same = conflicting = 0
        for channel, time, value in batch:
            if time <= received + ON_TIME_MS:  # what lies ahead is a forecast, until it is offered again in its time
                self.newest[channel] = max(time, self.newest.get(channel, time))
            if (channel, time) not in self.rows:
                self.rows[channel, time] = (value, None if abs(received - time) <= ON_TIME_MS else received)
                new += 1
            elif self.rows[channel, time][0] == value:
                same += 1
            else:
                conflicting += 1
        self.received_through = received
        return Appended(new, same, conflicting)

    def window(self, start: int, end: int, received_by: int) -> dict[str, list[tuple[int, float, int]]]:
        seen: dict[str, list[tuple[int, float, int]]] = {}
        for (channel, time), (value, received) in sorted(self.rows.items()):
            if start <= time < end and (received is None or received < received_by):
                seen.setdefault(channel, []).append((time, value, time if received is None else received))
        return seen

    def last(self) -> dict[str, Reading]:
        return {channel: Reading(channel, time, self.rows[channel, time][0]) for channel, time in self.newest.items()}

    def late(self, since: int, until: int) -> list[Late]:
        groups: dict[tuple[int, str], list[int]] = {}
        for (channel, time), (_, received) in self.rows.items():
            if received is not None and since <= received < until:
                groups.setdefault((received, channel), []).append(time)
        return [Late(channel, at, min(times), max(times)) for (at, channel), times in sorted(groups.items())]


@settings(deadline=None)
@given(batches, upkeeps, st.lists(st.tuples(instants, instants, instants), min_size=1, max_size=5))
def test_any_order_of_batches_and_nights_leaves_what_the_rules_say(
    batches: list[tuple[int, list[Reading]]], upkeeps: set[int], questions: list[tuple[int, int, int]]
) -> None:
    model = Model()
    with SqliteReadings(":memory:") as store:
        for number, (now_ms, batch) in enumerate(batches):
            assert store.append({"home-1": batch}, now_ms) == model.append(batch, now_ms)
            assert store.received_through("home-1") == model.received_through
            if number in upkeeps:
                night(store)
        assert store.first("home-1") == min((time for _, time in model.rows), default=None)
        assert store.last("home-1") == model.last()
        assert store.count("home-1") == len(model.rows)
        for start, end, received_by in questions:
            window = store.window("home-1", None, start, end, received_by)
            assert {
                channel: list(zip(one.time_ms, one.value, one.known_ms, strict=True)) for channel, one in window.items()
            } == model.window(start, end, received_by)
            assert store.late("home-1", start, end) == model.late(start, end)


# Everything close about one grid point, so that most examples have rows on both sides of its judgement.
near = st.integers(-6, 8).map(lambda n: T0 + n * MINUTE_MS // 2)
near_batches = st.lists(
    st.tuples(near, st.lists(st.builds(Reading, st.sampled_from(CHANNELS), near, st.just(1.0)), max_size=6)),
    min_size=2,
    max_size=8,
)


@settings(deadline=None, max_examples=300)
@given(near_batches, upkeeps)
def test_what_a_point_sees_never_changes_once_the_watermark_has_passed_it(
    batches: list[tuple[int, list[Reading]]], upkeeps: set[int]
) -> None:
    """The rule live and replay stand on: whatever comes later, a settled question keeps its answer."""
    end, received_by = T0, T0 + GRACE_MS
    answer = None
    with SqliteReadings(":memory:") as store:
        for number, (now_ms, batch) in enumerate(batches):
            store.append({"home-1": batch}, now_ms)
            if number in upkeeps:
                night(store)
            if (store.received_through("home-1") or 0) >= received_by:
                now = store.window("home-1", None, -(2**62), end, received_by)
                assert answer is None or now == answer
                answer = now

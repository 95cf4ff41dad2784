"""Case B4, first part: bounces and spikes are no pulses, and a width test loses no good one."""

from __future__ import annotations

import pytest

from watcher.collect.pulse.recorded import edges_in
from watcher.collect.pulse.train import MS, Edge, PulseTrain, Timing

STREAM = "0:0 2:1 4:0 54:1 55:0 57:1 | 1200:0 1250:1 | 1800:0 1801:1 | 2410:0 2411:1 2412:0 2462:1"
METER = Timing.of(30.0, 1000.0, 4000.0)


def edges(stream: str) -> list[Edge]:
    """Milliseconds and level of each edge."""
    said = (one.split(":") for one in stream.replace("|", " ").split())
    return [Edge(int(at_ms) * MS, int(level)) for at_ms, level in said]


def heard(stream: str, until_ms: int) -> PulseTrain:
    train = PulseTrain(METER)
    for edge in edges(stream):
        train.edge(edge.at_ns, edge.level == 0)
    train.advance(until_ms * MS)
    return train


def test_case_b4_seven_falling_edges_are_three_pulses() -> None:
    assert sum(edge.level == 0 for edge in edges(STREAM)) == 7
    train = heard(STREAM, 3000)
    assert train.count == 3
    assert train.too_fast == 0  # 1.2 s apart; rated power gives 0.9 s


def test_case_b4_the_same_from_a_recording_as_the_other_polarity() -> None:
    text = "".join(f"{edge.at_ns} {1 - edge.level}\n" for edge in edges(STREAM))
    train = PulseTrain(METER)
    for edge in edges_in(text):
        train.edge(edge.at_ns, edge.level == 1)
    train.advance(3000 * MS)
    assert train.count == 3


@pytest.mark.parametrize(
    ("apart_ms", "too_fast"),
    [
        pytest.param(1000, 0, id="below rated power"),
        pytest.param(900, 0, id="at rated power: 3600 s / 4 kW / 1000 for a kWh"),
        pytest.param(730, 0, id="within the margin"),
        pytest.param(700, 9, id="beyond it"),
        pytest.param(200, 9, id="far beyond it"),
    ],
)
def test_case_b4_faster_than_rated_power_is_counted_but_flagged(apart_ms: int, too_fast: int) -> None:
    train = heard(" ".join(f"{n * apart_ms}:0 {n * apart_ms + 50}:1" for n in range(10)), 20_000)
    assert (train.count, train.too_fast) == (10, too_fast)

"""Case F3: on clear days the voltage rises at noon, the inverter leaves the mains and comes back, again and again.

One alert for all of it, with a number that is "at least", and nothing beside it about output. By what voltage it trips
at and what its own output does to it the cause is told. A trip in a storm is none of this.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from tests.detect.made_homes import SOUTH, Home, by_day, home_site, samples
from tests.detect.made_lines import judged, told
from watcher.detect.states import Bit, State
from watcher.domain.alert import AlertState, ClosedAs
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, HOUR_MS, parse_iso
from watcher.domain.reading import Samples

START = parse_iso("2026-06-01T00:00:00Z")
CLEAR = (0, 1, 3, 4, 6, 7)
SKY = (1.0, 1.0, 0.3, 1.0, 1.0, 0.3, 1.0, 1.0, 0.3, 0.3)


def a_home(sky: Sequence[float] = SKY) -> Home:
    return Home(home_site(SOUTH, meters=()), START, len(sky), by_day(*sky))


def with_trips(
    home: Home, days: Sequence[int], hours: Sequence[float], *, trip_v: float = 256.0, rise_v: float = 2.0,
    states: bool = True, seen: int = 1,
) -> dict[str, Samples]:  # fmt: skip
    """Off for ten minutes at these hours of these days; of the states one in so many is read. rise_v: by full output"""
    off = np.zeros(home.points, dtype=bool)
    for day in days:
        for hour in hours:
            at = int((day * 24 + hour) * HOUR_MS // GRID_MS)
            off[at : at + 2] = True
    before = np.concatenate((off[1:], [False]))
    state = np.where(home.awake, float(State.PRODUCING), float(State.SLEEPING))
    state[np.flatnonzero(off)[::seen]] = float(State.FAULT)
    for name in home.share:
        home.share[name][off] = 0.0
    volts = 243.0 + rise_v * home.ac_w("inverter-1") / 3680.0
    volts[(before | off) & home.awake] = trip_v
    if rise_v > 4.0:  # its own doing goes with the output
        volts = np.where(off, trip_v - rise_v, volts)
    columns = {"l1.ac_voltage": volts} | ({"operating_state": state} if states else {})
    heard = {f"inverter-1.{name}": np.where(home.awake, one, np.nan) for name, one in columns.items()}
    return home.raw() | {name: samples(home.times, one) for name, one in heard.items()}


NOON = (9.5, 10.2, 10.9, 11.5, 12.1, 12.8, 13.4, 14.0)


@pytest.mark.parametrize("states", [True, False], ids=["its states are told", "it tells no state"])
def test_case_f3_trips_on_sunny_days_are_one_alert_that_names_the_supply(states: bool) -> None:
    home = a_home()
    with judged(home, with_trips(home, CLEAR, NOON, states=states)) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes) == (Finding.GRID_VOLTAGE_TRIPS, ("supply-voltage-high",))
        assert alert.state is AlertState.OPEN
        assert alert.onset_low_ms <= START + int(9.5 * HOUR_MS) <= alert.onset_high_ms
        assert alert.evidence["highest_v"] == 256.0
        assert float(alert.evidence["trips"]) >= 16.0
        assert alert.loss_mwh > 0


def test_case_f3_with_most_trips_between_two_polls_their_number_is_at_least() -> None:
    home = a_home()
    with judged(home, with_trips(home, CLEAR, NOON, seen=5)) as ledger:
        (alert,) = told(ledger)
        assert alert.finding is Finding.GRID_VOLTAGE_TRIPS
        assert 4.0 <= float(alert.evidence["trips"]) < 24.0  # of the 48 there were


def test_case_f3_one_storm_in_a_month_is_no_finding() -> None:
    home = a_home()
    with judged(home, with_trips(home, (4,), (12.0, 12.5, 13.1))) as ledger:
        assert not told(ledger)


@pytest.mark.parametrize(
    ("trip_v", "rise_v", "cause"),
    [
        pytest.param(251.0, 2.0, "protection-set-low", id="below what the law allows"),
        pytest.param(257.0, 12.0, "own-cable-rise", id="its own output raises it"),
        pytest.param(262.0, 2.0, "supply-voltage-high", id="the street is high"),
    ],
)
def test_case_f3_the_voltage_tells_the_cause(trip_v: float, rise_v: float, cause: str) -> None:
    home = a_home()
    with judged(home, with_trips(home, CLEAR, NOON, trip_v=trip_v, rise_v=rise_v)) as ledger:
        (alert,) = told(ledger)
        assert alert.causes == (cause,)


def test_case_f3_a_word_for_too_much_voltage_is_enough_where_the_volts_have_fallen_again() -> None:
    home = a_home()
    raw = with_trips(home, CLEAR, NOON, trip_v=246.0)
    assert not told(judged(home, raw))
    word = np.zeros(home.points)
    for day in (3, 4):
        for hour in (10.2, 12.1):
            word[int((day * 24 + hour) * HOUR_MS // GRID_MS)] = float(1 << Bit.AC_OVER_VOLTAGE)
    raw["inverter-1.event_bits"] = samples(home.times, np.where(home.awake, word, np.nan))
    (alert,) = told(judged(home, raw), Finding.GRID_VOLTAGE_TRIPS)
    assert alert.evidence["trips"] == 4.0


def test_case_f3_days_of_sun_without_a_trip_close_it_and_dull_ones_do_not() -> None:
    home = a_home((1.0, 1.0, 0.3, 0.3, 0.3, 0.3, 1.0, 1.0, 1.0, 1.0))
    with judged(home, with_trips(home, (0, 1), NOON)) as ledger:
        (alert,) = told(ledger)
        assert alert.closed_as is ClosedAs.RECOVERED
        assert alert.cleared_ms is not None
        assert alert.cleared_ms > START + 9 * 24 * HOUR_MS

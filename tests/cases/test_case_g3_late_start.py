"""Case G3: on wet mornings the inverter does not start until the sun has dried the wiring; by noon all is well.

Counted over days and not forgotten at noon: one alert with its cause where the device or its voltages tell it. A foggy
morning is dark and no late start, and snow that slides off is none.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.detect.made_homes import SOUTH, Home, by_day, home_site, samples
from tests.detect.made_lines import judged, told
from watcher.align.window import Floats
from watcher.detect.states import Bit, State
from watcher.domain.alert import AlertState
from watcher.domain.finding import Finding
from watcher.domain.instant import GRID_MS, HOUR_MS, parse_iso
from watcher.domain.reading import Samples

START = parse_iso("2026-06-01T00:00:00Z")
DAYS = 10
WET = (1, 2, 4, 5, 7, 8)


def a_home(clearness: Floats | float = 1.0, temp_air: float = 15.0, start_ms: int = START) -> Home:
    return Home(home_site(SOUTH, meters=()), start_ms, DAYS, clearness, temp_air=temp_air)


def late(
    home: Home, until: float = 9.0, *, word: int = 0, waiting: State = State.STARTING, voltage: float = 350.0
) -> dict[str, Samples]:
    """Nothing before this hour on the wet days."""
    state = np.where(home.awake, float(State.PRODUCING), float(State.SLEEPING))
    words = np.zeros(home.points)
    for day in WET:
        at = np.arange(day * 288, int((day * 24 + until) * HOUR_MS // GRID_MS))
        for name in home.share:
            home.share[name][at] = 0.0
            home.voltage[name][at] = voltage
        state[at], words[at] = float(waiting), float(word)
    columns = {"operating_state": state, "l1.ac_voltage": np.full(home.points, 243.0), "event_bits": words}
    heard = {f"inverter-1.{name}": np.where(home.awake, one, np.nan) for name, one in columns.items()}
    return home.raw() | {name: samples(home.times, one) for name, one in heard.items()}


@pytest.mark.parametrize(
    ("voltage", "cause"),
    [
        pytest.param(350.0, "waking-threshold", id="volts there"),
        pytest.param(180.0, "array-voltage-low", id="volts low"),
    ],
)
def test_case_g3_late_mornings_are_one_alert_that_stands_over_dry_days(voltage: float, cause: str) -> None:
    home = a_home()
    with judged(home, late(home, waiting=State.FAULT, voltage=voltage)) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes, alert.state) == (Finding.LATE_START, (cause,), AlertState.OPEN)
        assert alert.onset_ms < START + 33 * HOUR_MS
        assert float(alert.evidence["days"]) >= 2.0
        assert alert.loss_mwh > 0


def test_case_g3_an_earth_fault_said_is_the_safety_finding_and_no_other_beside_it() -> None:
    home = a_home()
    with judged(home, late(home, waiting=State.FAULT, word=1 << Bit.EARTH_FAULT)) as ledger:
        (alert,) = told(ledger)
        assert alert.finding is Finding.EARTH_FAULT


def test_case_g3_a_foggy_morning_is_no_late_start() -> None:
    fog = by_day(*np.ones(DAYS))
    for day in WET:
        fog[day * 288 : day * 288 + 9 * 12] = 0.03
    home = a_home(fog)
    with judged(home, late(home, waiting=State.SLEEPING)) as ledger:
        assert not told(ledger, Finding.LATE_START)


def test_case_g3_snow_that_slides_off_is_no_late_start() -> None:
    home = a_home(temp_air=0.5)
    with judged(home, late(home)) as ledger:
        assert not told(ledger, Finding.LATE_START)


@pytest.mark.parametrize(("month", "is_told"), [("02", False), ("06", True)], ids=["winter", "summer"])
def test_case_g3_where_nobody_tells_the_cold_winter_may_hold_snow(month: str, is_told: bool) -> None:
    home = a_home(start_ms=parse_iso(f"2026-{month}-01T00:00:00Z"))
    raw = late(home, 12.5, waiting=State.FAULT)
    del raw["sensor-1.temp_air"]
    with judged(home, raw) as ledger:
        assert bool(told(ledger, Finding.LATE_START)) is is_told


def test_an_inverter_that_its_protection_holds_off_all_day_is_dead_all_the_same() -> None:
    home = a_home()
    with judged(home, late(home, 24.0, waiting=State.FAULT)) as ledger:
        (first, *_) = told(ledger, Finding.NO_GENERATION)
        assert first.opened_ms is not None
        hours = (first.opened_ms - START) / HOUR_MS - 24.0
        assert 8.0 < hours < 14.0  # five hours of light after dawn, and then no more patience

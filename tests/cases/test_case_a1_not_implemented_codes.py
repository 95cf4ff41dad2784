"""Field case A1: "nothing here" codes must not be read as measurements."""

from __future__ import annotations

from tests.collect.modbus.wire import INVERTER_A1, play, sunspec
from watcher.collect.modbus.reader import SunSpecReader


def test_case_a1_every_code_for_nothing_is_no_value_and_every_value_is_exact() -> None:
    poll, _ = play(SunSpecReader("inverter-1", "inverter", "exported").poll(0), sunspec(INVERTER_A1))
    # Nothing beside these: no phase B or C, no DC amps or volts, no other temperature.
    assert poll.decoded.values == {
        "inverter-1.ac_current": 13.15,
        "inverter-1.l1.ac_current": 13.15,
        "inverter-1.l1.ac_voltage": 240.6,
        "inverter-1.ac_power": 3158.0,
        "inverter-1.frequency": 49.98,
        "inverter-1.ac_energy": 12_802_576.0,
        "inverter-1.dc_power": 3268.0,
        "inverter-1.temp_cabinet": 42.0,
        "inverter-1.operating_state": 4.0,
        "inverter-1.event_bits": 0.0,  # the first event word says: none; the second is not provided and raises nothing
    }
    assert poll.notes == ()

"""Temperature, DC and AC against published values; and how inputs, inverters and the site hang together."""

from __future__ import annotations

import numpy as np
import pvlib
import pytest
from made_windows import SOUTH, london

from watcher.align.window import Floats
from watcher.domain.site import Array, Conversion, Inverter, Module, Mounting, Storage
from watcher.expect.plant import (
    SYSTEM_LOSS,
    array_dc,
    cell_from_back,
    cell_temperature,
    inverter_ac,
    power_by_subject,
    rating_w,
    unit_count,
)


def one(value: float) -> Floats:
    return np.array([value])


@pytest.mark.parametrize(
    ("mounting", "poa", "temp_air", "wind_speed", "celsius"),
    [
        # Faiman with U0 25, U1 6.84: pvlib's tests; the other two computed with pvlib 0.16.1.
        pytest.param(Mounting.OPEN_RACK, 900, 20, 5, 35.203, id="rack, pvlib's test"),
        pytest.param(Mounting.OPEN_RACK, 1000, 20, 1, 51.407, id="rack, full sun"),
        pytest.param(Mounting.OPEN_RACK, 800, 20, 1, 45.126, id="rack, NOCT conditions"),
        # SAPM, insulated back (-2.81, -0.0455, 0): computed with pvlib 0.16.1.
        pytest.param(Mounting.INSULATED_BACK, 1000, 25, 1, 82.527, id="insulated back"),
        # PVWatts: installed NOCT on a roof 49 degC (Dobos 2014, from memory).
        pytest.param(Mounting.ROOF, 800, 20, 1, 49.0, id="roof, NOCT conditions"),
    ],
)
def test_cells_run_as_hot_as_published(
    mounting: Mounting, poa: float, temp_air: float, wind_speed: float, celsius: float
) -> None:
    found = cell_temperature(mounting, one(poa), one(temp_air), one(wind_speed))
    assert found[0] == pytest.approx(celsius, abs=1e-3)


def test_a_cell_is_warmer_than_its_back_by_the_published_step() -> None:
    """SAPM: at 1000 W/m2 open rack 3 K; 900 W/m2 and 40.809 degC at the back make 43.509 degC (pvlib's test)."""
    assert cell_from_back(Mounting.OPEN_RACK, one(900.0), one(40.809))[0] == pytest.approx(43.509, abs=1e-3)


def test_dc_is_pvwatts() -> None:
    """pvlib's test: 900 W/m2, 30 degC, 100 W, -0.003/K make 88.65 W."""
    array = Array("a", 35, 180, 100.0, "inverter-1.input-1", module=Module(gamma_per_k=-0.003))
    assert array_dc(array, one(900.0), one(30.0), loss=0.0)[0] == pytest.approx(88.65)


def test_losses_multiply_as_in_pvwatts() -> None:
    """14.075660688 % in all (pvlib's test); ours leaves out the 3 % for outages, and nothing else."""
    assert pvlib.pvsystem.pvwatts_losses() == pytest.approx(14.075660688)
    assert pytest.approx(0.14075660688) == 1 - (1 - SYSTEM_LOSS) * 0.97


@pytest.mark.parametrize(
    ("share_of_dc_rating", "share_of_dc_rating_out"),
    # PVWatts at 0.96 nominal and 0.9637 reference efficiency, efficiency = 0.96/0.9637 (-0.0162 x - 0.0059/x + 0.9858)
    # (Dobos 2014, NREL/TP-6A20-62641), worked by hand.
    [(0.1, 0.0922), (0.5, 0.4811), (1.0, 0.96), (1.3, 0.96)],
)
def test_the_inverter_is_pvwatts_and_clips_at_its_rating(
    share_of_dc_rating: float, share_of_dc_rating_out: float
) -> None:
    dc_rating = 3680 / 0.96
    found = inverter_ac(one(share_of_dc_rating * dc_rating), 3680.0)[0]
    assert found == pytest.approx(share_of_dc_rating_out * dc_rating, rel=1e-3)


def test_the_library_gives_its_published_inverter_values() -> None:
    """pvlib's tests at 0.95: 90 of 100 W make 85.58556604752516, 50 make 47.60843624, 100 make 95."""
    found = pvlib.inverter.pvwatts(np.array([90.0, 50.0, 100.0]), 100.0, 0.95)
    assert found == pytest.approx([85.58556604752516, 47.60843624, 95.0])


def test_an_inverter_that_clips_holds_its_inputs_back() -> None:
    """Case F4: the plateau is expected, on the DC side too."""
    site = london(Array("a", 35, 180, 3000, "inverter-1.input-1"), Array("b", 35, 180, 2000, "inverter-1.input-2"))
    found = power_by_subject(site, {"a": one(2700.0), "b": one(1800.0)})
    assert found["inverter-1"][0] == pytest.approx(3680)
    assert found["inverter-1.input-1"][0] + found["inverter-1.input-2"][0] == pytest.approx(3680 / 0.96)
    assert found["inverter-1.input-1"][0] / found["inverter-1.input-2"][0] == pytest.approx(1.5)


def test_storage_on_the_dc_side_is_judged_on_what_the_modules_make() -> None:
    """Beyond the AC rating the battery takes the rest, so the site's pv_power knows no AC limit."""
    site = london(SOUTH, inverters=(Inverter("inverter-1", 2000.0, storage=Storage.DC),))
    found = power_by_subject(site, {"south": one(3500.0)})
    assert found["inverter-1.input-1"][0] == pytest.approx(3500)
    assert found["inverter-1"][0] == pytest.approx(2000)
    assert found["site"][0] == pytest.approx(0.96 * 3500)


def micro(**facts: object) -> Array:
    whole = {"conversion": Conversion.MICRO, "unit_limit_w": 300.0, **facts}
    return Array("m", 35, 180, 4000.0, "inverter-1.input-1", **whole)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("array", "units"),
    [
        pytest.param(micro(modules_in_series=1, parallel_strings=10), 10, id="counted in the record"),
        pytest.param(micro(module=Module(vmp_v=40.0, imp_a=10.0)), 10, id="from the data sheet"),
        pytest.param(micro(), 0, id="nobody can tell"),
        pytest.param(micro(modules_in_series=10, unit_limit_w=None), 0, id="no limit known"),
        pytest.param(SOUTH, 0, id="no micro-inverters"),
    ],
)
def test_micro_inverters_are_counted(array: Array, units: int) -> None:
    assert unit_count(array) == units


def test_each_micro_inverter_clips_for_itself() -> None:
    site = london(micro(modules_in_series=1, parallel_strings=10), ac_limit_w=4000.0)
    found = power_by_subject(site, {"m": one(3600.0)})
    assert found["inverter-1"][0] == pytest.approx(10 * 300)
    assert found["inverter-1.input-1"][0] == pytest.approx(10 * 300 / 0.96)


def test_the_sum_of_micro_inverters_stays_within_the_rating() -> None:
    site = london(micro(modules_in_series=1, parallel_strings=10), ac_limit_w=2500.0)
    assert power_by_subject(site, {"m": one(3600.0)})["inverter-1"][0] == pytest.approx(2500)


def test_a_site_is_the_sum_of_its_inverters_and_a_battery_is_none_of_them() -> None:
    site = london(
        Array("a", 35, 180, 3000, "inverter-1.input-1"),
        Array("b", 35, 180, 2000, "inverter-2.input-1"),
        inverters=(Inverter("inverter-1", 3000.0), Inverter("inverter-2", 2000.0), Inverter("battery-1", 5000.0)),
    )
    found = power_by_subject(site, {"a": one(1000.0), "b": one(500.0)})
    assert list(found) == ["inverter-1.input-1", "inverter-1", "inverter-2.input-1", "inverter-2", "site"]
    assert found["site"] == found["inverter-1"] + found["inverter-2"]
    assert rating_w(site, "site") == 5000.0
    assert rating_w(site, "inverter-2.input-1") == 2000.0


def test_unknown_light_makes_unknown_power() -> None:
    found = power_by_subject(london(SOUTH), {"south": one(np.nan)})
    assert all(np.isnan(power[0]) for power in found.values())

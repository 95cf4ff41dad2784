"""The roof's physics against pvlib's own solvers and against the laws of nature."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pvlib
import pytest

from tests.bench.trial.calendar import Year, sun_over
from tests.bench.trial.cells import Lit, _five, best_point, open_circuit, string_point, volts_at
from tests.bench.trial.household import behind, hold_export, run_battery
from tests.bench.trial.measured_sky import invented_sky
from tests.bench.trial.physics import Harm, efficiency_ac, muneer, run
from tests.bench.trial.roofs import Kind, Roof, draw_roof
from tests.bench.trial.weather import Weather, region_weather, site_weather
from watcher.domain.instant import parse_iso

YEAR = Year(parse_iso("2025-04-01T00:00:00Z"), 60)
PLACE = (52.5, -1.5)


@pytest.fixture(scope="module")
def sunny() -> Weather:
    rng = np.random.default_rng(3)
    sun = sun_over(YEAR.middles(), *PLACE)
    return site_weather(invented_sky(), region_weather(invented_sky(), YEAR, rng), YEAR, sun, PLACE[1], 0.0, rng)


def roof_of(kind: Kind) -> Roof:
    return draw_roof(kind, PLACE, np.random.default_rng(5))


@pytest.mark.parametrize(("light", "heat"), [(1000.0, 25.0), (800.0, 47.0), (200.0, 12.0), (55.0, -3.0)])
def test_the_best_point_read_from_the_table_is_the_one_pvlib_solves(light: float, heat: float) -> None:
    volts, amps = best_point(np.array([light]), np.array([heat]))
    solved = pvlib.pvsystem.max_power_point(*_five(np.array([light]), np.array([heat])), method="brentq")
    assert volts[0] * amps[0] == pytest.approx(float(np.asarray(solved["p_mp"])[0]), rel=0.004)


def test_open_circuit_voltage_is_pvlibs() -> None:
    solved = pvlib.pvsystem.singlediode(*_five(np.array([900.0]), np.array([40.0])))
    # The shunt is left out of the explicit form: it takes some millivolts.
    assert open_circuit(np.array([900.0]), np.array([40.0]))[0] == pytest.approx(
        np.asarray(solved["v_oc"])[0], rel=0.002
    )


def test_power_falls_by_about_four_tenths_of_a_per_cent_a_kelvin() -> None:
    cool, hot = (np.prod(best_point(np.array([1000.0]), np.array([at]))) for at in (25.0, 65.0))
    assert -0.005 < (hot / cool - 1.0) / 40.0 < -0.003  # crystalline silicon (common practice, no source)


@pytest.mark.parametrize("dim_share", [0.05, 0.3, 0.7, 0.95])
def test_a_shaded_string_takes_the_better_of_going_round_and_holding_back(dim_share: float) -> None:
    lit, heat = np.array([800.0]), np.array([35.0])
    volts, amps = string_point(Lit(lit, dim_share * lit, heat, np.array([3.0]), np.array([24.0])), each_alone=False)
    whole_volts, whole_amps = best_point(lit, heat)
    round_w = (7.0 * whole_volts - 1.5) * whole_amps
    dim_volts, dim_amps = best_point(dim_share * lit, heat)
    held_w = (7.0 * volts_at(dim_amps, lit, heat) + dim_volts) * dim_amps
    assert volts[0] * amps[0] == pytest.approx(float(np.maximum(round_w, held_w)[0]))
    assert volts[0] * amps[0] < 8.0 * float((whole_volts * whole_amps)[0])


def test_nothing_comes_out_of_an_inverter_that_did_not_go_in() -> None:
    dc = np.linspace(0.0, 6000.0, 400)
    made = efficiency_ac(dc, 5000.0)
    assert (made <= dc).all()
    assert 0.95 < float(np.max(made[1:] / dc[1:])) < 0.98
    assert made[5] / dc[5] < made[200] / dc[200], "part load costs more"


def test_muneers_sky_is_the_whole_sky_on_the_flat() -> None:
    sun = sun_over(YEAR.middles()[5000:5200], *PLACE)
    flat = sun.cos_incidence(0.0, 180.0)
    dni, dhi = np.full(200, 400.0), np.full(200, 180.0)
    ghi = dni * sun.height + dhi
    high = sun.height > 0.2
    assert high.any()
    assert muneer(0.0, flat, sun, ghi, dni, dhi)[high] == pytest.approx(dhi[high], rel=1e-6)


@pytest.mark.parametrize("kind", list(Kind))
def test_a_roof_makes_no_more_than_its_limit_and_the_light_allow(kind: Kind, sunny: Weather) -> None:
    roof, sun, nothing = roof_of(kind), sun_over(YEAR.middles(), *PLACE), np.zeros(YEAR.points)
    made = run(roof, sunny, sun, nothing, nothing)
    for name in roof.inverters:
        peak_w = sum(one.peak_w for one in roof.at(name))
        assert made.ac_w[name].max() <= roof.limits_w[name] + 1e-9
        assert (made.ac_w[name] <= made.dc_w[name] + 1e-6).all()
        assert (made.ac_w[name][sun.elevation_deg < -1.0] == 0.0).all()
        # Sixty spring days in Britain: 4 kWh a kWp and day at the very most (common practice, no source).
        assert 1.0 < made.ac_w[name].sum() / 12_000.0 / (peak_w / 1000.0) / YEAR.days < 6.0


def test_no_fault_makes_energy(sunny: Weather) -> None:
    roof, sun, nothing = roof_of(Kind.PLAIN), sun_over(YEAR.middles(), *PLACE), np.zeros(YEAR.points)
    healthy = run(roof, sunny, sun, nothing, nothing).ac_w["inverter-1"]
    first = roof.panels[0].id
    for harm in (
        Harm(lost_parts={first: 1.0}),
        Harm(lost_strings={first: 1.0}),
        Harm(dim={first: (6, 0.6)}),
        Harm(volts_share={first: 0.8}),
        Harm(breaks_over_a={first: 4.0}),
        Harm(veil={first: 0.9}),
        Harm(derate={"inverter-1": 0.9}),
        Harm(cap_w={"inverter-1": 900.0}),
        Harm(off={"inverter-1": np.ones(YEAR.points, dtype=bool)}),
    ):
        broken = run(roof, sunny, sun, nothing, nothing, harm).ac_w["inverter-1"]
        assert broken.sum() < healthy.sum()
        assert (broken <= healthy + 1e-6).all()


def test_a_battery_gives_back_less_than_it_took(sunny: Weather) -> None:
    roof, sun, nothing = roof_of(Kind.DC_BATTERY), sun_over(YEAR.middles(), *PLACE), np.zeros(YEAR.points)
    made = run(roof, sunny, sun, nothing, nothing)
    load = np.full(YEAR.points, 400.0)
    battery = run_battery(roof, made.ac_w["inverter-1"], load, np.zeros(YEAR.points, dtype=bool))
    assert battery is not None
    assert roof.battery_wh is not None
    assert 0.0 < battery.discharge_w.sum() < battery.charge_w.sum() + 12.0 * roof.battery_wh
    assert battery.soc.min() >= 0.0
    assert battery.soc.max() <= 1.0 + 1e-9
    assert behind(roof, made, battery).dc_w["inverter-1"] is made.dc_w["inverter-1"], "the sun's side stays as it is"


def test_export_is_never_above_its_limit(sunny: Weather) -> None:
    roof, sun, nothing = roof_of(Kind.EXPORT_LIMITED), sun_over(YEAR.middles(), *PLACE), np.zeros(YEAR.points)
    load = np.full(YEAR.points, 300.0)
    held = hold_export(replace(roof, export_limit_w=800.0), run(roof, sunny, sun, nothing, nothing), load)
    assert held.ac_w["inverter-1"].max() <= 1100.0
    assert held.limited["inverter-1"].any()

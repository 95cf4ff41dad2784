"""Eight ways in which meters are wired: on healthy days each has the right sums and unknowns, and is quiet.

Readings are made for each layout by hand: what each inverter makes, what a battery and a load on the way take and give,
and what therefore passes each meter.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pytest

from tests.detect.made_homes import EAST, METER, SOUTH, WEST, Home, broken, counted_wh, home_site, polled, samples
from tests.detect.made_lines import judged, told
from watcher.align.window import Floats
from watcher.domain.finding import Finding, Verdict, VerdictRun
from watcher.domain.instant import DAY_MS, GRID_MS, POINTS_A_DAY, local_day, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Array, Conversion, Inverter, Meter, MeterRole, Site, Source, Storage
from watcher.store.ledger import Ledger

START = parse_iso("2026-06-10T00:00:00Z")
DAYS = 6
TWO = (Inverter("inverter-1", 3680.0), Inverter("inverter-2", 3680.0))
EAST_2 = replace(EAST, input="inverter-2.input-1")
BATTERY = Inverter("battery-1", 3000.0, storage=Storage.AC)
Columns = dict[str, Floats]


@dataclass(frozen=True)
class Layout:
    """sums: by meter that can be compared, the inverters whose output it counts. unknown: meters that cannot be

    bend: what differs from a home in which every meter counts what it covers
    """

    site: Site
    sums: Mapping[str, tuple[str, ...]]
    unknown: tuple[str, ...] = ()
    bend: Callable[[Home, dict[str, Samples]], dict[str, Samples]] = lambda _home, raw: raw


def read(*devices: str) -> tuple[Source, ...]:
    return tuple(polled(device) for device in devices)


def meter(number: int, *covers: str, role: MeterRole = MeterRole.GENERATION) -> Meter:
    return Meter(f"meter-{number}", role, covers)


def charging(home: Home) -> tuple[Floats, Floats]:
    """What a battery takes, half of what is made up to 1.5 kW, and what it gives from dusk to midnight. [W]"""
    made = home.ac_w("inverter-1")
    hour = home.times // 3_600_000 % 24
    return np.where(made > 200.0, np.minimum(0.5 * made, 1500.0), 0.0), np.where((hour >= 20) & (hour < 24), 600.0, 0.0)


def column(home: Home, power_w: Floats, first_wh: float = 1e6, step_wh: float = 100.0) -> Samples:
    return samples(home.times, np.floor((first_wh + counted_wh(power_w)) / step_wh) * step_wh)


def behind_a_battery(home: Home, raw: dict[str, Samples], *, tells: bool) -> dict[str, Samples]:
    taken, given = charging(home)
    flows = {
        "battery-1.battery_charge_energy": column(home, taken),
        "battery-1.battery_discharge_energy": column(home, given),
    }
    index = column(home, home.ac_w("inverter-1") - taken + given, 18e6)
    return {**raw, "meter-1.energy_index": index, **(flows if tells else {})}


def behind_a_spur(home: Home, raw: dict[str, Samples], *, tells: bool) -> dict[str, Samples]:
    """A heater on the way takes 2 kW from noon to two, or all there is."""
    made = home.ac_w("inverter-1")
    hour = home.times // 3_600_000 % 24
    load = np.where((hour >= 12) & (hour < 14), np.minimum(made, 2000.0), 0.0)
    without = {name: samples for name, samples in raw.items() if not name.startswith("meter-2")}
    index = column(home, made - load, 18e6)
    return {
        **without,
        "meter-1.energy_index": index,
        **({"meter-2.energy_index": column(home, load)} if tells else {}),
    }


def in_three_phases(home: Home, raw: dict[str, Samples]) -> dict[str, Samples]:
    volts = {f"inverter-1.l{n}.ac_voltage": samples(home.times, np.full(home.points, 238.0 + n)) for n in (1, 2, 3)}
    amps = home.ac_w("inverter-1") / 3.0 / 240.0
    return {**raw, **volts, **{f"inverter-1.l{n}.ac_current": samples(home.times, amps) for n in (1, 2, 3)}}


def micro(name: str, tilt_deg: float, azimuth_deg: float) -> Array:
    return Array(name, tilt_deg, azimuth_deg, 2000.0, "inverter-1", conversion=Conversion.MICRO, unit_limit_w=350.0)


def silent(device: str) -> Callable[[Home, dict[str, Samples]], dict[str, Samples]]:
    return lambda _home, raw: {name: samples for name, samples in raw.items() if not name.startswith(device)}


LAYOUTS = {
    "one inverter, one meter": Layout(home_site(), {"meter-1": ("inverter-1",)}),
    "two inverters, one meter": Layout(
        home_site(
            replace(SOUTH, peak_power_w=3000.0), EAST_2, inverters=TWO, meters=(meter(1, "inverter-1", "inverter-2"),),
            sources=read("inverter-1", "inverter-2", "meter-1"),
        ),
        {"meter-1": ("inverter-1", "inverter-2")},
    ),
    "two inverters, one meter, one not read": Layout(
        home_site(
            SOUTH, EAST_2, inverters=TWO, meters=(meter(1, "inverter-1", "inverter-2"),),
            sources=read("inverter-1", "meter-1"),
        ),
        {}, ("meter-1",), silent("inverter-2"),
    ),
    "two pairs": Layout(
        home_site(
            SOUTH, EAST_2, inverters=TWO, meters=(meter(1, "inverter-1"), meter(2, "inverter-2")),
            sources=read("inverter-1", "inverter-2", "meter-1", "meter-2"),
        ),
        {"meter-1": ("inverter-1",), "meter-2": ("inverter-2",)},
    ),
    "a battery on the AC side before the meter": Layout(
        home_site(
            inverters=(TWO[0], BATTERY), meters=(meter(1, "inverter-1", "battery-1"),),
            sources=read("inverter-1", "meter-1", "battery-1"),
        ),
        {"meter-1": ("inverter-1", "-battery-1")},
        bend=lambda home, raw: behind_a_battery(home, raw, tells=True),
    ),
    "such a battery that tells nothing": Layout(
        home_site(inverters=(TWO[0], BATTERY), meters=(meter(1, "inverter-1", "battery-1"),)),
        {}, ("meter-1",), lambda home, raw: behind_a_battery(home, raw, tells=False),
    ),
    "a load on the way to the meter": Layout(
        home_site(
            meters=(meter(1, "inverter-1"), meter(2, "inverter-1", role=MeterRole.LOAD)),
            sources=read("inverter-1", "meter-1", "meter-2"),
        ),
        {"meter-1": ("inverter-1", "-meter-2")},
        bend=lambda home, raw: behind_a_spur(home, raw, tells=True),
    ),
    "such a load that nobody reads": Layout(
        home_site(meters=(meter(1, "inverter-1"), meter(2, "inverter-1", role=MeterRole.LOAD))),
        {}, ("meter-1",), lambda home, raw: behind_a_spur(home, raw, tells=False),
    ),
    "three phases": Layout(
        home_site(SOUTH, inverters=(Inverter("inverter-1", 6000.0),)), {"meter-1": ("inverter-1",)},
        bend=in_three_phases,
    ),
    "an inverter for each module": Layout(
        home_site(micro("east", 35.0, 90.0), micro("west", 35.0, 270.0)), {"meter-1": ("inverter-1",)}
    ),
    "a later array outside the meter that pays": Layout(
        home_site(
            SOUTH, replace(WEST, input="inverter-2.input-1"), inverters=TWO, meters=(METER,),
            sources=read("inverter-1", "inverter-2", "meter-1"),
        ),
        {"meter-1": ("inverter-1",)},
    ),
}  # fmt: skip


def home_of(layout: Layout) -> Home:
    return Home(layout.site, START, DAYS, broken(DAYS * POINTS_A_DAY, 8, level=0.75))


def raw_of(home: Home, layout: Layout) -> dict[str, Samples]:
    """All devices but a battery's inverter, which makes nothing, as a home has them; then as the layout bends it."""
    batteries = {one.id for one in home.site.inverters if not home.site.arrays_of(one.id)}
    made = {one.id for one in home.site.inverters} - batteries
    bare = replace(home.site, inverters=tuple(one for one in home.site.inverters if one.id in made))
    bare = replace(
        bare,
        meters=tuple(replace(m, covers=tuple(name for name in m.covers if name in made)) for m in bare.meters),
    )
    home.site, whole = bare, home.site
    raw = home.raw()
    home.site = whole
    return layout.bend(home, raw)


def runs_of(ledger: Ledger, meter: str) -> list[VerdictRun]:
    runs = [run for run in ledger.runs("home-1") if run.finding is Finding.METER_MISMATCH and run.subject == meter]
    assert runs, "it is a subject"
    return runs


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
def test_a_healthy_layout_is_quiet_with_the_right_sums_and_the_right_unknowns(layout: Layout) -> None:
    home = home_of(layout)
    raw = raw_of(home, layout)
    with judged(home, raw) as ledger:
        assert [(alert.finding, alert.subject) for alert in told(ledger)] == []
        for name in layout.unknown:
            assert {run.verdict for run in runs_of(ledger, name)} == {Verdict.UNKNOWN}
        for name, parts in layout.sums.items():
            agreed = [run for run in runs_of(ledger, name) if run.verdict is not Verdict.UNKNOWN]
            assert len(agreed) >= DAYS - 3
            assert {run.verdict for run in agreed} == {Verdict.OK}
            for run in agreed:
                assert run.observed == pytest.approx(run.expected, rel=0.02)
                # Small energies are compared over two days.
                sums = [sum_of(home, raw, parts, run, days) for days in (1, 2)]
                assert any(run.expected == pytest.approx(one, rel=0.02) for one in sums)


def sum_of(home: Home, raw: Mapping[str, Samples], parts: tuple[str, ...], run: VerdictRun, days: int) -> float:
    """What the parts of a meter's sum came to on so many days before a run begins. [Wh]"""
    day = (run.first_ms - START) // DAY_MS - days
    inside = slice(day * POINTS_A_DAY, (day + days) * POINTS_A_DAY)
    total = 0.0
    for part in parts:
        if not part.startswith("-"):
            total += float(home.ac_w(part)[inside].sum()) / 12.0
        elif part == "-battery-1":
            taken, given = charging(home)
            light = np.flatnonzero(home.possible.sun_elevation_deg[inside] > -4.0)  # dawn to the last dusk
            total += float((given - taken)[inside][light[0] : light[-1] + 1].sum()) / 12.0
        else:
            column = raw["meter-2.energy_index"]
            total -= column.value[inside.stop - 1] - column.value[inside.start]
    return total


def test_what_a_battery_gives_is_no_generation() -> None:
    layout = LAYOUTS["a battery on the AC side before the meter"]
    home = home_of(layout)
    with judged(home, raw_of(home, layout)) as ledger:
        for day in ledger.days("home-1")[2:]:
            first, stop = ((at_ms - START) // GRID_MS for at_ms in local_day(day.day, home.site.zone))
            made_wh = float(home.ac_w("inverter-1")[first:stop].sum()) / 12.0
            assert day.generated_wh == pytest.approx(made_wh, rel=0.02)


@pytest.mark.parametrize("name", ["a battery on the AC side before the meter", "a load on the way to the meter"])
def test_a_meter_that_misses_a_tenth_is_found_in_these_layouts_too(name: str) -> None:
    layout = LAYOUTS[name]
    home = home_of(layout)
    raw = raw_of(home, layout)
    index = raw["meter-1.energy_index"]
    missing = ((t, 18e6 + 0.85 * (v - 18e6)) for t, v in zip(index.time_ms, index.value, strict=True))
    with judged(home, {**raw, "meter-1.energy_index": Samples.of(missing)}) as ledger:
        assert Finding.METER_MISMATCH in {alert.finding for alert in told(ledger)}

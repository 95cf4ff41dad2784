"""One site-year: weather, roof, faults, readings and truth, put together.

Rule: the healthy twin is run first, then every fault over its own stretch; the difference is what it cost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.trial import household, metering, nuisances, references, telling
from tests.bench.trial.calendar import Sun, Year, sun_over
from tests.bench.trial.harms import PLANT_FAULTS, deed_of, subject_of
from tests.bench.trial.measured_sky import measured_sky
from tests.bench.trial.neighbours import from_neighbours
from tests.bench.trial.papers import REMOTE, site_text
from tests.bench.trial.physics import Harm, Output, cut, run
from tests.bench.trial.plan import Basis, Fault, SitePlan, Track
from tests.bench.trial.references import Told
from tests.bench.trial.roofs import Roof, draw_roof
from tests.bench.trial.truth import Wrong, wrong_of
from tests.bench.trial.typed import Typed, typed_readings
from tests.bench.trial.weather import Weather, region_weather, site_weather
from watcher.align.window import Bools, Floats
from watcher.domain.instant import GRID_MS, POINTS_A_DAY
from watcher.domain.quantity import BOARD
from watcher.domain.site import Storage


@dataclass(frozen=True, slots=True)
class SiteYear:
    """text: the site file. told: by channel. made_w, healthy_w: what the roof made and would have made [W]"""

    plan: SitePlan
    text: str
    told: dict[str, Told]
    typed: tuple[Typed, ...]
    wrongs: tuple[Wrong, ...]
    made_w: Floats
    healthy_w: Floats


def generate(plan: SitePlan) -> SiteYear:
    """A site-year, with what its neighbours tell where it has nothing else."""
    made, _ = _generate(plan)
    if plan.basis is Basis.NEIGHBOURS:
        made.told.update(from_neighbours(plan, made.text, _alone))
    return made


def _alone(plan: SitePlan) -> tuple[str, dict[str, Told], Bools]:
    """A neighbour: it is not asked what its own neighbours say."""
    made, dark = _generate(plan)
    return made.text, made.told, dark


def _generate(plan: SitePlan) -> tuple[SiteYear, Bools]:
    """The site-year, and when the mains was away."""
    year = plan.year
    rng = np.random.default_rng((plan.seed, 10, plan.number))
    shared = np.random.default_rng((plan.seed, 3, plan.region))
    middle = float(shared.uniform(50.6, 56.0)), float(shared.uniform(-3.8, 0.2))
    region = region_weather(measured_sky(), year, shared)
    fog, cuts = nuisances.fog_mornings(year, shared), nuisances.power_cuts(year, shared)
    falls = nuisances.snowfalls(region, year, shared)
    roof = draw_roof(plan.kind, middle, rng)
    sun = sun_over(year.middles(), roof.latitude_deg, roof.longitude_deg)
    weather = site_weather(measured_sky(), region, year, sun, roof.longitude_deg, rng.uniform(-0.7, 0.7), rng)
    clear_of_fog = weather
    weather = nuisances.in_fog(weather, fog)
    weather, cover = nuisances.snow(weather, falls, rng)
    parts = {fault: _part(fault, year) for fault in plan.faults}

    plant = _Plant(roof, weather, sun, nuisances.leaves(year), nuisances.everyday_dirt(weather, year, rng), year)
    plant.dirt = 1.0 - (1.0 - plant.dirt) * (1.0 - cover)
    dark = _mask(cuts, year.points)
    healthy = plant.run(Harm(off=dict.fromkeys(roof.inverters, dark)), slice(0, year.points))
    load = nuisances.load_w(year, rng)
    actual, wrongs, tripped = plant.with_faults(healthy, parts, dark)
    held = household.hold_export(roof, actual, load)
    free = household.hold_export(roof, healthy, load)
    wrongs = [_held_back(one, roof, free, held) for one in wrongs]

    worn = _mask([part for fault, part in parts.items() if fault.finding == "energy-imbalance"], year.points)
    total = np.sum(list(held.ac_w.values()), axis=0)
    battery = household.run_battery(roof, total, load, worn)
    out = household.behind(roof, held, battery)

    rows = telling.Rows()
    for name in roof.inverters:
        bits = telling.bits_of(parts if name == "inverter-1" else {}, year.points)
        columns = rows.device(name, year.points)
        counter = metering.draw_inverter_counter(rng)
        off = tripped.get(name, np.zeros(year.points, dtype=bool))
        columns.update(telling.inverter_rows(roof, name, out, counter, dark, off, battery, bits, rng))
    index_wh: Floats | None = None
    if plan.step_wh is not None:
        index_wh, misread = _meter(plan, rows, out, parts, sun, rng)
        wrongs += misread
    sensor = None
    minutes = int(rng.choice([15, 60])) if plan.basis is Basis.SATELLITE else 60
    if plan.basis is Basis.SENSOR:
        planes = [(one.id, one.tilt_deg, one.azimuth_deg) for one in roof.panels]
        sensor = references.draw_sensor(planes, rng)
        shown = references.sensed(sensor, weather, sun, rng)
        quantity = "ghi" if sensor.plane == "horizontal" else "poa_irradiance"
        rows.device("sensor-1", year.points)[f"sensor-1.{quantity}"] = np.round(shown, 1)
        if rng.random() < DIRTY_SENSORS:
            wrongs.append(_dirty_sensor(rows, year, rng))

    telling.misread_rows(rows, parts, sun.elevation_deg > 5.0)
    telling.sentinels(rows, rng)
    wrongs += _reference_faults(plan, rows, parts)
    wrongs += [_said(fault, part, roof) for fault, part in parts.items() if not _done(fault)]
    rows.device(BOARD, year.points)[f"{BOARD}.uptime"] = 300.0 * np.arange(1.0, year.points + 1.0)
    hidden = dark | _mask(nuisances.gaps(year, rng), year.points)
    for heard in rows.heard.values():
        heard &= ~hidden
    told = telling.told(rows, year, int(rng.integers(0, 290)) * 1000, parts)
    if plan.basis in REMOTE:
        told |= _remote(plan, roof, minutes, weather, clear_of_fog, sun, parts, rng)
    wrongs += [_area(one) for one in (*cuts, *falls)]
    typed = typed_readings(year, index_wh, parts, rng)
    wrongs += [_mistyped(year, one.at_ms) for one in typed if one.mistyped]
    made, could = (np.sum([_judged_w(roof, one, name) for name in roof.inverters], axis=0) for one in (held, free))
    text = site_text(plan, roof, sensor, minutes, rng)
    return SiteYear(plan, text, told, typed, tuple(sorted(wrongs, key=lambda one: one.first)), made, could), dark


DIRTY_SENSORS = 0.2
REMINDED_DAYS = 92


@dataclass(slots=True)
class _Plant:
    roof: Roof
    weather: Weather
    sun: Sun
    leaves: Floats
    dirt: Floats
    year: Year

    def run(self, harm: Harm, part: slice) -> Output:
        weather, sun = cut(self.weather, self.sun, part)
        return run(self.roof, weather, sun, self.leaves[part], self.dirt[part], harm)

    def with_faults(
        self, healthy: Output, parts: dict[Fault, slice], dark: Bools
    ) -> tuple[Output, list[Wrong], dict[str, Bools]]:
        """The year as it went, and when which inverter's protection held it off."""
        actual = _copy(healthy)
        wrongs: list[Wrong] = []
        tripped: dict[str, Bools] = {}
        for fault, part in parts.items():
            if fault.finding not in PLANT_FAULTS:
                continue
            inverter, _ = subject_of(fault, self.roof)
            deed = deed_of(
                fault, self.roof, healthy.ac_w[inverter][part], self.sun.elevation_deg[part], healthy.heat[part]
            )
            harm = deed.harm
            for name in self.roof.inverters:
                harm.off[name] = harm.off.get(name, np.zeros(part.stop - part.start, dtype=bool)) | dark[part]
            _put(actual, self.run(harm, part), part)
            if fault.finding == "grid-voltage-trips":
                off = tripped.setdefault(inverter, np.zeros(self.year.points, dtype=bool))
                off[part] = harm.off[inverter] & ~dark[part]
            tells_inputs = self.roof.has_dc or "." not in deed.subject
            subject = deed.subject if tells_inputs else inverter
            nothing = np.zeros(part.stop - part.start)
            wrongs.append(
                wrong_of(fault, part, subject, "energy", nothing, causes=deed.causes, companions=deed.companions)
            )
        return actual, wrongs, tripped


def _judged_w(roof: Roof, output: Output, inverter: str) -> Floats:
    """What is judged against the sun: DC where storage stands on that side (the design's pv_power)."""
    return output.dc_w[inverter] if roof.storage is Storage.DC else output.ac_w[inverter]


def _held_back(one: Wrong, roof: Roof, free: Output, held: Output) -> Wrong:
    """The loss behind the export limit: what could not have been sold either was not lost."""
    part, inverter = slice(one.first, one.stop), one.subject.partition(".")[0]
    lost = np.maximum(_judged_w(roof, free, inverter)[part] - _judged_w(roof, held, inverter)[part], 0.0) / 12.0
    return Wrong(
        one.finding, one.subject, one.causes, one.companions, one.kind, one.first, one.stop, one.size, one.variant, lost
    )


def _meter(
    plan: SitePlan, rows: telling.Rows, out: Output, parts: dict[Fault, slice], sun: Sun, rng: np.random.Generator
) -> tuple[Floats, list[Wrong]]:
    assert plan.step_wh is not None
    clock = metering.draw_meter(plan.step_wh, rng)
    right = clock.counted(np.sum(list(out.ac_w.values()), axis=0), 1.0)
    of_meter = {fault: part for fault, part in parts.items() if fault.track is Track.METER}
    found = metering.metered(right, of_meter, sun.elevation_deg < -6.0)
    index_wh = metering.register(clock, found.counted_wh, found.restarts)
    rows.device("meter-1", len(right))
    if plan.by_pulses:  # 1000 a kWh: one a watt-hour
        rows.columns["meter-1"]["meter-1.pulse_count"] = metering.pulses(index_wh, found.restarts)
    else:
        rows.columns["meter-1"]["meter-1.energy_index"] = index_wh
    rows.heard["meter-1"] &= ~found.silent
    wrongs = []
    for fault, part in of_meter.items():
        if fault.finding in ("meter-unreadable", "meter-display-drift"):
            wrongs.append(wrong_of(fault, part, "meter-1", "other", np.zeros(0)))
            continue
        off_wh = found.misread_wh[fault]
        at_once = slice(part.start, part.start + 1) if fault.finding == "meter-restarted" else part
        counts = fault.finding not in ("meter-silent", "meter-restarted")
        cause = (metering.CAUSES.get(fault.variant, "pulses-lost"),) if fault.variant else ()
        companions = ("meter-mismatch",) if counts else ()
        wrongs.append(
            wrong_of(fault, at_once, "meter-1", "meter" if counts else "other", off_wh if counts else np.zeros(0),
                     causes=cause, companions=companions)
        )  # fmt: skip
    return index_wh, wrongs


def _reference_faults(plan: SitePlan, rows: telling.Rows, parts: dict[Fault, slice]) -> list[Wrong]:
    """A sensor's; a weather service's are done where its values are made."""
    found: list[Wrong] = []
    for fault, part in parts.items():
        if fault.track is not Track.REFERENCE:
            continue
        device = "sensor-1" if plan.basis is Basis.SENSOR else REMOTE[plan.basis]
        found.append(wrong_of(fault, part, device, "other", np.zeros(0)))
        if device != "sensor-1":
            continue
        if fault.finding == "reference-silent":
            rows.heard[device][part] = False
        else:
            for column in rows.columns[device].values():
                column[part] *= np.random.default_rng(fault.draw).choice([0.6, 0.75, 1.25])
    return found


def _dirty_sensor(rows: telling.Rows, year: Year, rng: np.random.Generator) -> Wrong:
    first = int(rng.integers(POINTS_A_DAY * 40, POINTS_A_DAY * 280))
    part = slice(first, first + int(rng.integers(30, 80)) * POINTS_A_DAY)
    for column in rows.columns["sensor-1"].values():
        column[part] = np.round(column[part] * (1.0 - np.linspace(0.0, 0.2, part.stop - part.start)), 1)
    fault = Fault("reference-wrong", Track.REFERENCE, 0.0, 0.0, 0, "dirty", 0)
    return wrong_of(fault, part, "sensor-1", "other", np.zeros(0))


def _remote(
    plan: SitePlan, roof: Roof, minutes: int, weather: Weather, no_fog: Weather, sun: Sun,
    parts: dict[Fault, slice], rng: np.random.Generator,
) -> dict[str, Told]:  # fmt: skip
    day_late = plan.basis is Basis.SATELLITE and bool(rng.random() < 0.5)
    seen = weather if plan.basis is Basis.SATELLITE and rng.random() < 0.5 else no_fog
    device = REMOTE[plan.basis]
    found: dict[str, Told] = {}
    for quantity, one in references.remote(plan.basis, minutes, day_late, seen, sun, plan.year, rng).items():
        time_ms, value, known_ms = one.time_ms, one.value.copy(), one.known_ms
        keep = np.ones(len(value), dtype=bool)
        for fault, part in parts.items():
            starts = plan.year.starts()
            inside = (time_ms > starts[part.start]) & (time_ms <= starts[part.stop - 1])
            if fault.finding == "reference-silent":
                keep &= ~inside
            elif fault.finding == "reference-wrong" and quantity == "ghi":
                value[inside] = np.round(value[inside] * np.random.default_rng(fault.draw).choice([0.6, 0.75, 1.25]), 1)
        found[f"{device}.{quantity}"] = Told(time_ms[keep], value[keep], known_ms[keep])
    return found


def _said(fault: Fault, part: slice, roof: Roof) -> Wrong:
    """What takes no energy and is neither meter nor reference."""
    whole = fault.finding in ("site-record-wrong", "clock-wrong", "home-silent")
    subject = {"reading-doubtful": "meter-1", "meter-certification-due": "meter-1"}.get(
        fault.finding, "site" if whole else "inverter-1"
    )
    if fault.finding == "values-drifting":
        subject = "inverter-1.input-1" if roof.has_dc else subject
    if fault.finding == "meter-certification-due":  # what is asked for is a word some time before the date
        part = slice(max(0, part.start - REMINDED_DAYS * POINTS_A_DAY), part.stop)
    if fault.finding == "site-record-wrong":
        part = slice(0, part.stop if part.stop > 0 else 1)
        companions: tuple[str, ...] = ("output-low",)
    else:
        companions = ()
    return wrong_of(fault, part, subject, "other", np.zeros(0), companions=companions)


def _done(fault: Fault) -> bool:
    done = fault.finding in PLANT_FAULTS or fault.track in (Track.METER, Track.REFERENCE)
    return done or fault.finding == "reading-doubtful"  # it stands where it was typed


def _mistyped(year: Year, at_ms: int) -> Wrong:
    """A reading that is not what stood there, until the next ones have shown it."""
    first = (at_ms - year.begin_ms) // GRID_MS
    return Wrong("reading-doubtful", "meter-1", (), (), "other", first, first + 60 * POINTS_A_DAY, 0, "")


def _area(part: slice) -> Wrong:
    fault = Fault("area-event", Track.SAID, 0.0, 0.0, 0, "", 0)
    return wrong_of(fault, part, "site", "other", np.zeros(0), companions=("inverter-silent", "meter-silent"))


def _part(fault: Fault, year: Year) -> slice:
    first = int(fault.first_day * POINTS_A_DAY)
    return slice(first, min(first + max(6, int(fault.days * POINTS_A_DAY)), year.points))


def _mask(parts: list[slice], points: int) -> Bools:
    found = np.zeros(points, dtype=bool)
    for part in parts:
        found[part] = True
    return found


def _copy(output: Output) -> Output:
    columns = ("volts", "amps", "dc_w", "ac_w", "limited")
    return Output(*({key: one.copy() for key, one in getattr(output, name).items()} for name in columns), output.heat)


def _put(into: Output, output: Output, part: slice) -> None:
    for name in ("volts", "amps", "dc_w", "ac_w", "limited"):
        for key, column in getattr(output, name).items():
            getattr(into, name)[key][part] = column

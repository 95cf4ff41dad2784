"""no-generation: an inverter makes nothing although the sun is up enough that it must.

The lower edge of what was expected is added up while the inverter reports nothing at all; enough of it, in hours of
full power, opens. Any real output clears the sum. Without a reference a small share of the clear-sky bound stands in.
A silent inverter counts only where a meter that covers it alone is heard and stands still, and then at less weight. An
inverter that sees no mains or no panels needs no better sunshine, unless its meter is dark too: then a power cut in
the street must first be over. One that says its protection holds it off, mains present, has some hours of sun. While
most of the neighbours are dark too nothing counts; what is still dark when they are back begins anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from watcher.align.window import Bools, Floats
from watcher.detect.area import area, covered
from watcher.detect.exchange_day import exchange_day
from watcher.detect.lost_so_far import before_window_mwh, figures
from watcher.detect.presence import GRID_VOLTAGE_V, Presence, presence, register_of
from watcher.detect.scene import (
    FAULT,
    OK,
    UNKNOWN,
    Judgement,
    Scene,
    Small,
    accrued,
    as_known,
    heard,
    last_true,
    mwh,
    pv_expectation,
    pv_power,
    sum_since,
    unknown,
    usable_through,
)
from watcher.detect.silence import GridFact, InverterFact, MeterFact
from watcher.detect.snow import snow_possible
from watcher.detect.states import held_back
from watcher.detect.usual_level import half_width, usual_level
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, MINUTE_MS, POINTS_A_DAY
from watcher.domain.site import Site, Storage
from watcher.expect.band import DAY_SIGMA, day_sigma
from watcher.expect.expectation import Basis

CODES = (
    "no-generation.too-little-sun",
    "no-generation.generates",
    "no-generation.daylight",
    "no-generation.no-readings",
    "explained.area-event",
)
CAUSES: tuple[tuple[str, ...], ...] = (
    (),
    ("not-running",),
    ("dc-side-off",),
    ("ac-side-off",),
    ("circuit-off-upstream",),
    ("dc-side-off", "ac-side-off"),
)
DC_VOLTAGE_V = 20.0  # under this no panels are connected in daylight


class NoGeneration:
    name = Finding.NO_GENERATION

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(inverter.id for inverter in site.inverters if site.arrays_of(inverter.id))

    def judge(self, scene: Scene, subject: str) -> Judgement:
        found, expectation = pv_power(scene, subject), pv_expectation(scene, subject)
        if found is None or expectation is None:
            return unknown(scene, self.name, subject, CODES[3])
        power, known_ms = found
        window, site = scene.window, scene.site
        ends = window.ends()
        peak_w = sum(array.peak_power_w for array in site.arrays_of(subject))
        rating_w = min(site.inverter(subject).ac_limit_w, peak_w)

        none = power <= scene.limit(self.name, "nothing_share") * rating_w
        producing = power > scene.limit(self.name, "producing_share") * rating_w
        facts = presence(scene, subject)
        unheard = np.isnan(power)
        if window.gauge(f"{subject}.ac_power") is None:  # a register read by the hour is not silent in between
            unheard &= facts.inverter == _place(InverterFact.SILENT)
        meter = _alone_meter(scene, subject)
        # A register that counts while the inverter says nothing, or nought, proves that it generates.
        proved = (facts.meter == _place(MeterFact.MOVING)) & (facts.inverter != _place(InverterFact.PRODUCING))
        itself = _counted_itself(scene, subject)
        if site.inverter(subject).storage is Storage.DC:  # meter and register count what its battery gives, too
            proved, itself, unheard = (np.zeros_like(proved) for _ in range(3))
        works = producing | (proved & meter.counted) | itself
        reset = last_true(works)

        # What must at least have been made, in shares of the evidence that opens on this basis.
        sun = scene.expected.sun_elevation_deg > scene.limit(self.name, "sun_deg")
        basis = scene.expected.basis
        has_basis = (basis != Basis.NONE) & ~np.isnan(expectation.low)
        bound_share = scene.limit(self.name, "bound_share")
        least_w = np.where(has_basis, np.nan_to_num(expectation.low), bound_share * expectation.bound)
        least_w = np.where(sun, least_w, 0.0)
        snow = snow_possible(scene, scene.limit(self.name, "snow_below_degc"))
        off = self._electrically_off(scene, subject, snow)
        hours = np.select(
            [off | (basis == Basis.MEASURED), basis == Basis.PEERS, basis == Basis.SATELLITE],
            [
                scene.limit(self.name, "hours_measured"),
                scene.limit(self.name, "hours_peers"),
                scene.limit(self.name, "hours_satellite"),
            ],
            scene.limit(self.name, "hours_weather"),
        )
        share = least_w * (GRID_MS / HOUR_MS) / (hours * rating_w)
        counts = (none & ~proved) | (unheard & meter.is_heard)
        weight = np.where(counts, np.where(none, 1.0, scene.limit(self.name, "silent_weight")), 0.0)
        # Snow slides off a roof within days; who says nothing for longer than that has no such excuse.
        lasted_ms = ends - np.where(reset >= 0, ends[reset], window.start_ms)
        early = lasted_ms < scene.limit(self.name, "snow_days") * DAY_MS
        under_snow = np.where(early, scene.limit(self.name, "snow_weight"), scene.limit(self.name, "snow_weight_later"))
        weight = weight * np.where(snow & ~off, under_snow, 1.0)
        # What its own protection, or work on it, explains is no fault of its own, for some hours of light enough.
        held, held_known_ms = held_back(scene, subject)
        held |= exchange_day(scene, subject)
        light = least_w > scene.limit(self.name, "producing_share") * rating_w
        held &= sum_since(np.where(light, GRID_MS / HOUR_MS, 0.0), reset) <= scene.limit(self.name, "held_hours")
        around = covered(area(scene), window)
        counted = share * np.where(held | around.dark, 0.0, weight)
        total = sum_since(counted, last_true(works | around.dark))
        lit = counted > 0
        # Before a silent inverter is blamed its register must have had something to count; and a circuit without
        # mains, as far as anyone can tell, must stay so for longer than a power cut.
        missed = (
            sum_since(np.where(counts, mwh(least_w), 0.0), reset) >= scene.limit(self.name, "steps") * meter.step_mwh
        )
        dark = (facts.meter == _place(MeterFact.SILENT)) & (facts.grid != _place(GridFact.SEEN))
        brief = dark & (ends - facts.meter_heard_ms < scene.limit(self.name, "dark_hours") * HOUR_MS)
        sure = ~brief & (none | (meter.still & missed))
        raw = np.where((total >= 1.0) & lit & sure, FAULT, np.where(producing, OK, UNKNOWN)).astype(np.int8)

        # Judged as of the last interval whose power and sunshine are both known; not for ever, though.
        through = usable_through(window, known_ms, held_known_ms, scene.expected.known_ms, around.known_ms)
        verdict = as_known(raw, through, window, int(scene.limit(self.name, "wait_hours") * HOUR_MS))
        fault = verdict == FAULT

        usual = usual_level(scene, subject, scene.limit(Finding.OUTPUT_LOW, "drift_measured"))
        expected_mwh = np.nan_to_num(mwh(np.where(has_basis, usual.factor * expectation.expected, 0.0)))
        lost = np.where(counts & ~around.dark, expected_mwh, 0.0)
        lost_since = sum_since(lost, reset)
        loss = np.where(fault, np.minimum(accrued(lost, through, fault), lost_since[through]), 0.0)
        earlier = np.where(reset < 0, before_window_mwh(scene, self.name, subject), 0.0)
        both_ms = np.maximum.reduce([known_ms, scene.expected.known_ms, around.known_ms])
        began = reset[through]  # index of the last output
        last_ms = np.where(began >= 0, ends[began], window.start_ms)
        # Over a gap in all readings it may have gone on, unless it had said before that it stands.
        blind = unheard & ~meter.is_heard & (sum_since(np.where(none, counted, 0.0), reset) <= 0.0)
        stands = sum_since(counted, last_true(works | blind))
        first_lit = last_true(lit & (np.concatenate(([0.0], stands[:-1])) <= 0.0))[through]
        high_ms = np.where(first_lit >= 0, ends[first_lit], last_ms)

        causes = self._cause(scene, subject, facts)[through]
        visits = [event.at_ms for event in scene.events if event.kind is EventKind.VISIT]

        def evidence(point: int) -> Mapping[str, str | float]:
            told = {"expected_kwh": float(lost_since[through[point]]) / 1e6, "last_output_ms": float(last_ms[point])}
            before = [at for at in visits if last_ms[point] - DAY_MS <= at <= high_ms[point]]
            return told | ({"visit_ms": float(max(before))} if before else {})

        return Judgement(
            finding=self.name,
            subject=subject,
            verdict=verdict,
            code=np.select([fault, verdict == OK, (around.dark & counts)[through]], [2, 1, 4], 0).astype(np.int8),
            codes=CODES,
            cause=np.where(fault, causes, 0).astype(np.int8),
            cause_sets=CAUSES,
            observed=np.where(fault, 0.0, power[through]),
            expected=np.where(has_basis, expectation.expected, np.nan)[through],
            unit="W",
            onset_ms=last_ms.astype(np.int64),
            onset_low_ms=np.maximum(last_ms - GRID_MS, window.start_ms).astype(np.int64),
            onset_high_ms=np.maximum(high_ms, last_ms).astype(np.int64),
            loss_mwh=loss,
            arrears_mwh=np.where(fault, lost_since[through] - loss, 0.0),
            loss_share=np.maximum(
                half_width(usual.error, self._day_error(scene)[through], (ends - last_ms) / DAY_MS),
                scene.limit(self.name, "loss_share"),
            ),
            evidence=evidence,
            fault_known_ms=np.where(raw == FAULT, np.maximum.accumulate(np.maximum(ends, both_ms)), 0),
            figures=tuple(figures(scene, self.name, subject, lost, both_ms, works)),
            lost_mwh=np.where(fault, (lost_since + earlier)[through], 0.0),
        )

    def _day_error(self, scene: Scene) -> Floats:
        """Standard deviation of one day's expectation, by interval."""
        noon_deg = scene.expected.sun_elevation_deg.reshape(-1, POINTS_A_DAY).max(axis=1)
        by_basis = {basis: np.array([day_sigma(basis, noon, 0.5) for noon in noon_deg]) for basis in DAY_SIGMA}
        kinds = scene.expected.basis.reshape(-1, POINTS_A_DAY)
        found = np.zeros(kinds.shape)
        for basis, sigma in by_basis.items():
            found = np.where(kinds == basis, sigma[:, None], found)
        return found.ravel()

    def _electrically_off(self, scene: Scene, inverter: str, snow: Bools) -> Bools:
        """No mains, or no panels connected. Under deep snow an inverter sleeps, and then it tells no panels' volts."""
        grid, dc = _voltage(scene, f"{inverter}.l1.ac_voltage"), _dc_voltage(scene, inverter)
        return np.asarray((grid < GRID_VOLTAGE_V) | ((dc < DC_VOLTAGE_V) & ~snow))

    def _cause(self, scene: Scene, inverter: str, facts: Presence) -> Small:
        """By the silence table; an inverter awake without DC has its DC side off, one that tells no volts says less."""
        outcomes, place = facts.outcomes()
        found = np.array([CAUSES.index(o.causes) if o.finding is self.name else 0 for o in outcomes], dtype=np.int8)[
            place
        ]
        grid, dc = _voltage(scene, f"{inverter}.l1.ac_voltage"), _dc_voltage(scene, inverter)
        idle = found == CAUSES.index(("not-running",))
        found[idle & (np.isnan(grid) | np.isnan(dc))] = 0
        found[idle & (dc < DC_VOLTAGE_V)] = CAUSES.index(("dc-side-off",))
        return np.asarray(found)


def _counted_itself(scene: Scene, inverter: str) -> Bools:
    """Where an inverter that tells no power says by its own register that it made something."""
    counter = scene.window.counter(f"{inverter}.ac_energy")
    if counter is None or scene.window.gauge(f"{inverter}.ac_power") is not None:
        return np.zeros(scene.window.points, dtype=bool)
    return np.asarray(counter.booked_mwh > 0.0)


def _voltage(scene: Scene, channel: str) -> Floats:
    gauge = scene.window.gauge(channel)
    return gauge.value if gauge is not None else np.full(scene.window.points, np.nan)


def _dc_voltage(scene: Scene, inverter: str) -> Floats:
    """The highest of the inverter's DC voltages; NaN where none is known."""
    names = [f"{inverter}.dc_voltage", *(f"{name}.dc_voltage" for name in scene.site.inputs_of(inverter))]
    columns = [gauge.value for name in names if (gauge := scene.window.gauge(name)) is not None]
    return np.fmax.reduce(columns) if columns else np.full(scene.window.points, np.nan)


@dataclass(frozen=True, slots=True)
class _AloneMeter:
    """Meters that cover one inverter alone: heard, counted in the interval, still for long; the coarsest step [mWh]."""

    is_heard: Bools
    counted: Bools
    still: Bools
    step_mwh: float


def _alone_meter(scene: Scene, inverter: str) -> _AloneMeter:
    window, ends = scene.window, scene.window.ends()
    is_heard, counted, still = (np.zeros(window.points, dtype=bool) for _ in range(3))
    step_mwh = 0.0
    for meter in scene.site.meters_covering(inverter):
        register = register_of(window, meter.id)
        if meter.covers != (inverter,) or register is None:
            continue
        source = scene.site.source_of(meter.id)
        every_s = source.every_s if source else 60.0
        here = heard(window, register.seen_ms, every_s)
        patience_ms = max(30 * MINUTE_MS, int(2500 * every_s))
        quiet = (register.moved_ms == 0) | (ends - register.moved_ms > patience_ms)
        is_heard |= here
        counted |= register.booked_mwh > 0
        still |= here & quiet
        per_kwh = (source.pulses_per_kwh if source else None) or meter.pulses_per_kwh
        pulse_wh = 1000.0 / per_kwh if per_kwh else 0.0
        step_mwh = max(step_mwh, 1000.0 * max(meter.resolution_wh, pulse_wh))
    return _AloneMeter(is_heard, counted, still, step_mwh)


def _place(fact: InverterFact | MeterFact | GridFact) -> int:
    return list(type(fact)).index(fact)

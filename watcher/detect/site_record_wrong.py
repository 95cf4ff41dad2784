"""site-record-wrong: what is on file of the panels does not fit what they have made since their first day.

Rule: a question, with the value that would fit, and never an accusation. It is asked of a plant that was so from the
beginning: the same share too much or too little on all days, or output that stands earlier or later in the day than
the planes on file let it. What came with a step is a fault and none of this. Asked once for each set of facts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import exp, isnan, log, nan, sqrt
from statistics import median

import numpy as np

from watcher.align.window import Bools, Floats, Ints
from watcher.detect.clear_spells import spell_ratios
from watcher.detect.reference_wrong import often_told
from watcher.detect.scene import FAULT, OK, Judgement, Scene, ac_power, unknown, upper_quartile
from watcher.detect.settled import Settling, kept_days
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, floor_day, local_day
from watcher.domain.site import Array, Site, Storage
from watcher.expect.expectation import Basis
from watcher.expect.geometry import sky_of_day
from watcher.expect.irradiance import clear_plane
from watcher.expect.learned import facts_number

CODES = (
    "site-record-wrong.not-judged",
    "site-record-wrong.fits",
    "site-record-wrong.rating",
    "site-record-wrong.direction",
    "site-record-wrong.swapped",
    "site-record-wrong.reference",
    "site-record-wrong.few-days",
)
_FITS, _RATING, _DIRECTION, _SWAPPED, _REFERENCE, _FEW = 1, 2, 3, 4, 5, 6
CAUSES = ((), ("rating",), ("direction",), ("inputs-swapped",), ("reference-scale",))

FULL_SUMMER_DAY_H = 5.0
MATURE = 60
"""Usable days after which nothing more is asked: what comes later has come with a step."""

CERTAIN = 5.0
"""Standard errors of the median."""

TURNS = tuple(range(-180, 180, 15))
"""Turns of the planes that are tried for the one that fits. [degrees]"""

CLEAR_USUAL, FEWEST_CLEAR = 0.1, 3
"""What healthy plants make of a clear sky's bound [ln] (seeded healthy years: 0.05 to 0.22), and on how many days that
must have been seen to say whether plant or reference is out.
"""

SWAPPED_SHARE = 0.6
"""Of the two shifts: swapped inputs are out by nearly the same, one early and one late."""


class SiteRecordWrong:
    name = Finding.SITE_RECORD_WRONG

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(i.id for i in site.inverters if i.storage is not Storage.DC and site.arrays_of(i.id))

    def judge(self, scene: Scene, subject: str) -> Judgement:
        found = ac_power(scene, subject)
        if found is None or subject not in scene.expected.by_subject:
            return unknown(scene, self.name, subject, CODES[0])
        facts_on_file = float(facts_number(scene.site, subject))
        before = scene.past.get((self.name, subject), ())
        # Asked about what was on file before, and then it was put right: that is an answer.
        answered = any(one.values["told"] for one in before if one.values["on_file"] != facts_on_file)
        mine = [one for one in before if one.values["on_file"] == facts_on_file]
        mature = bool(mine) and mine[-1].values["count"] >= MATURE
        n = scene.window.points
        verdict, code, cause = (np.zeros(n, dtype=np.int8) for _ in range(3))
        onset, onset_high, units = (np.zeros(n, dtype=np.int64) for _ in range(3))
        facts: dict[int, Mapping[str, str | float]] = {}
        figures: list[DayFigure] = []

        def figure_of(one: Settling) -> dict[str, float] | None:
            # Once it is too late to ask that alone is kept, since figures of old days go.
            return {} if mature else self._figure(scene, subject, found, one)

        for one, days, own, values in kept_days(scene, self.name, subject, facts_on_file, figure_of):
            earlier = [day.values for day in days if day is not own]
            said = {name: earlier[-1][name] for name in _KEPT if name in earlier[-1]} if earlier else {}
            if own is not None:
                count = earlier[-1]["count"] if earlier else 0.0
                if not mature:
                    count += 1.0
                    said = said if said.get("told") else self._asked(scene, subject, one, days)
                values.update({"told": 0.0, **said, "count": count})
                figures.append(own)
            told = int(said.get("told", 0.0))
            units[one.at] = 1
            if told:
                verdict[one.at], code[one.at], cause[one.at] = FAULT, told, told - 1
                facts[one.at] = {name: said[name] for name in _KEPT[1:] if name in said}
                onset[one.at], onset_high[one.at] = local_day(days[0].day, scene.site.zone)
            elif answered or len(days) >= scene.limit(self.name, "days"):
                verdict[one.at], code[one.at] = OK, _FITS
            else:
                code[one.at], units[one.at] = _FEW, 0
        nothing = np.full(n, np.nan)
        return Judgement(
            finding=self.name, subject=subject, verdict=verdict, code=code, codes=CODES, cause=cause,
            cause_sets=CAUSES, observed=nothing, expected=nothing, unit="", onset_ms=onset, onset_low_ms=onset,
            onset_high_ms=onset_high, loss_mwh=np.zeros(n), arrears_mwh=np.zeros(n), loss_share=0.0,
            evidence=lambda point: facts.get(point, {}), units=units, figures=figures,
        )  # fmt: skip

    def _figure(self, scene: Scene, subject: str, power: tuple[Floats, Ints], one: Settling) -> dict[str, float] | None:
        """Of a usable day: ln(made / expected), and how much later than expected it was made, inputs too [h]."""
        site, part = scene.site, one.part
        known = (scene.expected.known_ms[part] <= one.point_ms) & (scene.expected.basis[part] != Basis.NONE)
        known &= scene.expected.sun_elevation_deg[part] > scene.limit(self.name, "sun_deg")
        due = _plain(scene, subject)[part]
        made, when = power[0][part], power[1][part]
        both = known & (when <= one.point_ms) & np.isfinite(made) & np.isfinite(due)
        peak_w = sum(array.peak_power_w for array in site.arrays_of(subject))
        least_wh = scene.limit(self.name, "least_day_share") * FULL_SUMMER_DAY_H * peak_w
        hours = GRID_MS / HOUR_MS
        if np.sum(due[both]) * hours < least_wh or np.sum(made[both]) * hours < 0.1 * least_wh:
            return None
        # What is held at the inverter's limit tells neither of rating nor of direction.
        free = both & (np.maximum(made, due) < 0.96 * site.inverter(subject).ac_limit_w)
        if np.sum(due[free]) < 0.3 * np.sum(due[both]) or np.sum(made[free]) <= 0.0:
            return None
        found = {
            "ratio": log(float(np.sum(made[free])) / float(np.sum(due[free]))),
            "shift": _shift(made, due, free),
        }
        spells = spell_ratios(
            made, scene.expected.by_subject[subject].bound[part], due, scene.expected.temp_air[part],
            scene.expected.sun_elevation_deg[part], site.inverter(subject).ac_limit_w, both,
        )  # fmt: skip
        if spells is not None and often_told(site, subject):
            found["clear"] = log(spells[0])
        for input in site.inputs_of(subject):
            gauge = scene.window.gauge(f"{input}.dc_power")
            if gauge is not None and input in scene.expected.by_subject:
                own, its = gauge.value[part], _plain(scene, input)[part]
                shift = _shift(own, its, free & np.isfinite(own) & np.isfinite(its))
                if not isnan(shift):
                    found[f"shift {input}"] = shift
        return {name: value for name, value in found.items() if not isnan(value)}

    def _asked(self, scene: Scene, subject: str, one: Settling, days: Sequence[DayFigure]) -> dict[str, float]:
        """The code that is told, 0 for none, and the numbers that go with it."""
        if len(days) < scene.limit(self.name, "days"):
            return {"told": 0.0}
        site, hours = scene.site, scene.limit(self.name, "hours")
        shifts = {input: _steady(days, f"shift {input}", hours) for input in site.inputs_of(subject)}
        shifts = {input: shift for input, shift in shifts.items() if shift}
        if len(shifts) == 2 and len(site.inputs_of(subject)) == 2:
            early, late = sorted(shifts.values())
            if early < 0.0 < late and min(-early, late) > SWAPPED_SHARE * max(-early, late) and _differ(site, subject):
                return {"told": float(_SWAPPED), "shift_hours": round(late, 2)}
        whole = _steady(days, "shift", hours)
        if shifts or whole:
            input, shift = max(shifts.items(), key=lambda item: abs(item[1]), default=("", whole))
            arrays = site.arrays_at(input) if input else site.arrays_of(subject)
            likely = _likely_azimuth(site, arrays, shift, one)
            filed = arrays[0].azimuth_deg
            return {
                "told": float(_DIRECTION), "shift_hours": round(shift, 2), "on_file_deg": filed, "likely_deg": likely,
            }  # fmt: skip
        high = _steady(days, "ratio", log(scene.limit(self.name, "ratio_high")))
        low = _steady(days, "ratio", -log(scene.limit(self.name, "ratio_low")))
        ratio = high if high > 0.0 else min(low, 0.0)
        if ratio:
            rated_w = sum(array.peak_power_w for array in site.arrays_of(subject))
            likely_w = round(rated_w * exp(ratio), -1)
            # Even thin cloud can run smoothly: the best days are the clear ones.
            clear = [day.values["clear"] for day in days if "clear" in day.values]
            if len(clear) >= FEWEST_CLEAR and abs(upper_quartile(clear) - CLEAR_USUAL) < abs(ratio) / 2.0:
                return {"told": float(_REFERENCE), "made_ratio": round(exp(ratio), 2)}
            return {
                "told": float(_RATING), "made_ratio": round(exp(ratio), 2), "on_file_w": rated_w, "likely_w": likely_w,
            }  # fmt: skip
        return {"told": 0.0}


_KEPT = ("told", "shift_hours", "on_file_deg", "likely_deg", "made_ratio", "on_file_w", "likely_w")


def _plain(scene: Scene, subject: str) -> Floats:
    """What is expected without what was learned: that has learned to live with the file."""
    own = scene.expected.uncorrected.get(subject)
    due = scene.expected.by_subject[subject].expected
    return due if own is None else np.where(np.isfinite(own), own, due)


def _shift(made: Floats, due: Floats, where: Bools) -> float:
    """How much later the middle of what was made stands than that of what was expected. [h] NaN where nothing was."""
    at = np.arange(len(made))[where] * (GRID_MS / HOUR_MS)
    own, its = np.maximum(made[where], 0.0), due[where]
    if np.sum(own) <= 0.0 or np.sum(its) <= 0.0:
        return nan
    return float(np.sum(own * at) / np.sum(own) - np.sum(its * at) / np.sum(its))


def _steady(days: Sequence[DayFigure], name: str, least: float) -> float:
    """The median of a value over these days, where it is surely over `least` either way and was so from the beginning
    to the end; 0 elsewhere.
    """
    values = [one.values[name] for one in days if name in one.values]
    if len(values) < 0.75 * len(days):
        return 0.0
    middle = median(values)
    spread = 1.4826 * median(abs(value - middle) for value in values)
    error = 1.25 * spread / sqrt(len(values))
    third = len(values) // 3
    ends = [median(part) for part in (values[:third], values[-third:])]
    steady = all(end * middle > 0.0 and abs(end) >= 0.7 * abs(middle) for end in ends)
    return middle if steady and abs(middle) >= least and abs(middle) - least / 2.0 >= CERTAIN * error else 0.0


def _differ(site: Site, subject: str) -> bool:
    """Whether the planes at its two inputs are not the same, so that swapping them would matter."""
    first, second = ([(a.tilt_deg, a.azimuth_deg) for a in site.arrays_at(input)] for input in site.inputs_of(subject))
    return first != second


def _likely_azimuth(site: Site, arrays: Sequence[Array], shift: float, one: Settling) -> float:
    """The azimuth of the first of these arrays if all were turned together until a clear day's output stands as much
    later as was seen. [degrees]
    """
    start_ms = floor_day(local_day(one.day, site.zone)[0] + DAY_MS // 2)
    sky = sky_of_day(site.latitude_deg, site.longitude_deg, site.altitude_m, start_ms)
    at = np.arange(len(sky.ghi)) * (GRID_MS / HOUR_MS)

    def middle(turn: float) -> float:
        planes = [(a.tilt_deg, (a.azimuth_deg + turn) % 360.0, a.peak_power_w) for a in arrays]
        power = np.sum([peak * clear_plane(sky, tilt, way).clear.effective for tilt, way, peak in planes], axis=0)
        return float(np.sum(power * at) / np.sum(power))

    as_filed = middle(0.0)
    # Of two that fit alike the smaller mistake is the likelier.
    turn = min(TURNS, key=lambda turn: (round(abs(middle(turn) - as_filed - shift), 1), abs(turn)))
    return (arrays[0].azimuth_deg + turn) % 360.0

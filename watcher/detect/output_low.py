"""output-low: over whole days an inverter makes clearly less than the sun and its equipment allow.

Judged when a day settles, and anew when it settles again on better sunshine: what was said on a forecast is then
withdrawn if the better reference does not bear it out. Days that another finding already explains are not held against
the plant.

While a plant is new to us, a simple test: each usable civil day's ratio of made to expected against the usual one of
the last thirty that were not low, with a margin that depends on how good the reference is. Once there is a level of
its own to hold it against, evidence is added up from day to day (level.py), and small losses are told too. A steady
simple fraction points to one of m strings.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from functools import partial
from math import ceil, exp, inf, log, nan

import numpy as np

from watcher.align.window import Bools
from watcher.detect.area import area, covered
from watcher.detect.clear_spells import joined
from watcher.detect.level import Ratio, Reference, State, step
from watcher.detect.level_days import Before, Columns, Day, Status, before, on_file
from watcher.detect.reference_wrong import days_misled, rests_on
from watcher.detect.scene import FAULT, OK, UNKNOWN, Judgement, Scene, pv_expectation, pv_power, unknown
from watcher.detect.sellable import held_at_rating, sellable
from watcher.detect.snow import snow_on
from watcher.detect.step_down import step_down
from watcher.detect.usual_level import USUAL_DAYS, YOUNG_ERROR, half_width, usual_ratio
from watcher.domain.day import DayFigure
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, local_day
from watcher.domain.site import Site
from watcher.expect.band import DAY_SIGMA, day_sigma
from watcher.expect.expectation import Basis

CODES = (
    "output-low.not-judged",
    "output-low.as-expected",
    "output-low.days-below",
    "output-low.between",
    "explained.other-finding",
    "explained.snow-possible",
    "explained.area-event",
)
_BY_OTHERS, _SNOW, _BY_AREA = 4, 5, 6
_NOT_ITS_OWN = (_BY_OTHERS, _BY_AREA)
EXPLAINERS = (
    Finding.STRING_OPEN,
    Finding.STRING_INTERMITTENT,
    Finding.MODULE_LOST,
    Finding.STRING_LOW_VOLTAGE,
    Finding.STRING_LOW_CURRENT,
    Finding.NO_GENERATION,
    Finding.GRID_VOLTAGE_TRIPS,
    Finding.LATE_START,
    Finding.POWER_LIMITED,
)
FULL_SUMMER_DAY_H = 5.0  # hours of full power of a good summer day in the UK (common practice, no source)
LEAST_RATIO = 0.01  # a day without any output is low enough; its logarithm would be no number
LONGEST_DOUBT_DAYS = 14


class OutputLow:
    name = Finding.OUTPUT_LOW

    def subjects(self, site: Site) -> tuple[str, ...]:
        return tuple(inverter.id for inverter in site.inverters if site.arrays_of(inverter.id))

    def judge(self, scene: Scene, subject: str) -> Judgement:
        found, expectation = pv_power(scene, subject), pv_expectation(scene, subject)
        if found is None or expectation is None:
            return unknown(scene, self.name, subject, CODES[0])
        power, known_ms = found
        power, due, bound = (sellable(scene, subject, one) for one in (power, expectation.expected, expectation.bound))
        both = ~np.isnan(power) & ~np.isnan(expectation.expected) & (scene.expected.basis != Basis.NONE)
        both &= scene.expected.sun_elevation_deg > scene.limit(self.name, "sun_deg")
        bounds = {day: self._bounds(scene, day) for day in scene.settling}
        covers = covered(around := area(scene), scene.window)
        held, held_known_ms = held_at_rating(scene, subject)
        both &= ~covers.dark & ~held
        known_ms = np.maximum.reduce([known_ms, scene.expected.known_ms, covers.known_ms, held_known_ms])
        basis, stood = partial(_basis, scene), _stood_from_ms(scene, subject, bounds)
        columns = Columns(
            power, due, bound, both, known_ms, scene.expected.temp_air,
            scene.expected.sun_elevation_deg, scene.site.inverter(subject).ac_limit_w, bounds, basis, stood,
            _blamed(scene, subject), around,
        )  # fmt: skip
        facts_on_file = on_file(scene.site, subject)
        first = min((day for day in scene.settling if bounds[day][0] >= 0), default=None)
        misled = days_misled(scene)  # and were judged before that was known
        told_of = [one for one in scene.past.get((self.name, subject), ()) if one.day.toordinal() not in misled]
        past = before(told_of, facts_on_file, first)
        chain = _Chain(past.state, self._references(scene))

        n, start_ms = scene.window.points, scene.window.start_ms
        verdict, code, cause = (np.zeros(n, dtype=np.int8) for _ in range(3))
        observed, expected = np.full(n, np.nan), np.full(n, np.nan)
        onset, onset_low, onset_high, units, withdrawn = (np.zeros(n, dtype=np.int64) for _ in range(5))
        loss, arrears, lost_so_far, width = (np.zeros(n) for _ in range(4))
        facts: dict[int, Mapping[str, str | float]] = {}
        figures: list[DayFigure] = []

        for point_ms, settling, again in _settle_points(scene):
            at = scene.window.index_of(point_ms)
            days = self._days_known(scene, subject, columns, point_ms, past, chain)
            newest = [day for day in days if day.day in settling]
            for day in newest:
                revision = scene.settling[day.day].index(point_ms) + 1
                figures.append(day.figure(self.name, subject, facts_on_file, revision, point_ms))
            judged = [day for day in days if day.status is not None]
            if newest and newest[-1].explained:
                code[at] = newest[-1].explained
            if not any(day.status is not None for day in newest):
                continue
            last = judged[-1]
            observed[at], expected[at], code[at] = last.made_mwh / 1000.0, last.expected_mwh / 1000.0, 3
            low, told = self._low(scene, judged)
            if told:
                started, higher, share, steady = step_down(columns, low[0], last)
                share *= last.allowed_mwh / last.expected_mwh
                strings = next((m for m in (2, 3, 4) if steady and abs(share - (m - 1) / m) < 0.06), 0)
                verdict[at], code[at], cause[at], units[at] = FAULT, 2, 1 if strings else 0, 1
                # What was lost before the days that settle here was told when they settled.
                lost = _lost_mwh(days, low, past)
                loss[at] = sum(lost.get(day.day, 0.0) for day in newest if not again)
                lost_so_far[at] = sum(lost.values())
                arrears[at] = lost_so_far[at] - loss[at]
                width[at] = self._loss_share(scene, low)
                onset[at], onset_low[at], onset_high[at] = self._onset(scene, low[0], last, started, higher, steady)
                facts[at] = {"share": round(share, 3), "days": float(len(low)), "strings": float(strings)}
            elif _well(judged, scene.limit(self.name, "days_fine")):
                verdict[at], code[at], units[at] = OK, 1, 1
            elif again and not low:
                # Said on poorer knowledge, not borne out by better: nothing was wrong since the last low day.
                verdict[at], code[at] = OK, 1
            if verdict[at] == OK and again and not low:
                ended = [day.last for day in judged if day.status is Status.LOW]
                withdrawn[at] = start_ms + GRID_MS * max(ended, default=1)

        return Judgement(
            finding=self.name, subject=subject, verdict=verdict, code=code, codes=CODES,
            cause=cause, cause_sets=((), ("step-fraction",)), observed=observed, expected=expected, unit="Wh",
            onset_ms=onset, onset_low_ms=onset_low, onset_high_ms=onset_high, loss_mwh=loss, arrears_mwh=arrears,
            loss_share=width, evidence=lambda point: facts.get(point, {}),
            units=units, withdrawn_from_ms=withdrawn, figures=figures, lost_mwh=lost_so_far,
        )  # fmt: skip

    def _bounds(self, scene: Scene, day: date) -> tuple[int, int]:
        start_ms, end_ms = local_day(day, scene.site.zone)
        return (start_ms - scene.window.start_ms) // GRID_MS, (end_ms - scene.window.start_ms) // GRID_MS

    def _references(self, scene: Scene) -> Mapping[Basis, Reference]:
        limits = scene.limits[self.name]
        return {
            basis: Reference.of(limits, basis.name.lower(), may_stray=basis is Basis.MEASURED) for basis in DAY_SIGMA
        }

    def _margin(self, scene: Scene, basis: Basis, sigma: float) -> float:
        by_error = 1.0 - exp(-scene.limit(self.name, "margin_sigmas") * sigma)
        return max(scene.limit(self.name, f"margin_{basis.name.lower()}"), by_error)

    def _days_known(
        self, scene: Scene, subject: str, columns: Columns, point_ms: int, past: Before, chain: _Chain
    ) -> list[Day]:
        """The civil days that lie inside the window and have settled by a point, with what was known then."""
        peak_w = sum(array.peak_power_w for array in scene.site.arrays_of(subject))
        full_mwh = FULL_SUMMER_DAY_H * peak_w * 1000.0
        least_mwh = scene.limit(self.name, "least_day_share") * full_mwh
        ratios = list(past.ratios[-USUAL_DAYS:])
        days: list[Day] = []
        offsets = list(past.offsets)
        seen: tuple[Ratio, ...] = ()
        state = past.state
        for day, points in scene.settling.items():
            start, end = columns.bounds[day]
            if start < 0 or points[0] > point_ms:
                continue
            made, allowed, bound_seen, bound_whole, basis, clearness, clear = columns.sums(day, point_ms)
            explained = self._explained(scene, subject, columns, day, point_ms)
            usual = exp(state.level.log) if state.level is not None else usual_ratio(ratios)
            if explained == _SNOW and made > scene.limit(self.name, "snow_share") * usual * allowed:
                explained = 0  # light reached the panels
            usable = bound_seen >= 0.5 * bound_whole > 0.0 and allowed >= least_mwh
            if not usable or explained in _NOT_ITS_OWN or (explained == _SNOW and state.level is None):
                days.append(Day(day, start, end, made, allowed, allowed, explained, None, nan, None, state, basis))
                continue
            usual = usual_ratio(ratios)
            noon_deg = float(np.max(scene.expected.sun_elevation_deg[start:end]))
            sigma = day_sigma(basis, noon_deg, clearness, allowed / full_mwh)
            margin = self._margin(scene, basis, sigma)
            status = Status.BETWEEN  # hysteresis: well again is more than just above the line
            if made / allowed / usual < 1.0 - margin:
                status = Status.LOW
            elif made / allowed / usual >= 1.0 - margin / 2:
                status = Status.FINE
            down, offset = log(max(made / allowed, LEAST_RATIO)), None
            if clear is not None:
                offset = log(clear) - down
                if basis is not Basis.MEASURED:  # a sensor knows better than they do
                    down, sigma = joined(down, sigma, log(clear), offsets)
                offsets.append(offset)
            doubtful, fine = explained == _SNOW, status is not Status.LOW
            ratio = Ratio(day.toordinal(), down, sigma, doubtful, fine, nan if offset is None else offset, noon_deg)
            seen = (*seen, ratio)
            state = chain.after(seen, basis)
            if state.level is not None:
                usual, status = exp(state.level.log), Status.BETWEEN
                if state.alarmed:
                    status = Status.LOW
                elif state.evidence <= chain.references[basis].suspect * chain.references[basis].limit:
                    status = Status.FINE
            if status is not Status.LOW:  # or a loss that lasts would become usual, and its alert clear itself
                ratios.append(made / allowed)
            share = made / allowed / usual
            due = usual * allowed
            days.append(Day(day, start, end, made, allowed, due, 0, status, share, ratio, state, basis, offset))
        return days

    def _low(self, scene: Scene, judged: Sequence[Day]) -> tuple[list[Day], bool]:
        """The days of the loss that is going on, as far as they lie in the window, and whether it is told."""
        state = judged[-1].state
        if state.level is not None:
            if not state.alarmed:
                return [], False
            return [day for day in judged if day.day.toordinal() >= state.alarmed], True
        episode = _trailing(judged, Status.LOW, Status.BETWEEN)
        low = [day for day in episode if day.status is Status.LOW]
        return low, len(low) >= scene.limit(self.name, "days_low")

    def _loss_share(self, scene: Scene, low: Sequence[Day]) -> float:
        """Relative half-width of the 90 % interval of what was lost on these days."""
        last = low[-1]
        state, sigma = last.state, last.ratio.sigma if last.ratio is not None else 0.0
        if state.level is None:
            share = 1.0 - sum(day.made_mwh for day in low) / sum(day.expected_mwh for day in low)
            found = half_width(YOUNG_ERROR, sigma, len(low), share)
        else:
            drift = self._references(scene)[last.basis].drift
            days = sum(one.day >= state.alarmed for one in state.days)
            found = half_width(state.level.error(drift), sigma * state.level.factor, days, 1.0 - exp(-state.loss))
        return max(float(found), scene.limit(self.name, "loss_share"))

    def _onset(
        self, scene: Scene, first: Day, last: Day, started: int, higher: int, steady: bool
    ) -> tuple[int, int, int]:
        """When the loss seems to have begun, and between which instants.

        started, higher: by the step inside the first day, and the last place before it
        """
        start_ms = scene.window.start_ms
        onset_ms = start_ms + GRID_MS * started
        state = last.state
        if state.alarmed and first.ratio is not None:
            doubt = ceil(4.0 * (first.ratio.sigma / max(state.loss, 0.01)) ** 2) - 1
            doubt_ms = DAY_MS * min(doubt, LONGEST_DOUBT_DAYS)
            begun_ms, ended_ms = local_day(date.fromordinal(state.alarmed), scene.site.zone)
            if state.alarmed < first.day.toordinal():  # before the window
                return begun_ms, begun_ms - doubt_ms, ended_ms + doubt_ms
            if doubt_ms or not steady:
                return onset_ms, begun_ms - doubt_ms, ended_ms + doubt_ms
        if steady:
            return onset_ms, min(onset_ms - 6 * GRID_MS, start_ms + GRID_MS * higher), onset_ms + 6 * GRID_MS
        return onset_ms, start_ms + GRID_MS * first.first, start_ms + GRID_MS * first.last

    def _explained(self, scene: Scene, subject: str, columns: Columns, day: date, point_ms: int) -> int:
        start, end = columns.bounds[day]
        if columns.stood_from_ms.get(day, point_ms + 1) <= point_ms:
            return _BY_OTHERS
        part, around = slice(start, end), columns.around
        if around is not None and around.low_on(part, point_ms):
            return _BY_AREA
        at = scene.window.index_of(point_ms) + 1
        if (start, at) not in columns.explained:
            columns.explained[start, at] = self._explained_by(scene, columns, part, at)
        found = columns.explained[start, at]
        # Snow falls on all roofs around: it is no excuse once theirs are clear.
        return 0 if found == _SNOW and around is not None and around.well_on(part, point_ms) else found

    def _explained_by(self, scene: Scene, columns: Columns, part: slice, at: int) -> int:
        """at: the interval up to which verdicts are known"""
        for about, judgement in columns.blamed:
            if judgement.finding is Finding.REFERENCE_WRONG and not rests_on(scene, about, part):
                continue
            # At fault on that day, or before it and not found well since: a dull day proves nothing either way.
            told = np.flatnonzero(judgement.verdict[: part.start] != UNKNOWN)
            standing = len(told) > 0 and judgement.verdict[told[-1]] == FAULT
            if standing or (judgement.verdict[part.start : min(part.stop, at)] == FAULT).any():
                return _BY_OTHERS
            # Or found since, by one who needs days to see that it had begun by then.
            if scene.window.start_ms + GRID_MS * part.stop > _stands_since_ms(scene, judgement, at):
                return _BY_OTHERS
        return _SNOW if snow_on(scene, part, scene.limit(self.name, "snow_below_degc")) else 0


class _Chain:
    """The state after each row of days that was asked for; most points find the days before them as they were."""

    def __init__(self, seed: State, references: Mapping[Basis, Reference]) -> None:
        self.references = references
        self._after: dict[tuple[Ratio, ...], State] = {(): seed}

    def after(self, days: tuple[Ratio, ...], basis: Basis) -> State:
        """After these days, asked for one by one. basis: of the last"""
        if days not in self._after:
            self._after[days] = step(self._after[days[:-1]], days[-1], self.references[basis])
        return self._after[days]


def _basis(scene: Scene, part: slice, chosen: Bools) -> Basis:
    """The poorest basis that serves at least a quarter of the chosen intervals."""
    basis = scene.expected.basis[part][chosen]
    for kind in (Basis.WEATHER, Basis.SATELLITE, Basis.PEERS):
        if len(basis) and float(np.mean(basis == kind)) >= 0.25:
            return kind
    return Basis.MEASURED


def _well(judged: Sequence[Day], days_fine: float) -> bool:
    """A plant with a level of its own has shown that it is back; another must show it for some days."""
    if judged[-1].state.level is not None:
        return judged[-1].status is Status.FINE
    return len(_trailing(judged, Status.FINE)) >= days_fine


def _lost_mwh(days: Sequence[Day], low: Sequence[Day], past: Before) -> Mapping[date, float]:
    """What each day lost of what it could have made, by the loss that is told."""
    state = low[-1].state
    if state.level is None:
        return {day.day: day.missing_mwh for day in low}
    # The mean loss and not each day's own: a day's reference errs more than the loss changes.
    share = exp(state.level.log) * (1.0 - exp(-state.loss))
    begun = date.fromordinal(state.alarmed)
    allowed = {day: mwh for day, mwh in past.allowed_mwh.items() if day >= begun}
    allowed |= {day.day: day.allowed_mwh for day in days if day.day >= begun and day.explained not in _NOT_ITS_OWN}
    # It takes some days to see that it is over, and on those nothing was lost.
    still = [one.day for one in state.days if state.level.log - one.log > state.loss / 2.0]
    ended = date.fromordinal(max([state.alarmed, *still]))
    return {day: float(round(share * mwh)) for day, mwh in allowed.items() if day <= ended}


def _stood_from_ms(scene: Scene, subject: str, bounds: Mapping[date, tuple[int, int]]) -> dict[date, int]:
    """A verdict at a point of a day may have been out of reach then: sunshine can come after the day."""
    judgement = scene.judged.get((Finding.NO_GENERATION, subject))
    if judgement is None or judgement.fault_known_ms is None:
        return {}
    found: dict[date, int] = {}
    for day, (start, end) in bounds.items():
        known_ms = judgement.fault_known_ms[max(start, 0) : max(end, 0)]
        if (known_ms > 0).any():
            found[day] = int(known_ms[known_ms > 0].min())
    return found


def _blamed(scene: Scene, subject: str) -> tuple[tuple[str, Judgement], ...]:
    """What has been found wrong with a device, or with what its expectation rests on, by those who explain its days."""
    return tuple(
        (about, judgement)
        for (finding, about), judgement in scene.judged.items()
        if (finding is Finding.REFERENCE_WRONG or (finding in EXPLAINERS and about.partition(".")[0] == subject))
        and (judgement.verdict == FAULT).any()
    )


def _stands_since_ms(scene: Scene, judgement: Judgement, at: int) -> float:
    """Since when, as last said at a point that is asked for, there is a fault; infinite where there is none."""
    told = np.flatnonzero(judgement.verdict[scene.asked_from : at] != UNKNOWN)
    last = scene.asked_from + int(told[-1]) if len(told) else -1
    return float(judgement.onset_ms[last]) if last >= 0 and judgement.verdict[last] == FAULT else inf


def _settle_points(scene: Scene) -> Iterator[tuple[int, frozenset[date], bool]]:
    """Points that are asked for at which days settle, which ones, and whether any of them does so again."""
    end_ms = scene.window.start_ms + scene.window.points * GRID_MS
    from_ms = scene.window.start_ms + scene.asked_from * GRID_MS
    by_point: dict[int, set[tuple[date, int]]] = {}
    for day, points in scene.settling.items():
        for revision, point_ms in enumerate(points):
            if from_ms < point_ms <= end_ms:
                by_point.setdefault(point_ms, set()).add((day, revision))
    for point_ms, settling in sorted(by_point.items()):
        yield point_ms, frozenset(day for day, _ in settling), any(revision for _, revision in settling)


def _trailing(days: Sequence[Day], *statuses: Status) -> list[Day]:
    """The last days in a row whose status is one of these."""
    kept: list[Day] = []
    for day in reversed(days):
        if day.status not in statuses:
            break
        kept.insert(0, day)
    return kept

"""What the page of a home shows, from the stores as they are at an instant.

Rule: nothing is judged here and nothing estimated; what was not heard is None. The day that runs is read from the
readings, days gone by from what settled. No numpy: this runs in the daemon.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Protocol

from watcher.align.possible import is_battery
from watcher.align.typed import Standing, life_of, typed_readings
from watcher.domain.day import DaySheet, SettledDay
from watcher.domain.event import Event
from watcher.domain.instant import GRID_MS, HOUR_MS, MINUTE_MS, local_day, local_day_of
from watcher.domain.reading import Reading, Samples
from watcher.domain.sheet import unpack
from watcher.domain.site import Meter, MeterRole, Site, SiteRecord, Storage

FRESH_MS = 15 * MINUTE_MS
"""A power older than this is not the present one."""

NIGHT_MS = 16 * HOUR_MS
"""How far before midnight a counter is looked for: it stands still over the longest night."""

USUAL_DAYS = 14
"""Days whose sunshine tells what is usual now."""

CURVES = ("site.expected", "site.low", "site.high", "site.bound")


class Stored(Protocol):
    """What was measured."""

    def window(
        self, site: str, channels: Collection[str] | None, start_ms: int, end_ms: int, received_by_ms: int
    ) -> Mapping[str, Samples]: ...

    def last(self, site: str) -> Mapping[str, Reading]: ...


@dataclass(frozen=True, slots=True)
class Curve:
    """A civil day in intervals of the grid. [W] None where not known.

    made: as measured. low, high: what was to be expected. bound: what a clear sky would give
    judged: low and high are of this very day's sunshine, not of the days before
    """

    start_ms: int
    made: tuple[float | None, ...]
    low: tuple[float | None, ...] = ()
    high: tuple[float | None, ...] = ()
    bound: tuple[float | None, ...] = ()
    judged: bool = False


@dataclass(frozen=True, slots=True)
class Bar:
    """Energy of a day or a month. [Wh] whole: all of its days are in it"""

    begin: date
    made_wh: float | None
    expected_wh: float | None = None
    whole: bool = True


@dataclass(frozen=True, slots=True)
class MeterShown:
    """A generation meter's register as on its display. at_ms: when it was so. typed: read by a person"""

    meter: Meter
    wh: float
    at_ms: int
    typed: bool

    @property
    def digits(self) -> str:
        """All the figures a display has, leading zeros included."""
        whole = self.wh / 1000.0 % 10.0**self.meter.digits
        width = self.meter.digits + (self.meter.decimals + 1 if self.meter.decimals else 0)
        return f"{whole:0{width}.{self.meter.decimals}f}"


@dataclass(frozen=True, slots=True)
class Flows:
    """Where today's energy came from and went. [Wh] None where nobody tells.

    stored, given: into the battery and out of it. sent, bought: to the street and from it. used: in the house
    """

    made: float | None = None
    stored: float | None = None
    given: float | None = None
    sent: float | None = None
    bought: float | None = None
    used: float | None = None


@dataclass(frozen=True, slots=True)
class HomeFigures:
    """power_w: at present, None where not heard lately; power_ms: when last. since: the first day of the year's sum"""

    today: date
    power_w: float | None
    power_ms: int | None
    peak_w: float
    today_wh: float | None
    year_wh: float | None
    since: date | None
    lifetime_wh: float | None
    meters: tuple[MeterShown, ...]
    curve: Curve
    yesterday: Curve | None
    week: tuple[Bar, ...]
    months: tuple[Bar, ...]
    flows: Flows | None
    charge_percent: float | None


def home_figures(
    record: SiteRecord,
    stored: Stored | None,
    events: Sequence[Event],
    days: Sequence[SettledDay],
    sheets: Sequence[DaySheet],
    now_ms: int,
) -> HomeFigures:
    """All of one home's page. days: all that settled. sheets: of the last fortnight"""
    site = record.at(now_ms)
    today = local_day_of(now_ms, site.zone)
    start_ms = local_day(today, site.zone)[0]
    newest = dict(stored.last(site.id)) if stored is not None else {}
    window: Mapping[str, Samples] = {}
    if stored is not None:
        window = stored.window(site.id, _wanted(newest), start_ms - NIGHT_MS, now_ms + 1, now_ms + 1)
    last = {name: told for name, one in newest.items() if (told := _by(one, window.get(name), now_ms)) is not None}
    makers = [one.id for one in site.inverters if not is_battery(site, one)]
    power_w, power_ms = _present(makers, last, now_ms)
    today_wh = _sum_known(_gained(window, f"{one}.ac_energy", start_ms, now_ms) for one in makers)
    past = [day for day in days if day.day < today]
    curve = _curve_of_today(makers, window, sheets, site, today, now_ms)
    if today_wh is None:
        powers = [watts for watts in curve.made if watts is not None]
        today_wh = sum(powers) * GRID_MS / HOUR_MS if powers else None
    year = [day for day in past if day.day.year == today.year and made_wh(day) is not None]
    year_wh = _sum_known([*(made_wh(day) for day in year), today_wh])
    return HomeFigures(
        today=today,
        power_w=power_w,
        power_ms=power_ms,
        peak_w=sum(array.peak_power_w for array in site.arrays),
        today_wh=today_wh,
        year_wh=year_wh,
        since=min((day.day for day in year), default=None),
        lifetime_wh=_sum_known(last[f"{one}.ac_energy"].value for one in makers if f"{one}.ac_energy" in last),
        meters=tuple(_meters(record, site, last, events)),
        curve=curve,
        yesterday=_curve_of(sheets, makers, today - timedelta(days=1)),
        week=_week(past, today, today_wh),
        months=_months(past, today, today_wh),
        flows=_flows(site, window, start_ms, now_ms, today_wh) if has_battery(site) else None,
        charge_percent=_charge(site, last, now_ms),
    )


def has_battery(site: Site) -> bool:
    return any(one.storage is not Storage.NONE for one in site.inverters)


def made_wh(day: SettledDay) -> float | None:
    """What a day's panels made, as the inverters say; by the meter where they say nothing. [Wh]"""
    return day.generated_wh if day.generated_wh is not None else day.metered_wh


_QUANTITIES = (
    "ac_power", "ac_energy", "energy_index", "energy_import", "energy_export", "battery_charge_energy",
    "battery_discharge_energy",
)  # fmt: skip


def _wanted(last: Mapping[str, Reading]) -> list[str]:
    return [name for name in last if name.rpartition(".")[2] in _QUANTITIES and name.count(".") == 1]


def _by(newest: Reading, rows: Samples | None, now_ms: int) -> Reading | None:
    """The newest reading by now, where the clock may stand before the newest of all."""
    if newest.time_ms <= now_ms:
        return newest
    return Reading(newest.channel, rows.time_ms[-1], rows.value[-1]) if rows is not None and len(rows) else None


def _present(makers: Iterable[str], last: Mapping[str, Reading], now_ms: int) -> tuple[float | None, int | None]:
    heard = [last[f"{maker}.ac_power"] for maker in makers if f"{maker}.ac_power" in last]
    if not heard:
        return None, None
    fresh = [one.value for one in heard if now_ms - one.time_ms <= FRESH_MS]
    return (sum(fresh) if fresh else None), max(one.time_ms for one in heard)


def _gained(window: Mapping[str, Samples], name: str, start_ms: int, now_ms: int) -> float | None:
    """What a counter gained since the day began; None where it was not heard since, or fell. [Wh]"""
    rows = window.get(name)
    if rows is None or not len(rows) or rows.time_ms[-1] < start_ms:
        return None
    begin = rows.value[max(0, bisect_right(rows.time_ms, start_ms) - 1)]
    end = rows.value[bisect_right(rows.time_ms, now_ms) - 1]
    return end - begin if end >= begin else None


def _sum_known(values: Iterable[float | None]) -> float | None:
    told = [value for value in values if value is not None]
    return sum(told) if told else None


def _meters(
    record: SiteRecord, site: Site, last: Mapping[str, Reading], events: Sequence[Event]
) -> Iterable[MeterShown]:
    for meter in site.meters:
        if meter.role is not MeterRole.GENERATION:
            continue
        shown = [
            MeterShown(life_of(record, events, meter.id).facts(one.at_ms)[1], one.index_wh, one.at_ms, typed=True)
            for one in typed_readings(events, meter.id)
            if one.standing is Standing.GOOD
        ]
        if (told := last.get(f"{meter.id}.energy_index")) is not None:
            shown.append(MeterShown(meter, told.value, told.time_ms, typed=False))
        if shown:
            yield max(shown, key=lambda one: one.at_ms)


def _curve_of_today(
    makers: Sequence[str],
    window: Mapping[str, Samples],
    sheets: Sequence[DaySheet],
    site: Site,
    today: date,
    now_ms: int,
) -> Curve:
    start_ms, end_ms = local_day(today, site.zone)
    intervals = (end_ms - start_ms) // GRID_MS
    made: list[float | None] = [None] * intervals
    for maker in makers:
        for place, watts in _means(window.get(f"{maker}.ac_power"), start_ms, now_ms).items():
            made[place] = watts + (made[place] or 0.0)
    low, high, bound = _usual(sheets, today, intervals)
    return Curve(start_ms, tuple(made), low, high, bound)


def _means(rows: Samples | None, start_ms: int, now_ms: int) -> dict[int, float]:
    sums: dict[int, tuple[float, int]] = {}
    if rows is not None:
        for at in range(bisect_right(rows.time_ms, start_ms - 1), bisect_right(rows.time_ms, now_ms)):
            place = (rows.time_ms[at] - start_ms) // GRID_MS
            total, count = sums.get(place, (0.0, 0))
            sums[place] = (total + rows.value[at], count + 1)
    return {place: total / count for place, (total, count) in sums.items()}


Column = tuple[float | None, ...]


def _usual(sheets: Sequence[DaySheet], today: date, intervals: int) -> tuple[Column, Column, Column]:
    """What the sun allowed at each time of day on nine of ten of the last days, and the clear sky of the newest."""
    columns: list[list[float | None]] = []
    bound: Column = ()
    for sheet in sheets:
        if today - timedelta(days=USUAL_DAYS) <= sheet.day < today:
            opened = unpack(sheet.content, CURVES)
            if "site.expected" in opened.columns:
                columns.append(opened.values("site.expected"))
            if "site.bound" in opened.columns:
                bound = _fitted(opened.values("site.bound"), intervals)
    if len(columns) < 3:
        return (), (), bound
    low: list[float | None] = []
    high: list[float | None] = []
    for place in range(intervals):
        told = sorted(value for column in columns if place < len(column) and (value := column[place]) is not None)
        low.append(told[len(told) // 10] if told else None)
        high.append(told[-1 - len(told) // 10] if told else None)
    return tuple(low), tuple(high), bound


def _fitted(values: Sequence[float | None], intervals: int) -> Column:
    """As long as today: a day of 23 or 25 hours differs at its end, in the night."""
    return tuple([*values, *[None] * intervals][:intervals])


def _curve_of(sheets: Sequence[DaySheet], makers: Sequence[str], day: date) -> Curve | None:
    """A day that settled, against what its own sunshine allowed."""
    sheet = next((one for one in sheets if one.day == day), None)
    if sheet is None:
        return None
    opened = unpack(sheet.content, {*CURVES, *(f"{one}.ac_power" for one in makers)})
    powers = [opened.values(name) for one in makers if (name := f"{one}.ac_power") in opened.columns]
    if not powers:
        return None
    made = tuple(_sum_known(row) for row in zip(*powers, strict=True))
    low, high, bound = (
        tuple(opened.values(name)) if name in opened.columns else () for name in ("site.low", "site.high", "site.bound")
    )
    return Curve(opened.start_ms, made, low, high, bound, judged=bool(low))


def _week(past: Sequence[SettledDay], today: date, today_wh: float | None) -> tuple[Bar, ...]:
    by_day = {day.day: day for day in past}
    begun = min((day.day for day in past if made_wh(day) is not None), default=today)
    bars = []
    for back in range(6, 0, -1):
        begin = today - timedelta(days=back)
        one = by_day.get(begin) if begin >= begun else None
        bars.append(Bar(begin, None if one is None else made_wh(one), None if one is None else one.expected_wh))
    return (*bars, Bar(today, today_wh, None, whole=False))


def _months(past: Sequence[SettledDay], today: date, today_wh: float | None) -> tuple[Bar, ...]:
    """The last twelve, the present one included. Expected only where it is known for every day that counts."""
    by_month: dict[tuple[int, int], list[SettledDay]] = {}
    for day in past:
        by_month.setdefault((day.day.year, day.day.month), []).append(day)
    bars = []
    for back in range(11, -1, -1):
        years, month = divmod(today.year * 12 + today.month - 1 - back, 12)
        begin = date(years, month + 1, 1)
        told = [day for day in by_month.get((begin.year, begin.month), []) if made_wh(day) is not None]
        made = [made_wh(day) for day in told] + ([today_wh] if back == 0 else [])
        expected = [day.expected_wh for day in told]
        known = bool(expected) and back > 0 and None not in expected
        end = date(begin.year + begin.month // 12, begin.month % 12 + 1, 1)
        whole = back > 0 and len(told) >= (end - begin).days
        bars.append(Bar(begin, _sum_known(made), _sum_known(expected) if known else None, whole))
    return tuple(bars)


def _flows(site: Site, window: Mapping[str, Samples], start_ms: int, now_ms: int, made: float | None) -> Flows:
    def gained(*names: str) -> float | None:
        return next((wh for name in names if (wh := _gained(window, name, start_ms, now_ms)) is not None), None)

    def of(role: MeterRole, *quantities: str) -> float | None:
        meters = [meter.id for meter in site.meters if meter.role is role]
        return _sum_known(gained(*(f"{meter}.{quantity}" for quantity in quantities)) for meter in meters)

    batteries = [one.id for one in site.inverters if one.storage is not Storage.NONE]
    batteries += [one.id for one in site.meters if one.role is MeterRole.BATTERY]
    stored = _sum_known(gained(f"{one}.battery_charge_energy") for one in batteries)
    given = _sum_known(gained(f"{one}.battery_discharge_energy") for one in batteries)
    sent = of(MeterRole.EXPORT, "energy_export", "energy_index")
    bought = of(MeterRole.IMPORT, "energy_import", "energy_index")
    if sent is None:
        sent = of(MeterRole.IMPORT, "energy_export")
    if bought is None:
        bought = of(MeterRole.EXPORT, "energy_import")
    return Flows(made, stored, given, sent, bought, of(MeterRole.LOAD, "energy_index", "energy_import"))


def _charge(site: Site, last: Mapping[str, Reading], now_ms: int) -> float | None:
    told = [
        one.value
        for name, one in last.items()
        if name.endswith(".state_of_charge") and now_ms - one.time_ms <= 2 * HOUR_MS
    ]
    return sum(told) / len(told) if told else None


def fortnight(now_ms: int, site: Site) -> tuple[date, date]:
    """The days whose sheets the page of a home asks for: since, until."""
    today = local_day_of(now_ms, site.zone)
    return today - timedelta(days=USUAL_DAYS), today

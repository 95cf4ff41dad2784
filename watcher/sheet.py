"""Makes the sheet of a day that settles: one civil day of a site, interval by interval, in a few kilobytes.

Rule: a sheet is made of what was judged and can be made again from it at any time; nothing is kept only there. It feeds
what looks at many days at once, so that nobody builds a year's windows anew.

Columns (domain/sheet.py):
- "inverter-1.ac_power", "inverter-1.input-2.dc_power": means over the interval, as measured
- "meter-1.energy": what its register counted in the interval
- "inverter-1.expected", ".low", ".high", ".bound" (under a clear sky); the same of "site" and of each input
- "inverter-1.uncorrected" what was expected without what was learned, where something was
- "south.poa_irradiance" by array; "temp_air"; "sun_elevation"; "sun_azimuth"; "basis" (expect.expectation.Basis)
"""

from __future__ import annotations

from array import array
from collections.abc import Collection, Iterator
from datetime import date

import numpy as np

from watcher.align.window import Floats, Window
from watcher.domain.day import DaySheet
from watcher.domain.instant import GRID_MS, HOUR_MS, local_day
from watcher.domain.quantity import channel
from watcher.domain.sheet import MISSING, TENTHS, Sheet, open_sheet, pack
from watcher.domain.site import MeterRole, Site
from watcher.expect.expectation import Expected


def day_sheet(
    site: Site, window: Window, expected: Expected, day: date, revision: int, settled_ms: int
) -> DaySheet | None:
    """The sheet of a civil day; None where the window does not hold the whole of it."""
    start_ms, end_ms = local_day(day, site.zone)
    first, last = (start_ms - window.start_ms) // GRID_MS, (end_ms - window.start_ms) // GRID_MS
    if first < 0 or last > window.points:
        return None
    columns = {name: _tenths(values[first:last]) for name, values in _columns(site, window, expected)}
    return DaySheet(day, revision, settled_ms, pack(Sheet(start_ms, columns)))


def _columns(site: Site, window: Window, expected: Expected) -> Iterator[tuple[str, Floats]]:
    """Every column over the whole window, in its unit."""
    for name, gauge in window.gauges.items():
        known = channel(name)
        if known.quantity.name in ("ac_power", "dc_power") and known.device in {i.id for i in site.inverters}:
            yield name, gauge.value
    for meter in site.meters:
        counters = (window.counter(f"{meter.id}.{name}") for name in ("energy_index", "pulse_count"))
        counter = next((one for one in counters if one is not None), None)
        if counter is not None and meter.role is MeterRole.GENERATION:
            yield f"{meter.id}.energy", counter.energy_mwh / 1000.0
    for inverter in site.inverters:
        counter = window.counter(f"{inverter.id}.ac_energy")
        if counter is not None and window.gauge(f"{inverter.id}.ac_power") is None:
            yield f"{inverter.id}.ac_power", counter.energy_mwh / (GRID_MS / HOUR_MS * 1000.0)
    for subject, one in expected.by_subject.items():
        yield f"{subject}.expected", one.expected
        yield f"{subject}.low", one.low
        yield f"{subject}.high", one.high
        yield f"{subject}.bound", one.bound
    for inverter_id, plain in expected.uncorrected.items():
        yield f"{inverter_id}.uncorrected", plain
    for id, poa in expected.poa_wm2.items():
        yield f"{id}.poa_irradiance", poa
    yield "temp_air", expected.temp_air
    yield "sun_elevation", expected.sun_elevation_deg
    yield "sun_azimuth", expected.sun_azimuth_deg
    yield "basis", expected.basis.astype(np.float64)


def columns_of(sheet: DaySheet, names: Collection[str]) -> dict[str, Floats]:
    """Of these columns those a sheet has, in their unit, NaN where there was no value. ValueError where it is damaged.

    For who reads a year of sheets: a twentieth of the time of domain.sheet.unpack.
    """
    opened = open_sheet(sheet.content)
    found: dict[str, Floats] = {}
    for place, name in enumerate(opened.names):
        if name in names:
            row = np.frombuffer(opened.row(place), dtype=np.uint8).reshape(4, opened.intervals)
            steps = np.ascontiguousarray(row.T).view("<u4")[:, 0]
            whole = np.cumsum(steps, dtype=np.uint32).view(np.int32)
            found[name] = np.where(whole == MISSING, np.nan, whole / TENTHS)
    return found


def _tenths(values: Floats) -> array[int]:
    with np.errstate(invalid="ignore"):
        whole = np.where(np.isfinite(values), np.rint(values * TENTHS), MISSING)
    found: array[int] = array("i")
    found.frombytes(np.clip(whole, MISSING, 2**31 - 1).astype(np.int32).tobytes())
    return found

"""Drawings of a day, a week and months as SVG inside the page, in plain Python.

Rule: what is told by colour is told by shape and by a word as well, and all of it stands in a table beside the drawing.
Colours are the style sheet's; a drawing has classes only.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from zoneinfo import ZoneInfo

from markupsafe import Markup

from watcher.domain.instant import GRID_MS, HOUR_MS, from_ms
from watcher.web.figures import Curve

WIDTH, HEIGHT = 520, 250
LEFT, RIGHT, TOP, BOTTOM = 46, 10, 34, 32
PLOT_W, PLOT_H = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM

Points = list[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class BarShown:
    """label: under the bar. value: over it. made, expected: kWh, None where not known. whole: False draws it hatched"""

    label: str
    made: float | None
    expected: float | None
    whole: bool = True


def day_drawing(id: str, title: str, curve: Curve, zone: ZoneInfo) -> Markup:
    """Power over a civil day: measured as a line over an area, expected as a hatched band, clear sky as dashes."""
    told = [value for column in (curve.made, curve.high, curve.bound) for value in column if value is not None]
    top_w = nice(max([*told, 500.0]))
    first, last = _lit(curve)
    length, shown = max(1, last - first), range(first, last)

    def x(place: float) -> float:
        return LEFT + PLOT_W * (place - first) / length

    def y(watts: float) -> float:
        return TOP + PLOT_H * (1.0 - max(0.0, watts) / top_w)

    parts = list(_grid_lines(top_w))
    for place in range(first, last + 1):
        local = from_ms(curve.start_ms + place * GRID_MS).astimezone(zone)
        if local.minute == 0 and local.hour % 3 == 0:
            parts.append(_text(x(place), HEIGHT - 10, f"{local:%H}:00", "end" if place == last else "mid"))
            parts.append(_line([(x(place), TOP + PLOT_H), (x(place), TOP + PLOT_H + 5)], "axis"))
    for run in _runs(curve.low, curve.high, shown):
        upper = [(x(place + 0.5), y(high)) for place, _, high in run]
        lower = [(x(place + 0.5), y(low)) for place, low, _ in reversed(run)]
        parts.append(f'<polygon class="band" points="{_joined(upper + lower)}" fill="url(#{id}-hatch)"/>')
        parts += [_line(upper, "band-edge"), _line(lower, "band-edge")]
    for bound in _runs(curve.bound, curve.bound, shown):
        parts.append(_line([(x(place + 0.5), y(watts)) for place, watts, _ in bound], "sky"))
    for made in _runs(curve.made, curve.made, shown):
        points = [(x(place + 0.5), y(watts)) for place, watts, _ in made]
        floor = [(points[-1][0], y(0.0)), (points[0][0], y(0.0))]
        parts.append(f'<polygon class="made-area" points="{_joined(points + floor)}"/>')
        parts.append(_line(points, "made"))
    return _svg(id, title, parts)


def bar_drawing(
    id: str, title: str, bars: Sequence[BarShown], *, mark: int | None = None, figures: bool = True
) -> Markup:
    """Energy as bars; a thick stroke where the sun allowed it; hatched where days are missing or still running.

    mark: a bar before which a dashed line stands. figures: whether each bar's value stands over it
    """
    told = [value for bar in bars for value in (bar.made, bar.expected) if value is not None]
    top = nice(max([*told, 1.0]) * 1.08)
    step = PLOT_W / max(1, len(bars))
    parts = list(_grid_lines(top, "kWh"))
    for place, bar in enumerate(bars):
        left, wide = LEFT + step * (place + 0.16), step * 0.68
        if bar.label:
            parts.append(_text(left + wide / 2, HEIGHT - 10, bar.label, "mid"))
        if bar.made is None:
            parts.append(_text(left + wide / 2, TOP + PLOT_H - 6, "?", "mid unknown"))
        else:
            high = PLOT_H * bar.made / top
            fill = "" if bar.whole else f' fill="url(#{id}-hatch)"'
            kind = "bar" if bar.whole else "bar part"
            parts.append(
                f'<rect class="{kind}" x="{left:.1f}" y="{TOP + PLOT_H - high:.1f}" width="{wide:.1f}" '
                f'height="{high:.1f}"{fill}/>'
            )
            lift = PLOT_H * max(bar.made, bar.expected or 0.0) / top
            if figures:
                parts.append(_text(left + wide / 2, TOP + PLOT_H - lift - 6, short(bar.made), "mid value"))
        if bar.expected is not None:
            level = TOP + PLOT_H * (1.0 - bar.expected / top)
            parts.append(_line([(left - 0.1 * step, level), (left + wide + 0.1 * step, level)], "due"))
    if mark is not None:
        at = LEFT + step * mark
        parts.append(_line([(at, TOP - 4), (at, TOP + PLOT_H)], "mark"))
    return _svg(id, title, parts)


def nice(value: float) -> float:
    """A round number at or above: 1, 2, 2.5, 4, 5 or 8 and a power of ten."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1.0, 2.0, 2.5, 4.0, 5.0, 8.0, 10.0) if step * power >= value * (1 - 1e-9))


def short(kwh: float) -> str:
    return f"{kwh:,.1f}" if kwh < 10 else f"{kwh:,.0f}"


def _lit(curve: Curve) -> tuple[int, int]:
    """The intervals worth drawing: from an hour before anything can be made to an hour after."""
    lit = [
        place
        for column in (curve.made, curve.high, curve.bound)
        for place, value in enumerate(column)
        if value is not None and value > 5.0
    ]
    hour, length = HOUR_MS // GRID_MS, len(curve.made)
    if not lit:
        return 4 * hour, min(length, 21 * hour)
    return max(0, min(lit) - hour) // hour * hour, min(length, -(-(max(lit) + hour) // hour) * hour)


def _runs(
    low: Sequence[float | None], high: Sequence[float | None], shown: range
) -> Iterator[list[tuple[int, float, float]]]:
    """Stretches in which both are known, of the intervals that are shown."""
    run: list[tuple[int, float, float]] = []
    for place, (one, other) in list(enumerate(zip(low, high, strict=False)))[shown.start : shown.stop]:
        if one is not None and other is not None:
            run.append((place, one, other))
        elif run:
            yield run
            run = []
    if run:
        yield run


def _grid_lines(top: float, unit: str = "kW") -> Iterator[str]:
    scale = 1000.0 if unit == "kW" else 1.0
    for share in (0.0, 0.5, 1.0):
        level = TOP + PLOT_H * (1.0 - share)
        yield _line([(LEFT, level), (WIDTH - RIGHT, level)], "axis" if share == 0.0 else "grid")
        yield _text(LEFT - 6, level + 4, f"{top * share / scale:,.4g}", "end")
    yield _text(4, 14, unit, "unit")


def _line(points: Points, kind: str) -> str:
    return f'<polyline class="{kind}" points="{_joined(points)}" fill="none"/>'


def _joined(points: Points) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _text(x: float, y: float, words: str, kind: str) -> str:
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}">{escape(words)}</text>'


def _svg(id: str, title: str, parts: Sequence[str]) -> Markup:
    hatch = (
        f'<defs><pattern id="{id}-hatch" width="7" height="7" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><line class="hatch" x1="0" y1="0" x2="0" y2="7"/></pattern></defs>'
    )
    return Markup(
        f'<svg class="drawing" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-labelledby="{id}-title">'
        f'<title id="{id}-title">{escape(title)}</title>{hatch}{"".join(parts)}</svg>'
    )

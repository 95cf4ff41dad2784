"""The shapes an answer can have: how each is asked for and read. Adding one is a file beside this and a line here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from watcher.collect.weather import date_keyed, hourly_columns, plain
from watcher.collect.weather.answer import WeatherAnswer
from watcher.collect.weather.question import Cell, Question
from watcher.domain.site import WeatherShape


@dataclass(frozen=True, slots=True)
class Shape:
    """question: for the periods of a cell that end in (from_ms, until_ms], at least. parse: body and device"""

    question: Callable[[Cell, int, int], Question]
    parse: Callable[[bytes, str], WeatherAnswer]


SHAPES: Mapping[WeatherShape, Shape] = {
    WeatherShape.PLAIN: Shape(plain.question, plain.parse),
    WeatherShape.HOURLY_COLUMNS: Shape(hourly_columns.question, hourly_columns.parse),
    WeatherShape.DATE_KEYED: Shape(date_keyed.question, date_keyed.parse),
}

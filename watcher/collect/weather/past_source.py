"""Where the sunshine of past years is had from. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from watcher.domain.site import WeatherShape


@dataclass(frozen=True, slots=True)
class PastSource:
    """A service that tells the hours of past years, as weather sources do.

    basis: "satellite" where its irradiance was seen from space, "weather" where a model reckoned it
    grid_deg: the spacing of its grid, to which places are rounded before they are told [degrees]
    """

    address: str
    shape: WeatherShape = WeatherShape.DATE_KEYED
    grid_deg: float = 0.1
    basis: str = "satellite"

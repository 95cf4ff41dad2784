"""Roofs of every kind the UK has, drawn by lot: planes, strings, inverters, shade, batteries, limits.

Rule: what stands here is the truth; what the site file says of it is written in papers.py, with its mistakes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from watcher.domain.site import Conversion, Storage

MODULE_W = 400.0


class Kind(StrEnum):
    PLAIN = "plain"
    EAST_WEST = "east-west"
    SPLIT = "split"
    CHIMNEY = "chimney"
    TREE = "tree"
    CLIPPED = "clipped"
    OPTIMISED = "optimised"
    MICRO = "micro"
    EXPORT_LIMITED = "export-limited"
    AC_BATTERY = "ac-battery"
    DC_BATTERY = "dc-battery"
    THREE_PHASE = "three-phase"
    TWO_INVERTERS = "two-inverters"
    PARALLEL = "parallel"


@dataclass(frozen=True, slots=True)
class Obstacle:
    """What stands between sun and panels: directions it covers, the substrings it reaches, the beam it lets through.

    azimuth_deg, width_deg: middle and half width of its shadow's directions. height_deg: its top's elevation.
    summer, winter: share of the beam that passes
    """

    azimuth_deg: float
    width_deg: float
    height_deg: float
    substrings: int
    summer: float = 0.0
    winter: float = 0.0


@dataclass(frozen=True, slots=True)
class Panels:
    """The panels of one plane at one input. strength: real over nominal power; sky_view: share of the sky not hidden"""

    id: str
    input: str
    tilt_deg: float
    azimuth_deg: float
    modules: int
    parallel: int = 1
    module_w: float = MODULE_W
    conversion: Conversion = Conversion.STRING
    unit_limit_w: float | None = None
    strength: float = 1.0
    sky_view: float = 1.0
    obstacles: tuple[Obstacle, ...] = ()

    @property
    def peak_w(self) -> float:
        return self.modules * self.parallel * self.module_w

    @property
    def inverter(self) -> str:
        return self.input.partition(".")[0]


@dataclass(frozen=True, slots=True)
class Roof:
    """has_dc: the inverter tells each input. export_limit_w, battery_wh: None where there is none."""

    kind: Kind
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    panels: tuple[Panels, ...]
    limits_w: dict[str, float] = field(default_factory=dict)
    storage: Storage = Storage.NONE
    battery_wh: float | None = None
    export_limit_w: float | None = None
    phases: int = 1
    has_dc: bool = True

    @property
    def inverters(self) -> tuple[str, ...]:
        return tuple(self.limits_w)

    def at(self, inverter: str) -> tuple[Panels, ...]:
        return tuple(panels for panels in self.panels if panels.inverter == inverter)


def draw_roof(kind: Kind, middle: tuple[float, float], rng: np.random.Generator) -> Roof:
    """middle: of the region [degrees]; the roof lies within some tens of kilometres of it."""
    latitude, longitude = middle[0] + rng.uniform(-0.25, 0.25), middle[1] + rng.uniform(-0.4, 0.4)
    tilt, azimuth = rng.uniform(22.0, 45.0), rng.uniform(140.0, 220.0)
    modules = int(rng.integers(7, 11))
    planes: list[tuple[str, str, float, int]] = [("south", "inverter-1.input-1", azimuth, modules)]
    if kind in (Kind.EAST_WEST, Kind.OPTIMISED, Kind.MICRO):
        turn = rng.uniform(-20.0, 20.0)
        planes = [
            ("east", "inverter-1.input-1", 90.0 + turn, modules),
            ("west", "inverter-1.input-2", 270.0 + turn, modules),
        ]
    elif kind is Kind.SPLIT:
        planes.append(("west", "inverter-1.input-2", azimuth + 90.0, max(5, modules - 3)))
    elif kind is Kind.TWO_INVERTERS:
        planes.append(("west", "inverter-2.input-1", azimuth + 90.0, modules))
    elif kind is not Kind.PARALLEL:
        planes.append(("south-2", "inverter-1.input-2", azimuth, int(rng.integers(6, modules + 1))))
    if kind is Kind.THREE_PHASE:
        planes = [(id, input, at, count + 7) for id, input, at, count in planes]
    conversion = {Kind.OPTIMISED: Conversion.OPTIMISED, Kind.MICRO: Conversion.MICRO}.get(kind, Conversion.STRING)
    age = float(np.clip(rng.normal(0.955, 0.025), 0.88, 1.02))
    panels = tuple(
        Panels(
            id=id,
            input=input,
            tilt_deg=tilt,
            azimuth_deg=at % 360.0,
            modules=count,
            parallel=int(rng.integers(2, 4)) if kind is Kind.PARALLEL else 1,
            conversion=conversion,
            unit_limit_w=350.0 if kind is Kind.MICRO else None,
            strength=age * float(np.clip(rng.normal(1.0, 0.01), 0.97, 1.03)),
            sky_view=0.93 if kind in (Kind.CHIMNEY, Kind.TREE) else 0.985,
            obstacles=_obstacles(kind, count, rng),
        )
        for id, input, at, count in planes
    )
    ratio = {Kind.CLIPPED: rng.uniform(1.22, 1.35), Kind.TWO_INVERTERS: 1.0}.get(kind, rng.uniform(0.95, 1.12))
    names = dict.fromkeys(one.inverter for one in panels)
    limits = {
        name: float(round(sum(one.peak_w for one in panels if one.inverter == name) / ratio, -1)) for name in names
    }
    stored = {Kind.AC_BATTERY: Storage.AC, Kind.DC_BATTERY: Storage.DC}.get(kind, Storage.NONE)
    return Roof(
        kind=kind,
        latitude_deg=latitude,
        longitude_deg=longitude,
        altitude_m=float(rng.uniform(5.0, 180.0)),
        panels=panels,
        limits_w=limits,
        storage=stored,
        battery_wh=float(rng.choice([5200.0, 9500.0])) if stored is not Storage.NONE else None,
        export_limit_w=float(round(0.55 * sum(limits.values()), -1)) if kind is Kind.EXPORT_LIMITED else None,
        phases=3 if kind is Kind.THREE_PHASE else 1,
        has_dc=kind is not Kind.MICRO and (stored is Storage.DC or bool(rng.random() < 0.6)),
    )


def _obstacles(kind: Kind, modules: int, rng: np.random.Generator) -> tuple[Obstacle, ...]:
    if kind is Kind.CHIMNEY:
        middle = float(rng.uniform(110.0, 250.0))
        return (Obstacle(middle, rng.uniform(8.0, 18.0), rng.uniform(25.0, 55.0), int(rng.integers(2, 7))),)
    if kind is Kind.TREE:
        middle = float(rng.choice([rng.uniform(90.0, 130.0), rng.uniform(230.0, 270.0)]))
        reach = int(3 * modules * rng.uniform(0.4, 1.0))
        return (Obstacle(middle, rng.uniform(18.0, 32.0), rng.uniform(14.0, 26.0), reach, 0.2, 0.6),)
    return ()

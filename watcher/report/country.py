"""Whose rules hold at a site: what its file says, else what its place leaves no doubt of.

Rule: a place that could be in two countries is not decided. The boxes are generous on the side of asking: Ireland and
the south-west of Scotland share one.
"""

from __future__ import annotations

from enum import StrEnum

from watcher.domain.papers import Country
from watcher.domain.site import Site

_BRITISH_TIME = ("Europe/London", "GB", "UTC", "Etc/UTC")


class Land(StrEnum):
    GREAT_BRITAIN = "Great Britain"
    NORTHERN_IRELAND = "Northern Ireland"
    ELSEWHERE = "outside the United Kingdom"
    NOT_KNOWN = "country not known"


def land_of(site: Site) -> Land:
    """Where a site is, or that it cannot be told."""
    if site.country is not None:
        return Land.GREAT_BRITAIN if site.country is Country.GREAT_BRITAIN else Land.NORTHERN_IRELAND
    if site.zone.key == "Europe/Belfast":
        return Land.NORTHERN_IRELAND
    north, east = site.latitude_deg, site.longitude_deg
    if not (49.8 < north < 60.9 and -11.0 < east < 1.8):
        return Land.ELSEWHERE
    ireland = 51.3 < north < 55.5 and east < -5.3
    isle_of_man = 54.0 < north < 54.5 and -4.9 < east < -4.2
    if ireland or isle_of_man or site.zone.key not in _BRITISH_TIME:
        return Land.NOT_KNOWN
    return Land.GREAT_BRITAIN

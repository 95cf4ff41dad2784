"""What is said when not one plant but most of an area makes little: nobody's plant is blamed.

Rule: as in wording_table.py, which joins these rows to the rest.
"""

from __future__ import annotations

from collections.abc import Mapping

from watcher.alert.wording_cautions import Caution
from watcher.alert.wording_row import LEAVE_SWITCHES, Both, Words
from watcher.domain.finding import Finding

_NOTHING_TO_DO = ("There is nothing you need to do today.", LEAVE_SWITCHES)
_OTHERS_TOO = "The solar panels of most homes near yours make little or nothing, too."
_NOT_YOURS = "So this is not a fault of your panels."


def _area(home: str, home_why: str, trade: Words) -> Both:
    return Both(
        Words(subject=home, wrong=(_OTHERS_TOO, home_why, _NOT_YOURS), check=_NOTHING_TO_DO, caution=trade.caution),
        trade,
    )


def _told(subject: str, why: str, *check: str) -> Words:
    return Words(
        subject=subject,
        wrong=(
            "The site makes little or nothing, and so do most sites near it.",
            "{sites_dark:.0f} of {sites_near:.0f} near sites that must generate do not.",
            "Of the light that a sensor on site measured, the near sites saw {area_share:.2f}.",
            why,
            "No fault of this site is told until its neighbours are back.",
        ),
        check=check,
        caution=Caution.GENERAL,
    )


_IF_IT_STAYS = "If this site stays dark once the others are back, that is told as its own fault."
_CUT = _area(
    "the mains seems to be off in your area",
    "The mains may be off in your area.",
    _told(
        "area event: supply cut",
        "No mains is seen where that is told: a cut of the supply.",
        "The network operator's list of power cuts.",
        _IF_IT_STAYS,
    ),
)
_SNOW = _area(
    "there may be snow on the panels in your area",
    "It is cold, so there may be snow on them.",
    _told(
        "area event: probably snow",
        "It has been cold, and mains is there: probably snow.",
        "Nothing: snow slides off by itself. Nobody should go up for it.",
        _IF_IT_STAYS,
    ),
)
_AREA_EVENT = _area(
    "most homes in your area make little solar power",
    "What it is we cannot tell yet.",
    _told(
        "area event: most near sites low or dark",
        "The cause is open: a supply cut, snow, or a limit set by the network operator.",
        "What the sites have in common: the supply, the weather, the network between them and us.",
        _IF_IT_STAYS,
    ),
)

AREA_FAULTS: Mapping[tuple[Finding, str], Both] = {
    (Finding.AREA_EVENT, "supply-cut"): _CUT,
    (Finding.AREA_EVENT, "snow-likely"): _SNOW,
    (Finding.AREA_EVENT, ""): _AREA_EVENT,
}

AREA_FIGURES: Mapping[str, tuple[str, str]] = {
    "sites_near": ("Near sites that must generate", "{0:.0f}"),
    "sites_dark": ("Of them dark", "{0:.0f}"),
    "area_share": ("Light the near sites saw, of that on site", "{0:.2f}"),
}

"""The thresholds of what a plant is held against, and of what is said of its surroundings and its papers.

Rule: as in policy_table.py, which joins these rows to the rest.
"""

from __future__ import annotations

from collections.abc import Mapping

from watcher.alert.policy_row import TRADE, Policy
from watcher.domain.alert import Severity
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, MINUTE_MS
from watcher.domain.site import Role

POLICY_OF_REFERENCES: Mapping[Finding, Policy] = {
    Finding.AREA_EVENT: Policy(
        hold_ms=60 * MINUTE_MS,  # most cuts are shorter, and nobody needs to hear of them
        clear_ms=30 * MINUTE_MS,
        severity=Severity.PLANNED,
        audience=(*TRADE, Role.OPERATOR),
        remind_days=(),
        tells_end=False,
        limits={
            "fewest_sites": 5.0,  # near ones that must generate
            "dark_share": 0.5,  # of them: more than that
            # Of the light on site, what the neighbours saw: under the one the area is low, above the other it is well,
            # once so many hours of the day are known.
            "low_share": 0.5,
            "well_share": 0.75,
            "low_hours": 1.0,
            "sun_deg": 6.0,
            "nothing_share": 0.002,  # of the rating: up to it the site is dark itself
            "buried_share": 0.025,  # of a clear sky's power: nor does snow leave more, or the blackest cloud
            "buried_hours": 3.0,  # but snow lies longer than such a cloud stays
            "own_low_share": 0.6,  # of what was expected of the day so far: under it the site is low itself
            "snow_below_degc": 4.0,
            "loss_share": 0.3,
        },
    ),
    Finding.REFERENCE_SILENT: Policy(
        hold_ms=0,
        clear_ms=30 * MINUTE_MS,
        severity=Severity.PLANNED,
        audience=(*TRADE, Role.OPERATOR),
        # Of sun, while we listened. A service that is down for a day is the operator's, who is told by other means.
        limits={"sun_deg": 10.0, "hours": 8.0, "service_hours": 24.0},
    ),
    Finding.REFERENCE_WRONG: Policy(
        hold_ms=0,  # the detector asks for several clear days that agree
        clear_ms=DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.PLANNED,
        audience=(*TRADE, Role.OPERATOR),
        limits={
            "days": 3.0,  # clear ones
            "evidence": 5.0,  # standard errors: a wrong word here hides a fault of the plant
            "least_measured": 0.1,
            "least_satellite": 0.15,
            "least_weather": 0.2,
            "plant_alike": 0.08,  # [ln] so nearly must the plant make what it usually makes of a clear sky
            "sun_deg": 10.0,
            "stuck_hours": 4.0,
        },
    ),
    Finding.SITE_RECORD_WRONG: Policy(
        hold_ms=0,  # the detector asks for weeks
        clear_ms=DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.PLANNED,
        audience=TRADE,
        remind_days=(),  # asked once
        limits={
            "days": 20.0,
            "sun_deg": 5.0,
            "least_day_share": 0.06,  # of a good summer day
            # Seeded healthy plants lie between 0.87 and 1.11 and within a quarter of an hour.
            "ratio_high": 1.2,
            "ratio_low": 0.8,
            "hours": 1.0,
        },
    ),
    Finding.CLOCK_WRONG: Policy(
        hold_ms=0,  # the detector asks for three days that agree
        clear_ms=DAY_MS,
        unit_ms=DAY_MS,
        severity=Severity.SOON,
        audience=(*TRADE, Role.OPERATOR),
        limits={
            "least_minutes": 40.0,  # an hour is the classic; less may be haze at one end of the day
            "output_share": 0.004,  # of the rating: from here on it makes something
        },
    ),
}

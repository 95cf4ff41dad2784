"""Case F5: strings that face different ways on one inverter, each held against its own expectation.

That healthy June days raise nothing, in any of the shapes, is shown beside case G1 (test_case_g1.py).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import EAST, WEST, Home, broken, by_day, home_site
from tests.detect.made_lines import judged, standing, told
from watcher.domain.alert import MailReason
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, POINTS_A_DAY, parse_iso
from watcher.domain.site import Array

JUNE = parse_iso("2026-06-15T00:00:00Z")
DAYS, BEFORE = 12, 6
STRING_FINDINGS = (
    Finding.STRING_OPEN,
    Finding.STRING_LOW_CURRENT,
    Finding.STRING_LOW_VOLTAGE,
    Finding.STRING_INTERMITTENT,
    Finding.MODULE_LOST,
)
SIX, FOUR = replace(EAST, peak_power_w=2400.0), replace(WEST, peak_power_w=1600.0)


def half_of_it(home: Home, *names: str) -> None:
    for name in names:
        home.share[name][BEFORE * POINTS_A_DAY :] *= 0.5


@pytest.mark.parametrize("arrays", [(EAST, WEST), (SIX, FOUR)], ids=["alike in size", "S: six and four"])
def test_case_f5_half_of_the_east_row_is_told_within_two_clear_days(arrays: tuple[Array, ...]) -> None:
    home = Home(home_site(*arrays), JUNE, DAYS)
    half_of_it(home, "inverter-1.input-1")
    with judged(home) as ledger:
        alerts = told(ledger, *STRING_FINDINGS)
        assert [(alert.finding, alert.subject) for alert in alerts] == [
            (Finding.STRING_LOW_CURRENT, "inverter-1.input-1")
        ]
        (alert,) = alerts
        assert alert.opened_ms is not None
        # Two clear days, and the night in which the second settles.
        assert alert.opened_ms <= JUNE + (BEFORE + 2) * DAY_MS + DAY_MS // 4
        assert abs(alert.onset_ms - (JUNE + BEFORE * DAY_MS)) <= DAY_MS
        opened = next(mail for mail in ledger.mails("home-1") if mail.reason is MailReason.OPENED)
        assert float(opened.alert.evidence["share"]) == pytest.approx(0.5, abs=0.05), "about half"
        assert standing(ledger) == [alert], "one fault, one alert"


@pytest.mark.parametrize(
    "on_file",
    [
        pytest.param((replace(EAST, azimuth_deg=180.0), replace(WEST, azimuth_deg=180.0)), id="both south on file"),
        pytest.param((replace(EAST, azimuth_deg=270.0), replace(WEST, azimuth_deg=90.0)), id="exchanged on file"),
    ],
)
def test_case_f5_a_file_that_says_another_way_is_no_fault_of_a_string(on_file: tuple[Array, ...]) -> None:
    sky = np.concatenate([by_day(1.0, 1.0, 0.95), broken(25 * POINTS_A_DAY, 3)])
    home = Home(home_site(EAST, WEST), JUNE, 28, sky)
    raw = home.raw()
    home.site = replace(home.site, arrays=on_file)
    with judged(home, raw) as ledger:
        assert told(ledger, *STRING_FINDINGS) == []

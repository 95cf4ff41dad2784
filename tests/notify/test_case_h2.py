"""Case H2: a ratio on its limit, low sun at dusk, a fault of thirty days. Judged, and sent through a real server."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.detect.made_homes import Home, home_site
from tests.detect.made_lines import judged, told
from tests.notify.made_post import office
from watcher.align.window import Floats
from watcher.domain.alert import Alert
from watcher.domain.instant import DAY_MS, POINTS_A_DAY, parse_iso
from watcher.domain.site import Contact, Role

START_MS = parse_iso("2026-06-01T00:00:00Z")
INPUT = "inverter-1.input-1"
WELL = 30
"""Days on which all is well before anything happens."""

DUSK = (0.82, 0.79, 0.81, 0.78, 0.83, 0.79, 1.40, 0.20, 0.90)
OWNER = (Contact(Role.OWNER, "jean@home.example"),)


def home_of(days: int) -> Home:
    return Home(home_site(contacts=OWNER), START_MS, days, noise=0.01)


def sent(home: Home, folder: Path) -> tuple[list[Alert], list[tuple[str, str]]]:
    """The alerts told of, and what reached the owner's mailbox: subject and text."""
    with judged(home) as ledger, office([home.site], folder) as desk:
        held = replace(desk, ledger=ledger, manners=replace(desk.manners, standing=ledger.standing_alerts))
        for now_ms in range(home.start_ms, home.end_ms + DAY_MS, DAY_MS // 24):
            known = [row for row in ledger.due_mails(now_ms, 1) if row.mail.decided_ms <= now_ms]
            if known:
                held.turn(now_ms)
        assert ledger.waiting_mails() == 0
        return told(ledger), [(desk.post.subjects()[at], desk.post.text(at)) for at in range(len(desk.post.got))]


def daily(ratios: list[float], from_day: int) -> Floats:
    column = np.ones((from_day + len(ratios)) * POINTS_A_DAY)
    column[from_day * POINTS_A_DAY :] = np.repeat(ratios, POINTS_A_DAY)
    return column


@pytest.mark.slow
def test_case_h2_a_ratio_that_jumps_in_low_sun_ten_evenings_long_causes_no_mail(tmp_path: Path) -> None:
    home = home_of(15)
    elevation = home.possible.sun_elevation_deg
    setting = np.append(np.diff(elevation) < 0.0, True)
    low = np.flatnonzero((elevation <= 11.0) & (elevation >= 3.0) & setting & (home.times >= START_MS + 5 * DAY_MS))
    assert len(low) > 90
    home.share[INPUT][low] = np.resize(DUSK, len(low))
    alerts, mails = sent(home, tmp_path)
    assert alerts == []
    assert mails == []


@pytest.mark.slow
def test_case_h2_a_day_by_day_ratio_about_the_limit_is_one_alert_that_only_clearly_better_days_end(
    tmp_path: Path,
) -> None:
    home = home_of(WELL + 26)
    flapping = list(np.resize((0.79, 0.81, 0.78, 0.82), 20))
    home.share[INPUT] *= daily([*flapping, *[0.97] * 6], WELL)
    alerts, mails = sent(home, tmp_path)
    (alert,) = alerts
    told_once = [subject for subject, _ in mails if not subject.startswith("Still")]
    assert len(told_once) == 2
    assert alert.cleared_ms is not None
    assert alert.cleared_ms > START_MS + (WELL + 20 + 3) * DAY_MS, "three good days"


@pytest.mark.slow
def test_case_h2_a_fault_of_thirty_days_is_one_mail_slow_reminders_and_one_end(tmp_path: Path) -> None:
    home = home_of(WELL + 36)
    home.share[INPUT] *= daily([*[0.5] * 30, *[1.0] * 6], WELL)
    alerts, mails = sent(home, tmp_path)
    (alert,) = alerts
    assert alert.opened_ms is not None
    subjects = [subject for subject, _ in mails]
    reminded = [text for subject, text in mails if subject.startswith("Still not put right: ")]
    assert subjects[0] == "Home: one row of your solar panels makes less than it should"
    assert subjects[-1].startswith("Home: ")
    assert len(subjects) == 2 + len(reminded)
    assert 4 <= len(reminded) <= 5, "day 3, day 10, then every week"
    assert "That is now" in reminded[-1]
    assert "kWh of solar power has been lost" in reminded[-1]
    assert "GOOD NEWS" in mails[-1][1]

"""A home with a battery on the DC side through a week of winter and one of summer: charged at noon, emptied at night,
charged in cheap hours, sent out in the evening. Nothing of that is a fault, and its balances close.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import Home, broken, home_site, samples
from tests.detect.made_lines import judged, told
from tests.detect.made_storage import EFFICIENCY, METERS, ROWS, StorageHome, storage_site
from watcher.alert.policy import POLICY
from watcher.alert.wording import letter
from watcher.domain.alert import Mail, MailReason, Severity
from watcher.domain.finding import Finding, Verdict, VerdictRun
from watcher.domain.firm import Firm
from watcher.domain.instant import DAY_MS, HOUR_MS, POINTS_A_DAY, parse_iso
from watcher.domain.site import Inverter, RegisterType, Role, Storage
from watcher.notify.message import as_text
from watcher.store.ledger import Ledger

WINTER, SUMMER = parse_iso("2026-01-12T00:00:00Z"), parse_iso("2026-06-08T00:00:00Z")
weeks = pytest.mark.parametrize("start_ms", [WINTER, SUMMER], ids=["winter", "summer"])
NIGHT = Finding.METER_NIGHT_ENERGY
ADDS_BOTH = (replace(METERS[0], register=RegisterType.ADDS_BOTH), *METERS[1:])


def a_week(start_ms: int, days: int = 8, **facts: object) -> StorageHome:
    sky = broken(days * POINTS_A_DAY, 6, level=0.7, spread=0.25)
    air = 4.0 if start_ms == WINTER else 15.0
    return StorageHome(start_ms, days, sky, temp_air=air, **facts)  # type: ignore[arg-type]


def balances(ledger: Ledger, subject: str) -> list[VerdictRun]:
    runs = [run for run in ledger.runs("home-1") if run.finding is Finding.ENERGY_IMBALANCE]
    return [run for run in runs if run.subject == subject and run.observed is not None and run.expected is not None]


@weeks
@pytest.mark.parametrize(
    "habits",
    [
        pytest.param({}, id="charged at noon, emptied at night"),
        pytest.param({"cheap_wh": 5000.0}, id="charged in cheap hours"),
        pytest.param({"cheap_wh": 5000.0, "forced": True}, id="charged in cheap hours, sent out in the evening"),
    ],
)
def test_a_week_raises_no_alert_and_its_balances_close_within_three_per_cent(
    start_ms: int, habits: dict[str, float]
) -> None:
    made = a_week(start_ms, **habits)
    with judged(made.home, made.raw()) as ledger:
        assert not told(ledger)
        for subject in ("site", "inverter-1"):
            runs = balances(ledger, subject)
            assert len(runs) >= 6
            went, came = sum(run.observed or 0.0 for run in runs), sum(run.expected or 0.0 for run in runs)
            assert came > 20_000.0
            assert abs(went / came - 1.0) < 0.03, subject
        assert {run.verdict for run in balances(ledger, "site")} == {Verdict.OK, Verdict.UNKNOWN}


@weeks
def test_one_of_two_inputs_lost_is_found_the_same_clear_day(start_ms: int) -> None:
    made = a_week(start_ms, 6, cheap_wh=5000.0)
    sky = np.array(made.clearness)
    sky[4 * POINTS_A_DAY :] = 1.0
    made = replace(made, clearness=sky)
    lost_ms = start_ms + 4 * DAY_MS + int(9.5 * HOUR_MS)
    gone = made.home.times >= lost_ms
    made.home.share["inverter-1.input-2"][gone] = 0.0
    made.home.voltage["inverter-1.input-2"][gone] = 290.0
    with judged(made.home, made.raw()) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.subject) == (Finding.STRING_OPEN, "inverter-1.input-2")
        assert alert.opened_ms is not None
        assert alert.opened_ms < start_ms + 5 * DAY_MS
        assert abs(alert.onset_ms - lost_ms) <= HOUR_MS


@weeks
def test_five_kilowatt_hours_from_the_mains_on_a_register_that_adds_both_are_called_double_counting(
    start_ms: int,
) -> None:
    made = a_week(start_ms, cheap_wh=5000.0, site=storage_site(ADDS_BOTH))
    with judged(made.home, made.raw()) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes) == (NIGHT, ("grid-charging",))
        assert alert.opened_ms is not None
        assert alert.opened_ms <= start_ms + 3 * DAY_MS
        mail = Mail(alert, MailReason.OPENED, Role.INSTALLER, "trade@example.org", alert.opened_ms)
        assert "counted twice" in as_text(letter(mail, made.site, Firm("", "", "")))


@weeks
def test_eight_watts_at_rest_on_a_register_that_adds_both_are_a_note_and_no_accusation(start_ms: int) -> None:
    made = a_week(start_ms, 9, standby_w=8.0, site=storage_site(ADDS_BOTH))
    # Nothing is left in the battery for the night.
    made.load_w = made.load_w + 4000.0 * ((made.hours >= 17.5) & (made.hours < 20.0))
    with judged(made.home, made.raw()) as ledger:
        alerts = told(ledger)
        assert {(alert.finding, alert.causes) for alert in alerts} <= {(NIGHT, ("own-need-or-creep",))}
    assert POLICY[NIGHT].severity is Severity.PLANNED


def test_a_full_battery_that_leaves_the_panels_at_the_rating_is_no_loss() -> None:
    """Eight kilowatts of panels at an inverter of 3.68: at noon of clear days they may give no more than it."""
    rows = tuple(replace(row, peak_power_w=4000.0) for row in ROWS)
    home = Home(home_site(*rows, inverters=(Inverter("inverter-1", 3680.0, storage=Storage.DC),), meters=()), SUMMER, 8)
    free = np.sum([home.input_w(name) for name in home.share], axis=0)
    full = (np.arange(home.points) >= 3 * POINTS_A_DAY) & (free * EFFICIENCY > 3680.0)  # the first days were dull
    home.share = {
        name: np.where(full, share * 3680.0 / EFFICIENCY / np.maximum(free, 1.0), share)
        for name, share in home.share.items()
    }
    raw = home.raw()
    output = EFFICIENCY * np.sum([home.input_w(name) for name in home.share], axis=0)
    told_of = {"ac_power": output, "operating_state": np.where(full, 5.0, 4.0)}
    raw |= {
        f"inverter-1.{name}": samples(home.times, np.where(home.awake, one, np.nan)) for name, one in told_of.items()
    }
    assert full.sum() > 4 * 60
    with judged(home, raw) as ledger:
        assert not told(ledger)

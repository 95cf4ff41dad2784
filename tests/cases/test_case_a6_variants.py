"""Case A6, variants D and E: silence in daylight, and the meter that tells which kind of silence it is."""

from __future__ import annotations

import pytest

from tests.detect.made_homes import Home, home_site
from tests.detect.made_lines import judged, standing, told
from watcher.alert.wording import letter
from watcher.domain.alert import AlertState, MailReason
from watcher.domain.finding import Finding, Verdict
from watcher.domain.firm import Firm
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.site import Role
from watcher.notify.message import as_text
from watcher.store.ledger import Ledger

START = parse_iso("2026-06-08T00:00:00Z")
LAST_ANSWER = "2026-06-11T10:15:00Z"
BACK = "2026-06-11T16:00:00Z"
EVENING = parse_iso("2026-06-11T20:00:00Z")  # 21:00 local


def home_of(days: int = 4) -> Home:
    """Three good days and 11 June, whose sky lets the meter gain what the case says."""
    return Home(home_site(), START, days, 0.63)


def letters(home: Home, ledger: Ledger) -> dict[str, str]:
    return {
        mail.role: " ".join(as_text(letter(mail, home.site, Firm())).split())
        for mail in ledger.mails("home-1")
        if mail.reason is MailReason.OPENED
    }


def gained_kwh(home: Home) -> float:
    index = home.raw()["meter-1.energy_index"]
    first_ms, last_ms = parse_iso(LAST_ANSWER), parse_iso(BACK)
    inside = [value for time_ms, value in zip(index.time_ms, index.value, strict=True) if first_ms <= time_ms < last_ms]
    return (inside[-1] - inside[0]) / 1000


def test_case_a6_d_a_silent_inverter_beside_a_counting_meter_is_a_fault_of_the_link() -> None:
    home = home_of()
    home.awake &= ~home.between(LAST_ANSWER, BACK)
    assert gained_kwh(home) == pytest.approx(9.1, abs=0.4)
    with judged(home) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes) == (Finding.INVERTER_SILENT, ("link-to-inverter",))
        assert abs(alert.onset_ms - parse_iso(LAST_ANSWER)) <= 5 * MINUTE_MS
        assert alert.opened_ms is not None
        assert alert.opened_ms <= parse_iso(LAST_ANSWER) + 2 * HOUR_MS
        assert alert.state is AlertState.CLEARED, "it answered again at 16:00"
        assert alert.loss_high_mwh == 0, "nothing was lost but readings"
        assert not [run for run in ledger.runs("home-1") if run.finding is Finding.NO_GENERATION and run.loss_mwh]
        written = letters(home, ledger)
        assert set(written) == {Role.INSTALLER}
        assert "inverter-1 no longer answers in daylight." in written[Role.INSTALLER]
        assert "a fault of the link, not of generation" in written[Role.INSTALLER]
        assert "Last heard Thursday 11 June, 11:15." in written[Role.INSTALLER]


def test_case_a6_e_a_silent_inverter_beside_a_still_meter_is_told_as_no_generation_the_same_day() -> None:
    home = home_of()
    gone = home.between(LAST_ANSWER, BACK)
    home.awake &= ~gone
    home.share["inverter-1.input-1"][gone] = 0.0
    assert gained_kwh(home) == 0.0
    with judged(home) as ledger:
        (alert,) = told(ledger)
        assert alert.finding is Finding.NO_GENERATION
        assert alert.causes == ("dc-side-off",), "three nights have shown what powers it"
        assert abs(alert.onset_ms - parse_iso(LAST_ANSWER)) <= 5 * MINUTE_MS
        assert alert.onset_low_ms <= parse_iso(LAST_ANSWER) <= alert.onset_high_ms
        assert alert.opened_ms is not None
        assert alert.opened_ms <= EVENING
        mails = [mail for mail in ledger.mails("home-1") if mail.reason is MailReason.OPENED]
        assert {mail.role for mail in mails} == {Role.OWNER, Role.INSTALLER}
        assert all(mail.decided_ms <= EVENING for mail in mails)
        assert "Thursday 11 June, 11:15" in letters(home, ledger)[Role.OWNER]


@pytest.mark.parametrize("nights", ["asleep", "awake"])
def test_case_a6_nights_raise_nothing_however_the_interface_is_powered(nights: str) -> None:
    home = Home(home_site(), parse_iso("2026-12-08T00:00:00Z"), 4, 0.6)
    home.awake[:] = home.awake | (nights == "awake")
    with judged(home) as ledger:
        assert ledger.alerts("home-1") == []


def test_a_link_lost_at_dusk_is_told_in_the_morning_and_not_before() -> None:
    home = home_of()
    home.awake &= ~home.between("2026-06-10T21:00:00Z")
    with judged(home) as ledger:
        (alert,) = told(ledger)
        assert alert.finding is Finding.INVERTER_SILENT
        assert alert.opened_ms is not None
        assert parse_iso("2026-06-11T05:00:00Z") <= alert.opened_ms <= parse_iso("2026-06-11T08:00:00Z")


def test_a_week_in_which_our_own_board_was_off_says_nothing_about_devices() -> None:
    home = home_of(days=10)
    home.listening &= ~home.between("2026-06-09T13:00:00Z", "2026-06-16T13:00:00Z")
    with judged(home) as ledger:
        assert ledger.alerts("home-1") == []
        away = [run for run in ledger.runs("home-1") if parse_iso("2026-06-10T00:00:00Z") <= run.first_ms]
        assert not [run for run in away if run.verdict is Verdict.FAULT]
        assert [day.day.day for day in ledger.days("home-1")[1:] if day.generated_wh is None] == [
            10,
            11,
            12,
            13,
            14,
            15,
        ]


def test_what_stopped_while_our_own_board_was_off_is_told_once_it_listens_again() -> None:
    home = home_of(days=6)
    home.listening &= ~home.between("2026-06-09T13:00:00Z", "2026-06-12T09:00:00Z")
    stopped = home.between("2026-06-11T09:00:00Z")
    home.awake &= ~stopped
    home.share["inverter-1.input-1"][stopped] = 0.0
    with judged(home) as ledger:
        (alert,) = standing(ledger)
        assert alert.finding is Finding.NO_GENERATION
        back_ms = parse_iso("2026-06-12T09:00:00Z")
        assert alert.opened_ms is not None
        assert back_ms < alert.opened_ms <= back_ms + DAY_MS
        assert alert.onset_low_ms <= parse_iso("2026-06-11T09:00:00Z") <= alert.onset_high_ms


def test_a_history_without_any_word_of_our_board_accuses_nobody_of_silence() -> None:
    home = home_of()
    home.awake &= ~home.between(LAST_ANSWER)
    raw = home.raw()
    del raw["board.uptime"]
    with judged(home, raw) as ledger:
        assert told(ledger, Finding.INVERTER_SILENT) == []

"""Case H1: the mail provider refuses the login from one day to the next, and for days. A real server, broken."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.notify.made_post import alert_at, ending, minutes, office, opening, reminder, site_of
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.site import Role

START_MS = parse_iso("2026-06-01T00:00:00Z")
FAULTS = ["", "535", "535", "silence", "421", ""]
LOW, STALLED, STRING = Finding.OUTPUT_LOW, Finding.METER_STALLED, Finding.STRING_OPEN


@pytest.mark.slow
def test_case_h1_five_days_of_refusals_lose_nothing_and_end_in_one_letter(tmp_path: Path) -> None:
    first = alert_at(START_MS + DAY_MS + 10 * HOUR_MS, LOW)
    second = alert_at(START_MS + DAY_MS + 11 * HOUR_MS, STALLED, subject="meter-1")
    third = alert_at(START_MS + 2 * DAY_MS + 12 * HOUR_MS, STRING, subject="inverter-1.input-2")
    mails = [opening(first), opening(second), opening(third)]
    mails += [ending(second, START_MS + 3 * DAY_MS), ending(third, START_MS + 4 * DAY_MS)]
    # A condition that repeats, one reminder a day at most; what repeats every five minutes decides no mail (case H2).
    mails += [reminder(first, START_MS + day * DAY_MS + 9 * HOUR_MS) for day in (2, 3, 4)]
    before = opening(alert_at(START_MS + HOUR_MS, Finding.NO_GENERATION))
    with office([site_of()], tmp_path) as desk:
        desk.decide([before])
        pending, asked = sorted(mails, key=lambda mail: mail.decided_ms), []
        for day, fault in enumerate(FAULTS):
            desk.post.fault, count = fault, desk.post.asked
            for now_ms in minutes(START_MS + day * DAY_MS, START_MS + (day + 1) * DAY_MS, 15):
                while pending and pending[0].decided_ms <= now_ms:
                    desk.decide([pending.pop(0)])
                desk.turn(now_ms)
            asked.append(desk.post.asked - count)
            if fault:
                assert desk.ledger.waiting_mails() == sum(
                    mail.decided_ms < START_MS + (day + 1) * DAY_MS for mail in mails
                )
        assert desk.ledger.waiting_mails() == 0
        assert all(1 <= times <= 5 for times in asked[1:3]), "a refused login is tried a few times a day"
        assert all(1 <= times <= 12 for times in asked[3:5])
        assert len(desk.post.got) == 2, "the mail of the first day, and one letter for all the others"
        subject, text = desk.post.subjects()[1], desk.post.text(1)
        assert subject == "1 Elm Road: late news: one thing not right, two things over"
        assert "STILL NOT RIGHT (1) - 1 Elm Road: your solar panels make less than they should." in text
        assert "It began on Tuesday 2 June, 10:00." in text
        assert "OVER (2)" in text
        for over in ("your solar meter", "row of"):
            assert over in text
        assert "and was over by Thursday 4 June, 01:00." in text
        assert "and was over by Friday 5 June, 01:00." in text


def test_case_h1_a_crash_after_the_letter_went_sends_the_same_letter_again(tmp_path: Path) -> None:
    at_ms = START_MS
    mails = [opening(alert_at(at_ms + n * HOUR_MS, LOW, subject=f"inverter-{n}")) for n in range(4)]
    with office([site_of()], tmp_path) as desk:
        desk.decide(mails)
        kept = desk.ledger.mark_sent
        desk.ledger.mark_sent = lambda id, now_ms: (_ for _ in ()).throw(KeyboardInterrupt)  # type: ignore[method-assign]
        with pytest.raises(KeyboardInterrupt):
            desk.turn(at_ms + DAY_MS)
        desk.ledger.mark_sent = kept  # type: ignore[method-assign]
        assert desk.turn(at_ms + DAY_MS + MINUTE_MS) == 1
        first, second = desk.post.got
        assert first["Message-ID"] == second["Message-ID"]
        assert first.as_bytes() == second.as_bytes()
        assert desk.ledger.waiting_mails() == 0


def test_case_h1_what_is_about_safety_is_never_bundled(tmp_path: Path) -> None:
    at_ms = START_MS
    mails = [opening(alert_at(at_ms + n * HOUR_MS, LOW, subject=f"inverter-{n}")) for n in range(4)]
    mails.append(opening(alert_at(at_ms + 4 * HOUR_MS, Finding.ARC_FAULT)))
    with office([site_of()], tmp_path) as desk:
        desk.decide(mails)
        assert desk.turn(at_ms + DAY_MS) == 2
        assert [subject.partition(": ")[2][:9] for subject in desk.post.subjects()] == ["late news", "safety: s"]


def test_case_h1_each_reader_gets_a_letter_of_his_own_in_his_language(tmp_path: Path) -> None:
    at_ms = START_MS
    alerts = [alert_at(at_ms + n * HOUR_MS, LOW, subject=f"inverter-{n}") for n in range(3)]
    with office([site_of()], tmp_path) as desk:
        desk.decide(
            [mail for one in alerts for mail in (opening(one), opening(one, "trade@firm.example", Role.INSTALLER))]
        )
        assert desk.turn(at_ms + DAY_MS) == 2
        assert [str(message["To"]) for message in desk.post.got] == ["jean@home.example", "trade@firm.example"]
        assert "Please call Elm Solar." in desk.post.text(0)
        assert "output below expectation" in desk.post.text(1)
        assert "alerts home-1/output-low/inverter-0@" in desk.post.text(1)

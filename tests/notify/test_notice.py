"""Notices to the operator: what is wrong with the watcher's own files, and what goes on all the same."""

from __future__ import annotations

from watcher.domain.errors import Problem
from watcher.domain.instant import parse_iso
from watcher.notify.notice import bad_sites_notice, not_reloaded_notice

NOW = parse_iso("2026-06-21T10:00:00Z")
PROBLEM = Problem("config/sites/home-17.toml:12", "array[0].azimuth_deg", "540", "must be 0 to 360")
SENDER, OPERATOR = "Watch <watch@example.org>", "operator@example.org"


def test_a_bad_site_file_is_named_and_the_others_are_counted() -> None:
    message = bad_sites_notice([PROBLEM], 399, 400, SENDER, OPERATOR, NOW)
    assert message["To"] == OPERATOR
    assert message["Subject"] == "399 of 400 sites watched: 1 site files need you"
    assert str(PROBLEM) in message.get_content()


def test_a_refused_reload_says_what_is_wrong_and_that_the_last_good_files_go_on() -> None:
    message = not_reloaded_notice([PROBLEM], SENDER, OPERATOR, NOW)
    assert message["To"] == OPERATOR
    assert "last good configuration goes on" in message.get_content()
    assert str(PROBLEM) in message.get_content()


def test_the_same_notice_of_the_same_instant_carries_the_same_message_id() -> None:
    one, two = (not_reloaded_notice([PROBLEM], SENDER, OPERATOR, NOW) for _ in range(2))
    later = not_reloaded_notice([PROBLEM], SENDER, OPERATOR, NOW + 1)
    assert one["Message-ID"] == two["Message-ID"] != later["Message-ID"]

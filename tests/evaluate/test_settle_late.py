"""Rows that come hours or weeks late: the days they belong to settle again, and what is said ends up the same.

Every home here is judged three ways: all in time, late as told, and late while it lived, from a store that held no
more than had come by then.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import date

import pytest

from tests.detect.made_homes import EAST, WEST, Home, broken, home_site, means, polled
from tests.detect.made_lines import Batch, bench, rows_of, told
from watcher.alert.wording import letter
from watcher.catch_up import catch_up
from watcher.domain.alert import Alert, AlertState, ClosedAs, Mail, MailReason
from watcher.domain.day import SettledDay
from watcher.domain.finding import Finding
from watcher.domain.firm import Firm
from watcher.domain.instant import (
    DAY_MS,
    GRACE_MS,
    GRID_MS,
    HOUR_MS,
    MINUTE_MS,
    POINTS_A_DAY,
    floor_day,
    iso,
    parse_iso,
)
from watcher.domain.reading import Reading
from watcher.domain.site import Source
from watcher.notify.message import as_text
from watcher.replay import differences
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings

START = parse_iso("2026-06-08T00:00:00Z")
SITE = "home-1"


def by_receipt(rows: Iterable[Reading], received: Callable[[Reading], int]) -> list[Batch]:
    """Rows as they came: each batch with the instant it was received."""
    batches: dict[int, list[Reading]] = {}
    for row in rows:
        batches.setdefault(received(row), []).append(row)
    return sorted(batches.items())


def in_time(row: Reading) -> int:
    return row.time_ms


def known(home: Home, came: list[Batch]) -> SqliteReadings:
    """A store that has received all of it, each row when it came."""
    store = SqliteReadings(":memory:")
    prompt: list[Reading] = []
    for received_ms, rows in came:
        late = [row for row in rows if row.time_ms != received_ms]
        prompt += [row for row in rows if row.time_ms == received_ms]
        if late:
            store.append({SITE: late}, received_ms)
    store.append_history(SITE, prompt, home.end_ms + GRACE_MS)
    store.append({SITE: []}, max(home.end_ms + GRACE_MS, came[-1][0]))
    return store


def replayed(home: Home, came: list[Batch]) -> Ledger:
    """Judged when all had come, a day at once."""
    with known(home, came) as store:
        case = bench(home, store)
        for _ in catch_up(case, home.end_ms, from_ms=home.start_ms):
            pass
        return case.ledger


def lived(home: Home, came: list[Batch], wakes: Iterable[int]) -> Ledger:
    """Judged while it came: at each of these instants what was due then, and at the end."""
    waiting = list(came)
    with SqliteReadings(":memory:") as store:
        case = bench(home, store)
        for now_ms in [*wakes, home.end_ms + GRACE_MS]:
            while waiting and waiting[0][0] <= now_ms:
                received_ms, rows = waiting.pop(0)
                store.append({SITE: rows}, received_ms)
            store.append({SITE: []}, now_ms)
            for _ in catch_up(case, home.end_ms, from_ms=home.start_ms):
                pass
        return case.ledger


def every_quarter(home: Home, first: str, last: str) -> list[int]:
    """A wake every quarter of an hour between two instants, otherwise every six hours."""
    quarters = range(parse_iso(first), parse_iso(last), 15 * MINUTE_MS)
    return sorted({*range(home.start_ms + 6 * HOUR_MS, home.end_ms, 6 * HOUR_MS), *quarters})


def figures(ledger: Ledger) -> dict[date, SettledDay]:
    """What each day came to, however often and whenever it settled."""
    return {day.day: replace(day, revision=0, settled_ms=0) for day in ledger.days(SITE)}


def what_and_when(alerts: Iterable[Alert]) -> list[tuple[Finding, str, str]]:
    return sorted((alert.finding, alert.subject, iso(alert.onset_ms)) for alert in alerts)


# Figures


def _inverter(row: Reading) -> bool:
    return row.channel.startswith("inverter")


def _meter(row: Reading) -> bool:
    return row.channel.startswith("meter")


def _sky(row: Reading) -> bool:
    return row.channel.startswith("sensor")


def _all(row: Reading) -> bool:
    return not row.channel.startswith("board")


MORNING = (3, "2026-06-10T10:07:00Z")
WEEKS_ON = (19, "2026-06-26T15:21:00Z")  # further back than detectors look


@pytest.mark.parametrize(
    ("which", "days", "came_at"),
    [
        pytest.param(_inverter, *MORNING, id="the inverter's"),
        pytest.param(_meter, *MORNING, id="the meter's"),
        pytest.param(_sky, *MORNING, id="the sunshine"),
        pytest.param(_all, *MORNING, id="all of them"),
        pytest.param(_all, *WEEKS_ON, id="all of them, weeks on"),
    ],
)
def test_a_day_that_settles_again_comes_to_what_it_would_have_come_to_in_time(
    which: Callable[[Reading], bool], days: int, came_at: str
) -> None:
    home = Home(home_site(EAST, WEST), START, days, broken(days * POINTS_A_DAY, 4))
    lost = (parse_iso("2026-06-09T08:00:00Z"), parse_iso("2026-06-09T17:30:00Z"))
    rows = rows_of(home.raw())

    def received(row: Reading) -> int:
        return parse_iso(came_at) if which(row) and lost[0] <= row.time_ms < lost[1] else row.time_ms

    with replayed(home, by_receipt(rows, in_time)) as prompt, replayed(home, by_receipt(rows, received)) as late:
        ninth = date(2026, 6, 9)
        revisions = {day.day: day.revision for day in late.days(SITE)}
        assert {day for day, revision in revisions.items() if revision > 1} == {ninth}
        settled = next(day for day in late.days(SITE) if day.day == ninth)
        assert settled.revision == 2
        assert settled.settled_ms == -(-(parse_iso(came_at) + HOUR_MS) // GRID_MS) * GRID_MS
        assert figures(late) == figures(prompt)
        assert told(prompt) == []
        # That a device was not heard was true when it was said.
        assert {alert.finding for alert in told(late)} <= {
            Finding.INVERTER_SILENT,
            Finding.METER_SILENT,
            Finding.REFERENCE_SILENT,
        }


# A satellite feed


HOURLY = (polled("inverter-1"), polled("meter-1"), means("weather-analysis", 3600.0))


def satellite_home(days: int, sources: tuple[Source, ...] = HOURLY) -> Home:
    return Home(
        home_site(EAST, WEST, sensors=(), sources=sources), START, days, broken(days * POINTS_A_DAY, 9, level=0.8)
    )


def a_day_late(row: Reading) -> int:
    """Yesterday's sunshine comes in one piece in the morning, after the day has settled."""
    if row.channel.startswith("weather-analysis"):
        return floor_day(row.time_ms - 1) + DAY_MS + 6 * HOUR_MS + 7 * MINUTE_MS
    return row.time_ms


def _switched_off(home: Home) -> None:
    for name in home.share:
        home.share[name][home.between("2026-06-11T10:40:00Z", "2026-06-13T09:00:00Z")] = 0.0


def _makes_half(home: Home) -> None:
    for name in home.share:
        home.share[name][home.between("2026-06-10T11:00:00Z")] *= 0.5


def _meter_stops(home: Home) -> None:
    home.counting[home.between("2026-06-11T10:40:00Z")] = 0.0


def _row_of_panels_dead(home: Home) -> None:
    home.share["inverter-1.input-2"][home.between("2026-06-11T12:40:00Z")] = 0.0


def _well(home: Home) -> None:
    """Nothing happens to it."""


@pytest.mark.parametrize(
    ("fault", "findings"),
    [
        pytest.param(_switched_off, [Finding.NO_GENERATION], id="switched off"),
        pytest.param(_makes_half, [Finding.OUTPUT_LOW], id="makes half, AC power alone"),
        pytest.param(_meter_stops, [Finding.METER_STALLED], id="meter stops"),
        pytest.param(_row_of_panels_dead, [Finding.STRING_OPEN], id="a row of panels dead"),
        pytest.param(_well, [], id="all well"),
    ],
)
def test_a_satellite_feed_a_day_late_leads_to_the_same_days_and_the_same_alerts_told_later(
    fault: Callable[[Home], None], findings: list[Finding]
) -> None:
    home = satellite_home(8)
    fault(home)
    raw = home.raw()
    if fault is _makes_half:
        raw = {name: column for name, column in raw.items() if ".input" not in name}
    rows = rows_of(raw | home.weather("weather-analysis", 60))
    with replayed(home, by_receipt(rows, in_time)) as prompt, replayed(home, by_receipt(rows, a_day_late)) as late:
        assert [alert.finding for alert in told(prompt)] == findings
        assert what_and_when(told(late)) == what_and_when(told(prompt))
        for sooner, later in zip(told(prompt), told(late), strict=True):
            assert sooner.opened_ms is not None
            assert later.opened_ms is not None
            assert sooner.opened_ms <= later.opened_ms <= sooner.opened_ms + 2 * DAY_MS
        # The last day's sunshine, and what the hour before midnight tells, has not come yet.
        complete = [day for day in figures(prompt) if day <= date(2026, 6, 13)]
        assert [figures(late)[day] for day in complete] == [figures(prompt)[day] for day in complete]
        assert {day.revision for day in late.days(SITE) if day.day in complete and day.day >= date(2026, 6, 8)} == {2}


def test_no_alert_and_no_mail_is_dated_before_what_it_rests_on_had_come() -> None:
    home = satellite_home(8)
    _makes_half(home)
    raw = {name: column for name, column in home.raw().items() if ".input" not in name}
    rows = rows_of(raw | home.weather("weather-analysis", 60))
    with replayed(home, by_receipt(rows, a_day_late)) as late:
        (alert,) = told(late)
        second_low_day = parse_iso("2026-06-12T06:07:00Z")  # when the sunshine of 11 June came
        assert alert.written_ms >= second_low_day + HOUR_MS
        assert all(mail.decided_ms >= second_low_day + HOUR_MS for mail in late.mails(SITE))


# A forecast that was wrong


FORECAST = (*HOURLY, means("weather-forecast", 3600.0))
WRONG = (parse_iso("2026-06-11T00:00:00Z"), parse_iso("2026-06-13T00:00:00Z"))
TRUSTING = {"output-low": {"margin_weather": 0.35, "home_after_days": 0.0}}
"""A site that takes a forecast at its word, as if it were a satellite: by the table it needs twice the sunshine."""


def forecast_home(policy: dict[str, dict[str, float]]) -> tuple[Home, list[Batch]]:
    """12 kWh forecast where the plant made 7, for two days; two days later the analysis says 7."""
    site = home_site(EAST, WEST, sensors=(), sources=FORECAST, policy=policy)
    home = Home(site, START, 8, 0.45)
    raw = {name: column for name, column in home.raw().items() if ".input" not in name}
    ahead = [
        row._replace(value=row.value * 12 / 7)
        if row.channel.endswith("ghi") and WRONG[0] < row.time_ms <= WRONG[1]
        else row
        for row in rows_of(home.weather("weather-forecast", 60))
    ]
    analysed = rows_of(home.weather("weather-analysis", 60))

    def received(row: Reading) -> int:
        if row.channel.startswith("weather-forecast"):
            return max(floor_day(row.time_ms - 1) - 6 * HOUR_MS, START)  # the evening before
        if row.channel.startswith("weather-analysis"):
            return floor_day(row.time_ms - 1) + 3 * DAY_MS + 6 * HOUR_MS  # two days after the day is over
        return row.time_ms

    return home, by_receipt([*rows_of(raw), *ahead, *analysed], received)


def clearing_letter(home: Home, mails: Iterable[Mail], role: str) -> str:
    (mail,) = (mail for mail in mails if mail.reason is MailReason.CLEARED and mail.role == role)
    return " ".join(as_text(letter(mail, home.site, Firm())).split())


def test_case_f6_6_an_alert_that_rested_on_a_forecast_is_withdrawn_once_with_a_note() -> None:
    home, came = forecast_home(TRUSTING)
    with replayed(home, came) as ledger:
        (alert,) = told(ledger)
        assert alert.finding is Finding.OUTPUT_LOW
        assert alert.opened_ms == parse_iso("2026-06-13T02:00:00Z"), "when the second day had settled"
        assert (alert.state, alert.closed_as) == (AlertState.CLEARED, ClosedAs.WITHDRAWN)
        mails = ledger.mails(SITE)
        assert [mail.reason for mail in mails] == [MailReason.OPENED] * 2 + [MailReason.CLEARED] * 2
        assert "We were wrong: your solar panels made what they should." in clearing_letter(home, mails, "owner")
        # A second reading of 11 and 12 June: both days settled again, on what the sky really was.
        made = {day.day.day: (day.generated_wh or 0.0, day.expected_wh or 0.0) for day in ledger.days(SITE)}
        for day in (11, 12):
            assert made[day][1] == pytest.approx(made[day][0], rel=0.05)


def test_case_f6_6_by_the_table_a_forecast_that_is_out_by_so_much_accuses_nobody() -> None:
    home, came = forecast_home({})
    with replayed(home, came) as ledger:
        assert ledger.mails(SITE) == []
        revisions = {day.day.day: day.revision for day in ledger.days(SITE)}
        assert revisions[11] > 1
        assert revisions[14] == 1, "its analysis has not come yet; forecasts settle nothing again"


# Live is a replay that has run out of history


def test_live_every_quarter_hour_says_what_a_replay_says_while_a_forecast_is_put_right() -> None:
    home, came = forecast_home(TRUSTING)
    wakes = every_quarter(home, "2026-06-13T01:00:00Z", "2026-06-13T09:00:00Z")
    with replayed(home, came) as whole, lived(home, came, wakes) as pieces:
        assert [alert.closed_as for alert in told(pieces)] == [ClosedAs.WITHDRAWN]
        assert differences(SITE, whole, pieces) == []


def test_live_every_quarter_hour_says_what_a_replay_says_with_sunshine_a_day_late() -> None:
    home = satellite_home(6)
    _switched_off(home)
    came = by_receipt(rows_of(home.raw() | home.weather("weather-analysis", 60)), a_day_late)
    wakes = every_quarter(home, "2026-06-12T02:00:00Z", "2026-06-12T14:00:00Z")
    with replayed(home, came) as whole, lived(home, came, wakes) as pieces:
        assert Finding.NO_GENERATION in {alert.finding for alert in told(pieces)}
        assert differences(SITE, whole, pieces) == []

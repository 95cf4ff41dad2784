"""Case H3: four hundred sites and one cause. Nobody's fault, so nobody's mail but the operator's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from email.message import EmailMessage
from pathlib import Path

import numpy as np

from tests.detect.made_homes import Home, home_site, samples
from tests.detect.made_lines import judged, told
from tests.notify.made_post import FIRM, OPERATOR, Office, alert_at, ending, minutes, office, opening, site_of
from watcher.domain.alert import Alert, AlertState
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Label, Role, Site, Source, SourceKind
from watcher.domain.trouble import Trouble
from watcher.notify.absences import Absences, settled
from watcher.notify.notice import broker_away_notice, not_seen_notice, reference_silent_notice
from watcher.notify.silent_references import SilentReferences

TEN = parse_iso("2026-06-10T10:00:00Z")
SITES = [f"home-{number}" for number in range(1, 401)]
SERVICE = Source(SourceKind.WEATHER, "weather-nowcast", "http://127.0.0.1:1", period_s=900.0, label=Label.MEAN_ENDING)
BROKER = "mqtts://broker.example:8883"


def troubles(source: str, device: str, since_ms: int) -> list[Trouble]:
    return [Trouble(source, site, device, since_ms, "503") for site in SITES]


# (a) The weather service fails


def under_a_dead_service(first: str, last: str, stop: str = "") -> tuple[Home, Mapping[str, Samples]]:
    """A home that knows of the sun only from a service, which is dead for a while; from an instant it makes nothing."""
    site = home_site(sensors=(), sources=(*home_site().sources, SERVICE))
    home = Home(site, parse_iso("2026-06-08T00:00:00Z"), 4)
    if stop:
        home.share["inverter-1.input-1"][home.between(stop)] = 0.0
    weather = {
        name: Samples.of(
            (at, value)
            for at, value in zip(column.time_ms, column.value, strict=True)
            if not parse_iso(first) <= at < parse_iso(last)
        )
        for name, column in home.weather("weather-nowcast", 15).items()
    }
    return home, home.raw() | weather


def test_case_h3_a_a_dead_weather_service_is_one_mail_to_the_operator() -> None:
    silent, told_of = SilentReferences(6 * HOUR_MS), list[EmailMessage]()
    for now_ms in minutes(TEN, TEN + 7 * HOUR_MS):
        for found in silent.due(troubles("http://weather.example", "weather-nowcast", TEN), now_ms):
            told_of.append(reference_silent_notice(found, FIRM.sender, OPERATOR, now_ms))
    (notice,) = told_of
    assert notice["To"] == OPERATOR
    assert "It serves 400 of the sites" in notice.get_content()


def test_case_h3_a_no_site_says_anything_while_the_service_is_dead_or_after_it_is_back() -> None:
    home, raw = under_a_dead_service("2026-06-10T09:00:00Z", "2026-06-10T16:00:00Z")
    with judged(home, raw) as ledger:
        assert ledger.mails("home-1") == []


def test_case_h3_a_what_was_open_stays_open_and_unchanged() -> None:
    home, raw = under_a_dead_service("2026-06-10T09:00:00Z", "2026-06-11T00:00:00Z", stop="2026-06-09T08:00:00Z")
    with judged(home, raw) as ledger:
        (alert,) = told(ledger)
        assert alert.state is AlertState.OPEN
        assert alert.opened_ms is not None
        assert alert.opened_ms < parse_iso("2026-06-10T09:00:00Z")
        assert alert.cleared_ms is None


def test_case_h3_a_a_new_stop_meanwhile_is_still_told_the_same_day() -> None:
    home, raw = under_a_dead_service("2026-06-10T09:00:00Z", "2026-06-10T16:00:00Z", stop="2026-06-10T10:00:00Z")
    with judged(home, raw) as ledger:
        (alert,) = told(ledger)
        assert alert.finding is Finding.NO_GENERATION
        assert alert.opened_ms is not None
        assert alert.opened_ms < parse_iso("2026-06-10T20:00:00Z")


# (b) and (c) The broker dies, or our own link does


def absences() -> Absences:
    return Absences(
        10 * MINUTE_MS,
        lambda found, now_ms: broker_away_notice(found, FIRM.sender, OPERATOR, now_ms),
        lambda source, sites, since, until: not_seen_notice(source, sites, since, until, FIRM.sender, OPERATOR, until),
    )


def through_the_day(mail_works: bool) -> list[tuple[int, EmailMessage]]:
    """What goes to the operator, and when, if a broker is away from ten to one; mail works again a minute later."""
    away, waiting, sent = absences(), list[EmailMessage](), list[tuple[int, EmailMessage]]()
    for now_ms in minutes(TEN - HOUR_MS, TEN + 6 * HOUR_MS, 1):
        dead = TEN <= now_ms < TEN + 3 * HOUR_MS
        waiting = settled([*waiting, *away.messages(troubles(BROKER, "meter-1", TEN) if dead else [], now_ms)])
        if mail_works or not dead:
            sent += [(now_ms, message) for message in waiting]
            waiting = []
    return sent


def test_case_h3_b_a_dead_broker_is_one_mail_to_the_operator() -> None:
    ((at_ms, notice),) = through_the_day(mail_works=True)
    assert at_ms == TEN + 10 * MINUTE_MS
    assert notice["Subject"] == "Broker not reachable: broker.example since 2026-06-10T10:00:00Z"


def test_case_h3_c_without_our_own_link_there_is_one_mail_after_it_is_back() -> None:
    ((at_ms, notice),) = through_the_day(mail_works=False)
    assert at_ms == TEN + 3 * HOUR_MS
    assert notice["Subject"] == "We could not see 400 sites for a while"
    assert "We could not see 400 sites from 2026-06-10T10:00:00Z to 2026-06-10T13:00:00Z" in notice.get_content()


def test_case_h3_b_no_site_behind_the_broker_says_anything() -> None:
    """What the board says of each device is that the broker was reached; where it says nothing, silence is no fault."""
    sources = tuple(Source(SourceKind.MQTT, device, BROKER, map="m") for device in ("inverter-1", "meter-1"))
    home = Home(home_site(sources=sources), parse_iso("2026-06-08T00:00:00Z"), 4)
    gap = home.between("2026-06-10T10:00:00Z", "2026-06-10T13:00:00Z")
    home.awake[gap], home.speaking[gap] = False, False
    reached = np.where(gap, np.nan, np.arange(home.points) * 300.0)
    raw = home.raw() | {f"board.{device}.uptime": samples(home.times, reached) for device in ("inverter-1", "meter-1")}
    with judged(home, raw) as ledger:
        assert ledger.mails("home-1") == []


# (d) and (e) One wrong word about the sun, and a storm


def region(count: int, name: str) -> list[Site]:
    return [site_of(number, name) for number in range(1, count + 1)]


def low(number: int, at_ms: int = TEN) -> Alert:
    return alert_at(at_ms, Finding.OUTPUT_LOW, f"home-{number}")


def rounds(desk: Office, begin_ms: int, end_ms: int) -> None:
    for now_ms in minutes(begin_ms, end_ms, 15):
        desk.turn(now_ms)


def test_case_h3_d_sixty_of_sixty_sites_dropped_together_is_one_mail_and_the_reference_is_suspect(
    tmp_path: Path,
) -> None:
    with office(region(60, "Vale"), tmp_path, most_an_hour=1000) as desk:
        for number in range(1, 61):  # judged one after another, for half an hour
            desk.decide([opening(low(number, TEN + number * 30_000), f"{number}@home.example")])
        rounds(desk, TEN, TEN + DAY_MS)
        assert desk.post.subjects() == ["60 of 60 sites in Vale dropped together: reference suspect"]
        assert [str(message["To"]) for message in desk.post.got] == [OPERATOR]
        # It was put right: 58 are over, two were really low.
        for number in range(1, 59):
            desk.decide([ending(low(number, TEN + number * 30_000), TEN + DAY_MS, f"{number}@home.example")])
        rounds(desk, TEN + DAY_MS, TEN + DAY_MS + 2 * HOUR_MS)
        assert desk.ledger.waiting_mails() == 0
        assert [str(message["To"]) for message in desk.post.got[1:]] == ["59@home.example", "60@home.example"]


def test_case_h3_d_a_few_low_sites_of_a_region_are_told_as_usual(tmp_path: Path) -> None:
    with office(region(60, "Vale"), tmp_path) as desk:
        for number in range(1, 8):
            desk.decide([opening(low(number), f"{number}@home.example")])
        rounds(desk, TEN, TEN + 2 * HOUR_MS)
        assert len(desk.post.got) == 7


def test_case_h3_d_what_is_still_shared_after_three_days_is_told(tmp_path: Path) -> None:
    with office(region(6, "Vale"), tmp_path) as desk:
        for number in range(1, 7):
            desk.decide([opening(low(number), f"{number}@home.example")])
        rounds(desk, TEN, TEN + 2 * HOUR_MS)
        assert len(desk.post.got) == 1
        desk.turn(TEN + 3 * DAY_MS)
        assert len(desk.post.got) == 7


def test_case_h3_e_a_storm_over_thirty_five_sites_is_one_area_notice_to_each_reader(tmp_path: Path) -> None:
    with office(region(60, "Vale"), tmp_path) as desk:
        for number in range(1, 36):
            storm = replace(
                alert_at(TEN + number * 20_000, Finding.AREA_EVENT, f"home-{number}", "site"), causes=("supply-cut",)
            )
            desk.decide(
                [
                    opening(storm, who, role)
                    for who, role in ((OPERATOR, Role.OPERATOR), ("trade@x.example", Role.INSTALLER))
                ]
            )
        rounds(desk, TEN, TEN + 2 * HOUR_MS)
        assert desk.post.subjects() == ["35 sites: area event"] * 2
        assert {str(message["To"]) for message in desk.post.got} == {OPERATOR, "trade@x.example"}


# The cap


def test_case_h3_more_mails_than_an_hour_bears_wait_with_one_summary_and_safety_does_not(tmp_path: Path) -> None:
    with office([site_of(number) for number in range(1, 101)], tmp_path, most_an_hour=20) as desk:
        for number in range(1, 101):
            stop = alert_at(TEN, Finding.NO_GENERATION, f"home-{number}")
            desk.decide([opening(stop, f"{number}@home.example")])
        danger = alert_at(TEN + MINUTE_MS, Finding.ARC_FAULT, "home-100")
        desk.decide([opening(danger, "100@home.example")])
        desk.turn(TEN + 2 * MINUTE_MS)
        assert len(desk.post.got) == 22
        assert sum("safety: " in subject for subject in desk.post.subjects()) == 1
        assert desk.post.subjects()[-1] == "20 mails within an hour: 80 more wait"
        rounds(desk, TEN + 5 * MINUTE_MS, TEN + 50 * MINUTE_MS)
        assert len(desk.post.got) == 22, "one summary, and nothing more within the hour"
        rounds(desk, TEN + HOUR_MS, TEN + 6 * HOUR_MS)
        assert desk.ledger.waiting_mails() == 0
        readers = [str(message["To"]) for message in desk.post.got if message["To"] != OPERATOR]
        assert len(readers) == 101, "each reader his own, none lost"


def test_case_h3_after_the_trouble_an_installer_gets_one_letter_for_all_his_sites(tmp_path: Path) -> None:
    with office([site_of(number) for number in range(1, 31)], tmp_path) as desk:
        for number in range(1, 31):
            stop = alert_at(TEN + number * MINUTE_MS, Finding.NO_GENERATION, f"home-{number}")
            desk.decide([opening(stop, "trade@firm.example", Role.INSTALLER)])
        desk.turn(TEN + 3 * HOUR_MS)
        assert desk.post.subjects() == ["30 sites: late news: 30 things not right, nothing over"]

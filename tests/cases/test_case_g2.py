"""Case G2: left off after a service visit, a tripped breaker, and the power cut that only looks like one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import ASKS_NEIGHBOURS, CONTACTS, METER, Home, home_site, means, polled, samples
from tests.detect.made_lines import bench, stored, told
from watcher.alert.policy import POLICY
from watcher.alert.wording import letter
from watcher.align.window import Bools
from watcher.catch_up import catch_up
from watcher.domain.alert import Alert, AlertState, ClosedAs, MailReason, Severity
from watcher.domain.event import EventKind
from watcher.domain.finding import Finding, Verdict
from watcher.domain.firm import Firm
from watcher.domain.instant import HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Contact, Role
from watcher.notify.message import as_text
from watcher.store.ledger import Ledger

START = parse_iso("2026-04-11T00:00:00Z")
DAYS = 4
VISIT = "2026-04-14T10:30:00Z"
LEFT_OFF = "2026-04-14T10:40:00Z"
TRIPPED = "2026-04-14T02:10:00Z"
CUT = ("2026-04-14T13:00:00Z", "2026-04-14T15:30:00Z")
AFTER_VISIT = parse_iso(VISIT)
THREE_HOURS_ON = AFTER_VISIT + 3 * HOUR_MS
EVENING = parse_iso("2026-04-14T20:00:00Z")  # 21:00 local
MORNING = parse_iso("2026-04-14T09:00:00Z")  # 10:00 local
INPUT = "inverter-1.input-1"
# "Neighbours at 0.9 to 1.0 x E": there is a reference, and it says that the sun shines.
REFERENCES = ["sensor-1", "weather-analysis", "weather-nowcast"]


def home_of(reference: str = "sensor-1", *, mains_powered: bool = False) -> Home:
    """The reference site in April, at 610 V, under four fifths of a clear sky."""
    facts: dict[str, object] = {}
    if reference != "sensor-1":
        facts = {"sensors": (), "sources": (polled("inverter-1"), polled("meter-1"), means(reference, 3600.0))}
    home = Home(home_site(**facts), START, DAYS, 0.8)
    home.voltage[INPUT][:] = 610.0
    if mains_powered:
        home.awake[:] = True
    return home


def switch_off(home: Home, first: str, last: str = "") -> Bools:
    off = home.between(first, last)
    home.share[INPUT][off] = 0.0
    return off


def readings(home: Home, reference: str = "sensor-1", without_mains: Bools | None = None) -> dict[str, Samples]:
    """What is read, the mains voltage at the inverter's terminals included."""
    volts = np.where(home.awake & home.listening, 240.0, np.nan)
    if without_mains is not None:
        volts[without_mains] = np.minimum(volts[without_mains], 0.0)
    weather = {} if reference == "sensor-1" else home.weather(reference, 60, error=0.1)
    return home.raw() | weather | {"inverter-1.l1.ac_voltage": samples(home.times, volts)}


@contextmanager
def said(home: Home, raw: dict[str, Samples], visits: Sequence[str] = ()) -> Iterator[Ledger]:
    with stored(home, raw) as store:
        case = bench(home, store)
        for visit in visits:
            at_ms = parse_iso(visit)
            case.ledger.add_event("home-1", EventKind.VISIT, "", at_ms, {"who": "the installer"}, at_ms)
        for _ in catch_up(case, from_ms=home.start_ms):
            pass
        with case.ledger:
            yield case.ledger


def the_alert(ledger: Ledger) -> Alert:
    (alert,) = told(ledger)
    assert alert.finding is Finding.NO_GENERATION
    assert alert.state is AlertState.OPEN
    assert POLICY[alert.finding].severity is Severity.URGENT
    return alert


def letters(home: Home, ledger: Ledger, reason: MailReason = MailReason.OPENED) -> dict[str, str]:
    """What each role reads, on one line."""
    return {
        mail.role: " ".join(as_text(letter(mail, home.site, Firm())).split())
        for mail in ledger.mails("home-1")
        if mail.reason is reason
    }


@pytest.mark.parametrize("reference", REFERENCES)
def test_case_g2_w1_ac_off_is_told_within_three_hours_of_sun_and_names_the_side(reference: str) -> None:
    home = home_of(reference)
    off = switch_off(home, LEFT_OFF)
    with said(home, readings(home, reference, off), [VISIT]) as ledger:
        alert = the_alert(ledger)
        assert alert.causes == ("ac-side-off",)
        assert alert.opened_ms is not None
        assert parse_iso(LEFT_OFF) < alert.opened_ms <= THREE_HOURS_ON < EVENING
        assert alert.onset_ms == parse_iso(LEFT_OFF)
        assert alert.evidence["visit_ms"] == AFTER_VISIT
        written = letters(home, ledger)
        assert set(written) == {Role.OWNER, Role.INSTALLER}
        for text in written.values():
            assert "It stopped after the visit on Tuesday 14 April, 11:30." in text
            assert "11:40" in text  # the site's own time
        assert "the AC side is off" in written[Role.INSTALLER]


@pytest.mark.parametrize("reference", REFERENCES)
@pytest.mark.parametrize(
    ("mains_powered", "cause"),
    [pytest.param(False, "dc-side-off", id="DC off"), pytest.param(True, "ac-side-off", id="mains-powered, AC off")],
)
def test_case_g2_w2_a_silent_inverter_beside_a_still_meter_is_told_as_fast_and_never_as_communication(
    reference: str, mains_powered: bool, cause: str
) -> None:
    home = home_of(reference, mains_powered=mains_powered)
    home.awake[switch_off(home, LEFT_OFF)] = False
    with said(home, readings(home, reference), [VISIT]) as ledger:
        alert = the_alert(ledger)
        assert alert.causes == (cause,)
        assert alert.opened_ms is not None
        assert parse_iso(LEFT_OFF) < alert.opened_ms <= THREE_HOURS_ON < EVENING
        assert abs(alert.onset_ms - parse_iso(LEFT_OFF)) <= 5 * MINUTE_MS
        assert alert.evidence["visit_ms"] == AFTER_VISIT
        silent = [run.verdict for run in ledger.runs("home-1") if run.finding is Finding.INVERTER_SILENT]
        assert Verdict.OK in silent
        assert Verdict.FAULT not in silent


@pytest.mark.parametrize("reference", REFERENCES)
@pytest.mark.parametrize(
    ("dark", "cause"),
    [pytest.param(False, "ac-side-off", id="as W1"), pytest.param(True, "circuit-off-upstream", id="the meter too")],
)
def test_case_g2_w3_a_breaker_that_tripped_at_night_is_told_by_ten(reference: str, dark: bool, cause: str) -> None:
    home = home_of(reference)
    off = switch_off(home, TRIPPED)
    home.speaking[off] = not dark
    with said(home, readings(home, reference, off)) as ledger:
        alert = the_alert(ledger)
        assert alert.causes == (cause,)
        assert alert.opened_ms is not None
        assert TRIPPED_MS < alert.opened_ms <= MORNING
        # It stopped some time between the last output of the evening and the first light that gave none.
        assert alert.onset_low_ms <= TRIPPED_MS <= alert.onset_high_ms
        assert "visit_ms" not in alert.evidence


TRIPPED_MS = parse_iso(TRIPPED)


@pytest.mark.parametrize("reference", REFERENCES)
@pytest.mark.parametrize(
    "how",
    [
        pytest.param("awake", id="inverter awake without mains, meter dark"),
        pytest.param("no volts told", id="inverter awake, tells no voltage, meter dark"),
        pytest.param("mains-powered", id="inverter and meter dark"),
        pytest.param("gateway", id="nothing heard behind a gateway without mains"),
    ],
)
def test_case_g2_w4_a_power_cut_is_no_fault_of_the_site_and_causes_no_mail(reference: str, how: str) -> None:
    home = home_of(reference, mains_powered=how == "mains-powered")
    cut = switch_off(home, *CUT)
    home.speaking[cut] = False
    if how in ("mains-powered", "gateway"):
        home.awake[cut] = False
    raw = readings(home, reference, cut)
    if how == "no volts told":
        del raw["inverter-1.l1.ac_voltage"]
    with said(home, raw) as ledger:
        assert ledger.mails("home-1") == []
        assert ledger.alerts("home-1") == [], "no suspicion is left either"
        assert ledger.runs("home-1")[-1].last_ms == home.end_ms


@pytest.mark.parametrize("reference", ["sensor-1", "weather-nowcast"])
@pytest.mark.parametrize(
    "how",
    [
        pytest.param("no mains", id="awake without mains beside a meter that is heard"),
        pytest.param("silent", id="silent beside a still meter"),
        pytest.param("gateway", id="nothing heard, for six hours"),
    ],
)
def test_case_g2_w4_what_befalls_the_whole_street_is_no_fault_of_the_site_however_it_looks(
    reference: str, how: str
) -> None:
    home = home_of(reference)
    home.site = replace(home.site, sources=(*home.site.sources, ASKS_NEIGHBOURS))
    last = "2026-04-14T16:00:00Z" if how == "gateway" else CUT[1]
    cut = switch_off(home, "2026-04-14T10:00:00Z" if how == "gateway" else CUT[0], last)
    home.speaking[cut] = how != "gateway"
    home.awake[cut] = how == "no mains"
    raw = readings(home, reference, cut) | home.neighbours(cut)
    with said(home, raw) as ledger:
        (alert,) = ledger.alerts("home-1")
        assert (alert.finding, alert.subject, alert.causes) == (Finding.AREA_EVENT, "site", ("supply-cut",))
        assert POLICY[alert.finding].severity is Severity.PLANNED
        assert (alert.state, alert.closed_as) == (AlertState.CLEARED, ClosedAs.RECOVERED)
        assert alert.cleared_ms is not None
        assert alert.cleared_ms - parse_iso(last) <= 2 * HOUR_MS
        assert alert.loss_mwh > 0, "the loss is booked to the area"
        assert [(mail.role, mail.reason) for mail in ledger.mails("home-1")] == [(Role.INSTALLER, MailReason.OPENED)]
        (text,) = letters(home, ledger).values()
        assert "7 of 8 near sites that must generate do not." in text
        explained = {run.finding for run in ledger.runs("home-1") if run.code == "explained.area-event"}
        assert explained & {Finding.INVERTER_SILENT if how == "gateway" else Finding.NO_GENERATION}


def test_case_g2_left_dark_when_the_street_is_back_is_its_own_fault_within_three_hours_of_sun() -> None:
    home = home_of()
    home.site = replace(home.site, sources=(*home.site.sources, ASKS_NEIGHBOURS))
    cut = home.between(CUT[0], "2026-04-14T14:00:00Z")
    stays = switch_off(home, CUT[0])
    with said(home, readings(home, without_mains=stays) | home.neighbours(cut)) as ledger:
        (alert,) = told(ledger, Finding.NO_GENERATION)
        assert (alert.state, alert.causes) == (AlertState.OPEN, ("ac-side-off",))
        assert alert.opened_ms is not None
        assert parse_iso("2026-04-14T14:00:00Z") < alert.opened_ms <= parse_iso("2026-04-14T16:00:00Z")
        lost_kwh = float(home.possible.by_subject["inverter-1"].expected[stays & ~cut].sum()) / 12_000
        # What the area lost is not its own, nor is the quarter of an hour that an inverter may look at the mains.
        assert 0.85 * lost_kwh <= alert.loss_mwh / 1e6 <= lost_kwh


def test_case_g2_one_neighbour_in_eight_excuses_nobody() -> None:
    home = home_of()
    home.site = replace(home.site, sources=(*home.site.sources, ASKS_NEIGHBOURS))
    off = switch_off(home, LEFT_OFF)
    nobody = np.zeros(home.points, dtype=bool)
    with said(home, readings(home, without_mains=off) | home.neighbours(nobody)) as ledger:
        assert the_alert(ledger).opened_ms is not None


@pytest.mark.parametrize(("sites", "explained"), [(4, False), (5, True)])
def test_case_g2_of_fewer_than_five_near_sites_nobody_can_tell_an_area(sites: int, explained: bool) -> None:
    home = home_of()
    home.site = replace(home.site, sources=(*home.site.sources, ASKS_NEIGHBOURS))
    off = switch_off(home, LEFT_OFF)
    with said(home, readings(home, without_mains=off) | home.neighbours(off, sites=sites)) as ledger:
        assert {alert.finding for alert in told(ledger)} == {Finding.AREA_EVENT if explained else Finding.NO_GENERATION}


def test_a_power_cut_that_outlasts_the_afternoon_is_told() -> None:
    home = home_of()
    off = switch_off(home, "2026-04-14T08:00:00Z")
    home.speaking[off] = False
    with said(home, readings(home, without_mains=off)) as ledger:
        alert = the_alert(ledger)
        assert alert.causes == ("circuit-off-upstream",)
        assert alert.opened_ms is not None
        assert alert.opened_ms - parse_iso("2026-04-14T08:00:00Z") == pytest.approx(4 * HOUR_MS, abs=30 * MINUTE_MS)


def test_case_g2_switched_on_again_is_told_once_to_whom_heard_of_it() -> None:
    home = home_of()
    off = switch_off(home, LEFT_OFF, "2026-04-14T15:00:00Z")
    with said(home, readings(home, without_mains=off), [VISIT]) as ledger:
        (alert,) = told(ledger)
        assert (alert.state, alert.closed_as) == (AlertState.CLEARED, ClosedAs.RECOVERED)
        assert alert.cleared_ms is not None
        assert alert.cleared_ms - parse_iso("2026-04-14T15:00:00Z") <= HOUR_MS
        reasons = [mail.reason for mail in ledger.mails("home-1")]
        assert reasons == [MailReason.OPENED] * 2 + [MailReason.CLEARED] * 2
        lost_kwh = float(home.possible.by_subject["inverter-1"].expected[off].sum()) / 12_000
        assert alert.loss_low_mwh / 1e6 <= lost_kwh <= alert.loss_high_mwh / 1e6


@pytest.mark.parametrize(
    ("visits", "told_of"),
    [
        pytest.param(["2026-04-13T10:30:00Z"], None, id="the day before, over 24 hours"),
        pytest.param(["2026-04-13T14:00:00Z"], "2026-04-13T14:00:00Z", id="the day before, under 24 hours"),
        pytest.param(["2026-04-13T14:00:00Z", VISIT], VISIT, id="of two the later"),
        pytest.param(["2026-04-14T12:30:00Z"], None, id="after it had stopped"),
        pytest.param([], None, id="none"),
    ],
)
def test_only_a_visit_within_a_day_before_the_stop_is_brought_up(visits: list[str], told_of: str | None) -> None:
    home = home_of()
    off = switch_off(home, LEFT_OFF)
    with said(home, readings(home, without_mains=off), visits) as ledger:
        (alert,) = told(ledger)
        assert alert.evidence.get("visit_ms") == (None if told_of is None else parse_iso(told_of))


def test_two_inverters_behind_one_meter_a_power_cut_is_no_fault_of_either() -> None:
    first = home_of().site
    names = ("inverter-1", "inverter-2")
    arrays = tuple(replace(first.arrays[0], id=f"roof-{name}", input=f"{name}.input-1") for name in names)
    site = home_site(
        *arrays,
        inverters=tuple(replace(first.inverters[0], id=name) for name in names),
        meters=(replace(METER, covers=names),),
        sources=(*(polled(name) for name in names), polled("meter-1")),
        contacts=(*CONTACTS, Contact(Role.OCCUPIER, "home@example.org")),
    )
    home = Home(site, START, DAYS, 0.8)
    cut = home.between(*CUT)
    home.speaking[cut] = False
    for name in home.share:
        home.share[name][cut] = 0.0
    volts = {f"{name}.l1.ac_voltage": samples(home.times, np.where(cut, 0.0, 240.0)) for name in names}
    with said(home, home.raw() | volts) as ledger:
        assert ledger.mails("home-1") == []

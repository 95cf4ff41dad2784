"""The facts of silence as they are read from readings, and what powers an interface, learned from its nights."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.detect.made_homes import METER, SOUTH, Home, every, home_site, polled
from tests.detect.made_lines import judged, told
from watcher.alert.policy import policies
from watcher.align.build import build_window
from watcher.detect.inverter_silent import InverterSilent
from watcher.detect.presence import Presence, presence
from watcher.detect.scene import FAULT, OK, UNKNOWN, Scene
from watcher.detect.silence import BoardFact, InterfaceFact, InverterFact, MeterFact
from watcher.domain.finding import Finding
from watcher.domain.instant import HOUR_MS, MINUTE_MS, POINTS_A_DAY, parse_iso
from watcher.domain.reading import Samples
from watcher.domain.site import Array, Inverter, Source, SourceKind
from watcher.expect.day import expect_day, join

START = parse_iso("2026-06-08T00:00:00Z")
DAYS = 5


def home_of(**facts: object) -> Home:
    return Home(home_site(**facts), START, DAYS)


def seen(home: Home, raw: dict[str, Samples] | None = None) -> Scene:
    raw = home.raw() if raw is None else raw
    window = build_window(home.site, raw, (), home.start_ms, home.points)
    days = [expect_day(home.site, window, home.start_ms + 288 * 300_000 * day) for day in range(home.days)]
    return Scene(home.site, window, join(days), policies({}).limits())


def facts(home: Home, raw: dict[str, Samples] | None = None) -> Presence:
    return presence(seen(home, raw), "inverter-1")


def at(home: Home, iso: str) -> int:
    return (parse_iso(iso) - home.start_ms) // 300_000 - 1


def named(kind: type[InverterFact] | type[MeterFact] | type[InterfaceFact] | type[BoardFact], place: object) -> object:
    return list(kind)[int(place)]  # type: ignore[call-overload]


# What powers the interface


def _never_by_night(home: Home) -> None:
    """As made: it answers from sunrise to sunset."""


def _all_night(home: Home) -> None:
    home.awake[:] = True


def _most_of_the_night(home: Home) -> None:
    home.awake[:] = True
    home.awake[home.times // MINUTE_MS % 60 < 20] = False  # a link that drops for 20 minutes of every hour


@pytest.mark.parametrize(
    ("nights", "learned"),
    [
        pytest.param(_never_by_night, InterfaceFact.DC, id="never heard by night: from the panels"),
        pytest.param(_all_night, InterfaceFact.AC, id="heard all night: from the mains"),
        pytest.param(_most_of_the_night, InterfaceFact.AC, id="heard most of the night"),
    ],
)
def test_three_nights_tell_what_powers_an_interface(nights: Callable[[Home], None], learned: InterfaceFact) -> None:
    home = home_of()
    nights(home)
    days = facts(home).interface.reshape(DAYS, POINTS_A_DAY)
    assert (days == days[:, :1]).all(), "it is learned from nights gone by, never in the middle of one"
    told_by_day = [named(InterfaceFact, day[0]) for day in days]
    assert told_by_day[:2] == [InterfaceFact.UNKNOWN] * 2
    assert told_by_day[3:] == [learned] * (DAYS - 3)


def test_nights_in_which_we_did_not_listen_teach_nothing() -> None:
    home = home_of()
    home.awake[:] = True
    home.listening &= home.possible.sun_elevation_deg > 0.0
    assert set(facts(home).interface) == {list(InterfaceFact).index(InterfaceFact.UNKNOWN)}


def test_a_day_on_which_the_inverter_is_not_heard_at_all_does_not_unlearn_its_nights() -> None:
    home = Home(home_site(), START, 8)
    home.awake[:] = True
    home.awake[home.between("2026-06-11T00:00:00Z")] = False
    assert named(InterfaceFact, facts(home).interface[-1]) is InterfaceFact.AC


@pytest.mark.parametrize(
    ("nights", "causes"),
    [
        pytest.param(_never_by_night, ("dc-side-off",), id="powered from the panels: none reach it"),
        pytest.param(_all_night, ("ac-side-off",), id="powered from the mains: it has none"),
    ],
)
def test_daylight_silence_beside_a_still_meter_is_judged_by_what_powers_the_interface(
    nights: Callable[[Home], None], causes: tuple[str, ...]
) -> None:
    home = home_of()
    nights(home)
    off = home.between("2026-06-12T09:30:00Z")
    home.awake[off], home.share["inverter-1.input-1"][off] = False, 0.0
    with judged(home) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes) == (Finding.NO_GENERATION, causes)


def test_before_the_nights_are_known_both_sides_are_named() -> None:
    home = Home(home_site(), START, 1)
    off = home.between("2026-06-08T09:30:00Z")
    home.awake[off], home.share["inverter-1.input-1"][off] = False, 0.0
    with judged(home) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes) == (Finding.NO_GENERATION, ("dc-side-off", "ac-side-off"))


# What a register proves


def test_a_register_that_still_counts_what_was_made_before_the_silence_proves_nothing() -> None:
    home = home_of()
    off = home.between("2026-06-11T10:40:00Z")
    home.awake[off], home.share["inverter-1.input-1"][off] = False, 0.0
    found = facts(home)
    silent = found.inverter == list(InverterFact).index(InverterFact.SILENT)
    moving = found.meter == list(MeterFact).index(MeterFact.MOVING)
    assert silent[at(home, "2026-06-11T11:00:00Z") :].all()
    assert not (silent & moving)[at(home, "2026-06-11T10:40:00Z") :].any()


def test_case_g2_a_meter_read_by_the_hour_does_not_make_a_standstill_a_fault_of_the_link() -> None:
    home = home_of(sources=(polled("inverter-1"), polled("meter-1", 3600.0)))
    off = home.between("2026-06-11T10:40:00Z")
    home.awake[off], home.share["inverter-1.input-1"][off] = False, 0.0
    raw = every(home.raw(), HOUR_MS, "meter-1")
    assert InverterSilent().judge(seen(home, raw), "inverter-1").verdict.max() == OK
    with judged(home, raw) as ledger:
        (alert,) = told(ledger)
        assert alert.finding is Finding.NO_GENERATION
        assert alert.opened_ms is not None
        assert alert.opened_ms <= parse_iso("2026-06-11T13:45:00Z")


def test_a_register_with_coarse_steps_is_given_time_to_make_one() -> None:
    """A small plant behind a meter that shows whole kilowatt-hours; only the link to the inverter fails."""
    small = replace(SOUTH, peak_power_w=800.0)
    home = home_of(arrays=(small,), inverters=(Inverter("inverter-1", 800.0),), meters=(replace(METER, decimals=0),))
    home.awake[home.between("2026-06-11T09:15:00Z")] = False
    with judged(home) as ledger:
        assert [alert.finding for alert in told(ledger)] == [Finding.INVERTER_SILENT]


def test_an_inverter_that_reports_nought_beside_a_counting_meter_generates() -> None:
    home = home_of()
    raw = home.raw()
    wrong = raw["inverter-1.ac_power"]
    dead_ms = parse_iso("2026-06-11T10:00:00Z")
    raw["inverter-1.ac_power"] = Samples.of(
        (time_ms, 0.0 if time_ms >= dead_ms else value)
        for time_ms, value in zip(wrong.time_ms, wrong.value, strict=True)
    )
    with judged(home, raw) as ledger:
        assert not told(ledger, Finding.NO_GENERATION, Finding.INVERTER_SILENT)


def test_a_meter_that_sends_pulses_proves_generation_like_one_with_an_index() -> None:
    home = home_of(meters=(replace(METER, pulses_per_kwh=1000.0),))
    home.awake[home.between("2026-06-11T10:15:00Z")] = False
    raw = home.raw()
    index = raw.pop("meter-1.energy_index")
    raw["meter-1.pulse_count"] = Samples.of(zip(index.time_ms, index.value, strict=True))
    with judged(home, raw) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes) == (Finding.INVERTER_SILENT, ("link-to-inverter",))


def test_a_meter_read_by_a_person_is_no_witness() -> None:
    typed = Source(SourceKind.TYPED, "meter-1")
    home = home_of(sources=(polled("inverter-1"), typed))
    home.awake[home.between("2026-06-11T10:15:00Z")] = False
    with judged(home, every(home.raw(), 24 * HOUR_MS, "meter-1")) as ledger:
        (alert,) = told(ledger)
        assert (alert.finding, alert.causes) == (Finding.INVERTER_SILENT, ("link-to-inverter", "dc-side-off"))


# Verdicts point by point


def test_silence_is_a_fault_only_by_day_and_an_answer_is_ok_at_once() -> None:
    home = home_of()
    home.awake &= ~home.between("2026-06-10T10:15:00Z", "2026-06-11T10:15:00Z")
    judgement = InverterSilent().judge(seen(home), "inverter-1")
    elevation = home.possible.sun_elevation_deg
    assert not (judgement.verdict[elevation <= 10.0] == FAULT).any()
    fault = np.flatnonzero(judgement.verdict == FAULT)
    assert fault[0] == at(home, "2026-06-10T10:35:00Z"), "after a quarter of an hour, to the interval"
    assert fault[-1] == at(home, "2026-06-11T10:15:00Z")
    assert (judgement.verdict[home.awake & (elevation > 10.0)] == OK).all()
    assert judgement.verdict[at(home, "2026-06-10T23:00:00Z")] == UNKNOWN


@pytest.mark.parametrize(
    ("until", "finding"),
    [
        pytest.param("14:25", [], id="under four hours: a power cut may look like this"),
        pytest.param("17:00", [Finding.INVERTER_SILENT], id="longer: someone should look"),
    ],
)
@pytest.mark.parametrize("inverters", [1, 2])
def test_inverters_and_meter_silent_together_are_told_after_a_power_cut_would_be_over(
    until: str, finding: list[Finding], inverters: int
) -> None:
    names = [f"inverter-{number + 1}" for number in range(inverters)]
    home = Home(
        home_site(
            *(Array(f"roof-{name}", 35.0, 180.0, 3000.0, f"{name}.input-1") for name in names),
            inverters=tuple(Inverter(name, 3000.0) for name in names),
            meters=(replace(METER, covers=tuple(names)),),
            sources=(*(polled(name) for name in names), polled("meter-1")),
        ),
        START,
        2,
    )
    dark = home.between("2026-06-09T10:15:00Z", f"2026-06-09T{until}:00Z")
    home.awake[dark], home.speaking[dark] = False, False
    with judged(home) as ledger:
        assert [alert.finding for alert in told(ledger)] == finding * inverters
        for alert in told(ledger):
            assert alert.causes == ("bus-or-gateway", "circuit-off-upstream")


def test_nothing_is_said_of_an_inverter_while_our_own_board_is_off() -> None:
    home = home_of()
    home.listening &= ~home.between("2026-06-10T09:00:00Z", "2026-06-11T15:00:00Z")
    judgement = InverterSilent().judge(seen(home), "inverter-1")
    assert not (judgement.verdict == FAULT).any()


def test_an_inverter_read_by_a_person_is_never_silent() -> None:
    site = home_site(sources=(Source(SourceKind.TYPED, "inverter-1"), polled("meter-1")))
    assert InverterSilent().subjects(site) == ()
    assert InverterSilent().subjects(home_site()) == ("inverter-1",)

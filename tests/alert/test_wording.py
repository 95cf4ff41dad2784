"""What letters say: complete, plain words for the home, standard terms for the trade, and never a dangerous hint."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from watcher.alert.wording import Letter, letter, words_for
from watcher.alert.wording_cautions import CAUTIONS, Caution, Register
from watcher.alert.wording_endings import OUTCOMES
from watcher.alert.wording_table import ENDINGS, FAULTS
from watcher.domain.alert import Alert, AlertState, ClosedAs, Mail, MailReason
from watcher.domain.finding import Finding
from watcher.domain.firm import Firm
from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS, parse_iso
from watcher.domain.site import Contact, Inverter, Meter, MeterRole, Payment, Rate, Role, Scheme, Site, Storage
from watcher.notify.message import as_text

ONSET_MS = parse_iso("2026-06-09T10:20:00Z")
FIRM = Firm("Elm Solar", "01632 960123", "solar@firm.example")
SITE = Site(
    "home-1",
    "12 Elm Road",
    53.5,
    -2.2,
    50.0,
    ZoneInfo("Europe/London"),
    inverters=(Inverter("inverter-1", 3680.0, serial="A77"),),
    meters=(Meter("meter-1", MeterRole.GENERATION, ("inverter-1",), serial="G0012345", place="hall cupboard"),),
    contacts=(Contact(Role.OWNER, "jean@home.example", "Jean Smith"),),
    payment=Payment(Scheme.FEED_IN, "a supplier", (Rate(16.5, "generation"), Rate(5.2, "export", 0.5))),
)
SAID: Mapping[str, str | float] = {"times_said": 4.0, "last_said_ms": float(ONSET_MS)}
EVIDENCE: Mapping[Finding, Mapping[str, str | float]] = {
    Finding.METER_STALLED: {
        "index_kwh": 18452.3,
        "inverter_kwh": 14.2,
        "last_moved_ms": float(ONSET_MS),
        "serial": "G0012345",
    },
    Finding.METER_REVERSED: {"index_kwh": 18452.3, "back_kwh": 1.9, "inverter_kwh": 2.1, "serial": "G0012345"},
    Finding.METER_RESTARTED: {"index_kwh": 0.4, "before_kwh": 18452.3, "serial": "G0012345"},
    Finding.METER_NIGHT_ENERGY: {"night_kwh": 2.3, "nights": 2.0, "power_w": 120.0, "serial": "G0012345"},
    Finding.METER_SILENT: {"last_heard_ms": float(ONSET_MS), "serial": "G0012345"},
    Finding.METER_MISMATCH: {
        "meter_kwh": 61.2,
        "inverter_kwh": 70.1,
        "difference_percent": -12.7,
        "tolerance_percent": 6.3,
        "days": 7.0,
        "serial": "G0012345",
    },
    Finding.METER_UNREADABLE: {"times_said": 1.0, "serial": "G0012345"},
    Finding.METER_DISPLAY_DRIFT: {"drift_kwh": 21.4, "drift_percent": 4.1, "serial": "G0012345"},
    Finding.METER_CERTIFICATION_DUE: {"certified_until_ms": float(ONSET_MS + 90 * DAY_MS), "serial": "G0012345"},
    Finding.READING_DOUBTFUL: {"typed_kwh": 41731.0, "typed_ms": float(ONSET_MS), "likely_kwh": 41371.0},
    Finding.INVERTER_SILENT: {"last_heard_ms": float(ONSET_MS)},
    Finding.NO_GENERATION: {"expected_kwh": 14.1, "last_output_ms": float(ONSET_MS)},
    Finding.STRING_OPEN: {
        "input_number": "2",
        "current_a": 7.9,
        "voltage_v": 262.0,
        "usual_voltage_v": 262.4,
        "strings": 2.0,
        "share": 0.5,
    },
    Finding.STRING_LOW_CURRENT: {"input_number": "2", "share": 0.72, "days": 3.0, "strings": 1.0},
    Finding.STRING_LOW_VOLTAGE: {"share": 0.8, "days": 3.0, "voltage_share": 0.8, "parts_lost": 4.8},
    Finding.STRING_INTERMITTENT: {"input_number": "2", "breaks_at_a": 4.2, "days": 2.0},
    Finding.MODULE_LOST: {"share": 0.96, "days": 3.0, "voltage_share": 0.958, "parts_lost": 1.0},
    Finding.OUTPUT_LOW: {"share": 0.5, "days": 2.0, "strings": 2.0},
    Finding.SITE_RECORD_WRONG: {
        "made_ratio": 1.33,
        "on_file_w": 3000.0,
        "likely_w": 3990.0,
        "shift_hours": -1.8,
        "on_file_deg": 180.0,
        "likely_deg": 120.0,
    },
    Finding.REFERENCE_SILENT: {"last_heard_ms": float(ONSET_MS)},
    Finding.REFERENCE_WRONG: {"difference_percent": -24.0, "stuck_hours": 5.5},
    Finding.CLOCK_WRONG: {"shift_minutes": 60.0},
    Finding.AREA_EVENT: {"sites_near": 8.0, "sites_dark": 7.0, "area_share": 0.12},
    Finding.EARTH_FAULT: {**SAID, "mornings": 3.0, "insulation_kohm": 12.4},
    Finding.ARC_FAULT: SAID,
    Finding.INVERTER_OVERHEATING: {**SAID, "temperature_degc": 97.2},
    Finding.SUPPLY_VOLTAGE_DANGER: {**SAID, "voltage_v": 281.3},
    Finding.BATTERY_ALARM: SAID,
    Finding.GRID_VOLTAGE_TRIPS: {"days": 2.0, "trips": 9.0, "highest_v": 258.3, "rise_v": 6.1},
    Finding.POWER_LIMITED: {
        "days": 3.0,
        "level_kw": 2.5,
        "rating_kw": 3.68,
        "flat_kw": 2.5,
        "held_hours": 9.5,
        "heat_degc": 71.0,
    },
    Finding.VALUES_DRIFTING: {"input_number": "2", "difference_percent": 8.4, "days": 6.0},
    Finding.ENERGY_IMBALANCE: {"in_kwh": 12.4, "out_kwh": 9.1, "worn_percent": 26.6, "days": 4.0},
    Finding.VALUES_STUCK: {"still_minutes": 95.0, "mains_v": 243.1},
    Finding.LATE_START: {"days": 3.0, "late_minutes": 95.0, "voltage_share": 0.62},
}
SUBJECTS = {
    Finding.METER_STALLED: "meter-1",
    Finding.METER_REVERSED: "meter-1",
    Finding.METER_RESTARTED: "meter-1",
    Finding.METER_NIGHT_ENERGY: "meter-1",
    Finding.METER_SILENT: "meter-1",
    Finding.METER_MISMATCH: "meter-1",
    Finding.METER_UNREADABLE: "meter-1",
    Finding.METER_DISPLAY_DRIFT: "meter-1",
    Finding.METER_CERTIFICATION_DUE: "meter-1",
    Finding.READING_DOUBTFUL: "meter-1",
    Finding.INVERTER_SILENT: "inverter-1",
    Finding.NO_GENERATION: "inverter-1",
    Finding.STRING_OPEN: "inverter-1.input-2",
    Finding.STRING_LOW_CURRENT: "inverter-1.input-2",
    Finding.STRING_LOW_VOLTAGE: "inverter-1.input-2",
    Finding.STRING_INTERMITTENT: "inverter-1.input-2",
    Finding.MODULE_LOST: "inverter-1.input-2",
    Finding.OUTPUT_LOW: "inverter-1",
    Finding.SITE_RECORD_WRONG: "inverter-1",
    Finding.REFERENCE_SILENT: "sensor-1",
    Finding.REFERENCE_WRONG: "sensor-1",
    Finding.CLOCK_WRONG: "inverter-1",
    Finding.AREA_EVENT: "site",
    Finding.EARTH_FAULT: "inverter-1",
    Finding.ARC_FAULT: "inverter-1",
    Finding.INVERTER_OVERHEATING: "inverter-1",
    Finding.SUPPLY_VOLTAGE_DANGER: "inverter-1",
    Finding.BATTERY_ALARM: "inverter-1",
    Finding.GRID_VOLTAGE_TRIPS: "inverter-1",
    Finding.LATE_START: "inverter-1",
    Finding.POWER_LIMITED: "inverter-1",
    Finding.VALUES_DRIFTING: "inverter-1.input-2",
    Finding.ENERGY_IMBALANCE: "inverter-1",
    Finding.VALUES_STUCK: "inverter-1",
}
METERS = tuple(finding for finding in Finding if SUBJECTS[finding] == "meter-1")
TRADE_ROLES = (Role.INSTALLER, Role.OPERATOR)
HOME_ROLES = (Role.OCCUPIER, Role.OWNER, Role.PAYEE, Role.LANDLORD)
NONE_KNOWN: Mapping[str, str | float] = {}


def alert_of(finding: Finding, cause: str = "", evidence: Mapping[str, str | float] | None = None) -> Alert:
    return Alert(
        "home-1",
        finding,
        SUBJECTS[finding],
        AlertState.OPEN,
        ONSET_MS + HOUR_MS,
        ONSET_MS,
        ONSET_MS,
        ONSET_MS,
        opened_ms=ONSET_MS + HOUR_MS,
        causes=(cause,) if cause else (),
        loss_mwh=14_230_000,
        loss_low_mwh=12_100_000,
        loss_high_mwh=16_000_000,
        evidence=EVIDENCE[finding] if evidence is None else evidence,
    )


def written(
    alert: Alert,
    role: Role = Role.OWNER,
    reason: MailReason = MailReason.OPENED,
    site: Site = SITE,
    firm: Firm = FIRM,
    after_ms: int = 10 * HOUR_MS,
) -> Letter:
    return letter(Mail(alert, reason, role, "jean@home.example", ONSET_MS + after_ms), site, firm)


def cleared(alert: Alert, closed_as: ClosedAs) -> Alert:
    return replace(alert, state=AlertState.CLEARED, cleared_ms=ONSET_MS + 50 * HOUR_MS, closed_as=closed_as)


def every_letter(row: tuple[Finding, str], roles: tuple[Role, ...]) -> Iterator[tuple[str, Letter]]:
    """One row of the table to every role for every reason, with all its figures and with none."""
    for role, full in itertools.product(roles, (True, False)):
        alert = alert_of(*row, None if full else NONE_KNOWN)
        name = f"{role}, {'all figures' if full else 'no figure'}, "
        yield name + "opened", written(alert, role)
        yield name + "reminder", written(alert, role, MailReason.REMINDER, after_ms=30 * DAY_MS)
        for closed_as in ClosedAs:
            over = cleared(alert, closed_as)
            yield name + closed_as, written(over, role, MailReason.CLEARED, after_ms=50 * HOUR_MS)


every_row = pytest.mark.parametrize("row", FAULTS, ids=lambda row: f"{row[0]} {row[1] or '(unknown)'}")


def prose(letter: Letter) -> list[str]:
    """The sentences a reader goes through, the subject and the titles among them."""
    lines = [letter.subject, letter.greeting, letter.closing]
    for section in letter.sections:
        lines += [section.title, *section.sentences, *section.steps]
    return [part for line in lines for part in re.split(r"(?<=[.!?]) ", line) if part]


# The table


def test_every_finding_has_a_row_for_an_unknown_cause_and_an_ending_in_both_registers() -> None:
    for finding in Finding:
        assert (finding, "") in FAULTS
        assert {(finding, register) for register in Register} <= ENDINGS.keys()


def test_every_caution_and_every_way_to_close_is_said_in_both_registers() -> None:
    assert CAUTIONS.keys() == set(itertools.product(Caution, Register))
    own = set(ClosedAs) - {ClosedAs.RECOVERED, ClosedAs.WITHDRAWN}  # these two have sentences for each finding
    assert OUTCOMES.keys() == set(itertools.product(own, Register))


@pytest.mark.parametrize("causes", [(), ("dc-side-off", "ac-side-off"), ("a cause of tomorrow",)])
def test_without_one_known_cause_the_letter_says_that_the_cause_is_unknown(causes: tuple[str, ...]) -> None:
    alert = replace(alert_of(Finding.NO_GENERATION), causes=causes)
    assert words_for(alert, Register.HOME) is FAULTS[Finding.NO_GENERATION, ""].home


@every_row
def test_a_letter_has_no_loose_ends(row: tuple[Finding, str]) -> None:
    for name, told in every_letter(row, HOME_ROLES + TRADE_ROLES):
        assert "\n" not in told.subject
        for sentence in prose(told):
            assert not re.search(r"[{}]|_ms\b|\bnan\b|\bNone\b|\.\.|\. \.| ,|  ", sentence), (name, sentence)
            assert sentence.startswith(("inverter-1", "meter-1")) or not sentence[0].islower(), (name, sentence)
        for section in told.sections:
            assert section.sentences or section.steps or section.figures, (name, section.title)


# What a home reads

INNER = re.compile(
    r"\b(strings?|mppt|trackers?|inputs?|verdicts?|thresholds?|isolators?|voc|index|rcd|breakers?|registers?|gateway"
    r"|evidence|alerts?|suspected|onset|open-circuit|[a-z]+-\d+|"
    + "|".join([*Finding, *(cause for _, cause in FAULTS if cause)])
    + r")\b",
    re.IGNORECASE,
)
INNER_AS_WRITTEN = re.compile(r"\b(DC|AC|W|Wh|UTC)\b")
TO_HANDS = re.compile(
    r"\b(touch|open|climb|switch|turn|pull|push|press|plug|unplug|reset|cover|remove|break|disconnect|connect|check"
    r"|measure|test it|clean|roof|ladder|cables?|connectors?|seals?|fuses?|start things)\b",
    re.IGNORECASE,
)
FORBIDS = re.compile(r"\b(do not|never)\b", re.IGNORECASE)


@every_row
def test_a_home_reads_no_inner_word(row: tuple[Finding, str]) -> None:
    for name, told in every_letter(row, HOME_ROLES):
        for sentence in prose(told):
            assert not INNER.search(sentence), (name, sentence)
            assert not INNER_AS_WRITTEN.search(sentence), (name, sentence)


@every_row
def test_a_home_is_never_told_to_touch_anything(row: tuple[Finding, str]) -> None:
    for name, told in every_letter(row, HOME_ROLES):
        for sentence in prose(told):
            found, forbidden = TO_HANDS.search(sentence), FORBIDS.search(sentence)
            assert found is None or (forbidden is not None and forbidden.start() < found.start()), (name, sentence)


def syllables(word: str) -> int:
    """Groups of vowels, a silent e at the end left out; a figure counts as it is spoken, roughly a syllable a digit."""
    word = word.lower()
    if any(sign.isdigit() for sign in word):
        return sum(sign.isdigit() for sign in word)
    groups = len(re.findall(r"[aeiouy]+", word))
    silent = re.search(r"[^aeiouyl]e$|[^aeiouydt]ed$|[^aeiouysxzchg]es$", word)
    return max(1, groups - 1 if silent and groups > 1 else groups)


def reading_ease(sentences: list[str]) -> float:
    """Flesch reading ease of a text, with the syllables counted by rule."""
    words = [re.findall(r"[A-Za-z0-9'£.]*[A-Za-z0-9]", sentence) for sentence in sentences]
    count = sum(len(each) for each in words)
    total = sum(syllables(word) for each in words for word in each)
    return flesch(count, len(sentences), total)


def flesch(words: int, sentences: int, syllables: int) -> float:
    """Flesch 1948 (from memory, and by the worked example below)."""
    return 206.835 - 1.015 * words / sentences - 84.6 * syllables / words


LITTLE_PIGS = (
    "Once upon a time there was an old mother pig who had three little pigs and not enough food to feed them. "
    "So when they were old enough, she sent them out into the world to seek their fortunes. "
    "The first little pig was very lazy. "
    "He didn't want to work at all and he built his house out of straw. "
    "The second little pig worked a little bit harder but he was somewhat lazy too and he built his house out of "
    "sticks. Then, they sang and danced and played together the rest of the day."
)


def test_the_reading_ease_of_a_published_example() -> None:
    """Worked example of the npm package flesch-kincaid-calc (its README): 97 words, 6 sentences, 117 syllables."""
    assert flesch(97, 6, 117) == pytest.approx(88.38253436426116838, abs=1e-9)
    assert reading_ease(re.split(r"(?<=[.!?]) ", LITTLE_PIGS)) == pytest.approx(88.38, abs=1.0)


def test_the_reading_ease_formula_knows_easy_from_hard() -> None:
    assert reading_ease(["The cat sat on the mat.", "It was warm."]) > 100
    assert reading_ease(["Photovoltaic installations necessitate professional electrical verification."]) < 0
    assert [syllables(word) for word in ("make", "table", "lasted", "panels", "meter", "stopped")] == [1, 2, 2, 2, 2, 1]


@every_row
def test_a_letter_to_a_home_is_plain_english(row: tuple[Finding, str]) -> None:
    for name, told in every_letter(row, HOME_ROLES):
        assert reading_ease(prose(told)) >= 60, name


@every_row
@pytest.mark.parametrize("reason", [MailReason.OPENED, MailReason.REMINDER])
def test_a_letter_about_a_fault_says_whom_to_call_and_warns(row: tuple[Finding, str], reason: MailReason) -> None:
    sections = {section.title: section for section in written(alert_of(*row), reason=reason).sections}
    assert sections["What to do"].phone == "01632 960123"
    assert any("Elm Solar" in step for step in sections["What to do"].steps)
    assert any("do not touch" in step for step in sections["For your safety"].steps)
    assert any("999" in step for step in sections["For your safety"].steps)


def test_without_a_firm_the_home_is_sent_to_whoever_fitted_the_panels() -> None:
    text = as_text(written(alert_of(Finding.NO_GENERATION), firm=Firm()))
    assert "Please call the firm that fitted your panels." in text
    assert "Telephone" not in text


def test_fire_fighters_are_told_of_a_battery_where_there_is_one() -> None:
    with_battery = replace(SITE, inverters=(Inverter("inverter-1", 3680.0, storage=Storage.AC),))
    alert = alert_of(Finding.NO_GENERATION)
    assert "solar panels and a battery." in " ".join(prose(written(alert, site=with_battery)))
    assert "battery" not in as_text(written(alert))


def test_with_several_inverters_only_some_panels_have_stopped() -> None:
    two = replace(SITE, inverters=(*SITE.inverters, Inverter("inverter-2", 3680.0)))
    letter = written(alert_of(Finding.NO_GENERATION), site=two)
    assert letter.subject == "12 Elm Road: some of your solar panels have stopped making power"


# What the trade reads


@every_row
def test_the_trade_finds_site_device_and_alert(row: tuple[Finding, str]) -> None:
    for name, told in every_letter(row, TRADE_ROLES):
        (figures,) = (dict(section.figures) for section in told.sections if section.figures)
        assert figures["Site"] == "12 Elm Road (home-1)", name
        assert figures["Device"] == SUBJECTS[row[0]], name
        serial = None if SUBJECTS[row[0]] in ("sensor-1", "site") else "G0012345" if row[0] in METERS else "A77"
        assert figures.get("Serial") == serial, name
        assert told.closing == f"PV Watcher, alert home-1/{row[0]}/{SUBJECTS[row[0]]}@20260609T1120Z", name


@every_row
def test_the_trade_is_always_sent_to_the_label_and_the_local_rules(row: tuple[Finding, str]) -> None:
    (safety,) = (section for section in written(alert_of(*row), Role.INSTALLER).sections if section.title == "Safety")
    text = " ".join(safety.steps)
    for needed in ("label", "local rules", "BS 7671", "prove dead", "AC first, then DC", "competent person", "height"):
        assert needed in text


def test_the_trade_reads_every_possible_cause() -> None:
    alert = replace(alert_of(Finding.NO_GENERATION), causes=("ac-side-off", "dc-side-off"))
    figures = dict(written(alert, Role.INSTALLER).sections[-1].figures)
    assert figures["Possible causes"] == "ac-side-off, dc-side-off"


# Figures in their place


def test_case_b1_a_stalled_meter_is_told_with_both_figures_the_last_move_and_the_serial() -> None:
    text = " ".join(prose(written(alert_of(Finding.METER_STALLED, "register-still"))))
    for needed in ("18452.3 kWh, last moved on Tuesday 9 June, 11:20", "about 14 kWh", "G0012345", "our estimate"):
        assert needed in text


def test_case_b1_the_end_of_a_stalled_meter_states_the_missed_energy_in_all() -> None:
    alert = cleared(alert_of(Finding.METER_STALLED), ClosedAs.RECOVERED)
    letter = written(alert, reason=MailReason.CLEARED, after_ms=50 * HOUR_MS)
    text = " ".join(prose(letter))
    assert letter.subject == "12 Elm Road: your solar meter is counting again"
    assert "It began on Tuesday 9 June, 11:20 and was over by Thursday 11 June, 13:20." in text
    assert "About 14 kWh of solar power was made but not counted (between 12 and 16 kWh)." in text


def test_case_b1_a_meter_that_is_not_heard_loses_nothing_as_far_as_anyone_knows() -> None:
    text = as_text(written(alert_of(Finding.METER_SILENT)))
    assert "HOW MUCH" not in text
    assert "This does not mean that the meter has stopped." in " ".join(text.split())


def test_case_g1_half_the_current_at_normal_voltage_reads_as_one_of_two_strings() -> None:
    alert = alert_of(Finding.STRING_OPEN, "parallel-string")
    trade = " ".join(prose(written(alert, Role.INSTALLER)))
    assert "inverter-1, input 2 gives about half of its usual current at normal voltage" in trade
    assert "7.9 A at 262 V; usual voltage here 262 V." in trade
    home = " ".join(prose(written(alert)))
    assert "It is one of two rows that work side by side. Together they now give about half" in home


def test_case_g1_an_ac_only_step_reads_as_possibly_one_of_two_strings() -> None:
    alert = alert_of(Finding.OUTPUT_LOW, "step-fraction")
    assert "Possibly one of two strings is out." in " ".join(prose(written(alert, Role.INSTALLER)))
    assert "Perhaps one of two rows of panels has failed." in " ".join(prose(written(alert)))


def test_a_detector_that_knows_no_number_of_strings_is_not_quoted_with_none() -> None:
    alert = alert_of(Finding.OUTPUT_LOW, "", {"share": 0.72, "days": 3.0, "strings": 0.0})
    assert "strings" not in " ".join(label for label, _ in written(alert, Role.INSTALLER).sections[-1].figures).lower()
    assert "Over the last three days they made about 72% of what they should." in " ".join(prose(written(alert)))


@pytest.mark.parametrize(
    ("cause", "side"),
    [
        pytest.param("ac-side-off", "the AC side is off", id="W1: awake, no grid voltage"),
        pytest.param("dc-side-off", "the DC side is probably off", id="W2: silent"),
    ],
)
def test_case_g2_the_trade_is_told_the_likely_side(cause: str, side: str) -> None:
    assert side in " ".join(prose(written(alert_of(Finding.NO_GENERATION, cause), Role.INSTALLER)))


def test_case_h2_a_reminder_says_how_long_and_how_much() -> None:
    alert = replace(
        alert_of(Finding.NO_GENERATION), loss_mwh=213_000_000, loss_low_mwh=170_000_000, loss_high_mwh=250_000_000
    )
    letter = written(alert, reason=MailReason.REMINDER, after_ms=30 * DAY_MS)
    assert letter.subject == "Still not put right: 12 Elm Road: your solar panels have stopped making power"
    text = " ".join(prose(letter))
    assert "That is now 30 days ago, and it is still not put right." in text
    assert "About 210 kWh of solar power has been lost (between 170 and 250 kWh)." in text


def test_an_onset_known_only_roughly_is_told_as_an_interval() -> None:
    alert = replace(alert_of(Finding.NO_GENERATION), onset_high_ms=ONSET_MS + 4 * HOUR_MS)
    assert "It began some time between 11:20 and 15:20 on Tuesday 9 June." in prose(written(alert))


def test_an_onset_known_to_the_quarter_hour_is_told_as_one_time() -> None:
    alert = replace(alert_of(Finding.NO_GENERATION), onset_high_ms=ONSET_MS + 15 * MINUTE_MS)
    assert "It began on Tuesday 9 June, 11:20." in prose(written(alert))


def test_a_withdrawn_alert_says_that_we_were_wrong_and_claims_no_loss() -> None:
    alert = cleared(alert_of(Finding.METER_STALLED), ClosedAs.WITHDRAWN)
    letter = written(alert, reason=MailReason.CLEARED)
    assert "We were wrong: your solar meter was counting all the time." in prose(letter)
    assert "kWh" not in as_text(letter)


@pytest.mark.parametrize(
    ("role", "contacts", "sees"),
    [
        pytest.param(Role.PAYEE, (Role.PAYEE,), True, id="payee"),
        pytest.param(Role.OWNER, (Role.OWNER,), True, id="owner, nobody else is paid"),
        pytest.param(Role.OWNER, (Role.OWNER, Role.PAYEE), False, id="owner, someone else is paid"),
        pytest.param(Role.INSTALLER, (Role.OWNER,), True, id="installer"),
        pytest.param(Role.OCCUPIER, (Role.OCCUPIER,), False, id="occupier"),
        pytest.param(Role.LANDLORD, (Role.LANDLORD,), False, id="landlord"),
        pytest.param(Role.OPERATOR, (Role.OPERATOR,), False, id="operator"),
    ],
)
def test_money_is_told_only_to_whom_it_concerns(role: Role, contacts: tuple[Role, ...], sees: bool) -> None:
    site = replace(SITE, contacts=tuple(Contact(each, f"{each}@home.example") for each in contacts))
    # 12.1 kWh x (16.5 p + half of 5.2 p) = £2.31; 16.0 kWh: £3.06
    assert ("between £2.30 and £3.10" in as_text(written(alert_of(Finding.METER_STALLED), role, site=site))) is sees


def test_a_known_contact_is_greeted_by_name_and_an_unknown_one_without() -> None:
    alert = alert_of(Finding.NO_GENERATION)
    assert written(alert).greeting == "Dear Jean Smith,"
    assert written(alert, Role.OCCUPIER).greeting == "Hello,"
    assert written(alert, Role.INSTALLER).greeting == ""

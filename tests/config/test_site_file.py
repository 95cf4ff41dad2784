"""A site file is read whole, checked whole, and answers with every problem at once."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.alert import policy
from watcher.config import MapsFound, listing, load_site
from watcher.config.site_words import OVERRIDES
from watcher.config.toml_text import read_text
from watcher.domain.errors import SetupError
from watcher.domain.instant import to_ms
from watcher.domain.papers import Approval, Battery, Country, Display, ReadWith, Shows, Side
from watcher.domain.site import Conversion, Label, MeterRole, Role, Scheme, SiteRecord, SourceKind

GOOD = """\
[site]
name = "Home"
latitude_deg = 51.5
longitude_deg = -0.4
altitude_m = 25
zone = "Europe/London"

[[array]]
id = "south"
tilt_deg = 35
azimuth_deg = 175.5
peak_power_w = 4000
input = "inverter-1.input-1"
conversion = "string"
[array.module]
vmp_v = 31.2
gamma_per_k = -0.0038

[[inverter]]
id = "inverter-1"
ac_limit_w = 3680
serial = "0012345"

[[meter]]
id = "meter-1"
role = "generation"
covers = ["inverter-1"]
certified_until = 2031-05-31

[[sensor]]
id = "sensor-1"
plane = "south"

[[source]]
kind = "modbus-tcp"
device = "inverter-1"
address = "10.0.0.5:502"

[[contact]]
role = "owner"
email = "owner@example.org"

[payment]
scheme = "feed-in"
[[payment.rate]]
pence_per_kwh = 15.44
paid_on = "generation"
from = 2015-04-01

[papers]
commissioned = 2015-03-20

[policy.meter-silent]
hours = 12
"""


def changed(old: str, new: str) -> str:
    assert old in GOOD
    return GOOD.replace(old, new, 1)


def told(text: str, id: str = "home-1") -> str:
    with pytest.raises(SetupError) as error:
        load_site(text, "sites/home-1.toml", id, MapsFound())
    return str(error.value)


def test_a_good_file_becomes_the_record_it_describes() -> None:
    record = load_site(GOOD, "sites/home-1.toml", "home-1")
    site = record.at(to_ms(datetime(2026, 6, 21, tzinfo=UTC)))
    assert (site.id, site.name, site.zone.key, site.longitude_deg) == ("home-1", "Home", "Europe/London", -0.4)
    (array,) = site.arrays
    assert (array.azimuth_deg, array.conversion, array.module.vmp_v) == (175.5, Conversion.STRING, 31.2)
    assert array.module.imp_a is None
    assert site.inverters[0].serial == "0012345"
    assert (site.meters[0].role, site.meters[0].covers) == (MeterRole.GENERATION, ("inverter-1",))
    assert site.meters[0].certified_until == "2031-05-31"
    assert (site.sources[0].kind, site.sources[0].map, site.sources[0].label) == (
        SourceKind.MODBUS_TCP,
        "sunspec",
        Label.INSTANT,
    )
    assert (site.contacts[0].role, site.payment.scheme) == (Role.OWNER, Scheme.FEED_IN)
    # Local midnight in summer time is 23:00 UTC of the day before.
    assert site.payment.rates[0].from_ms == to_ms(datetime(2015, 3, 31, 23, tzinfo=UTC))
    assert site.policy == {"meter-silent": {"hours": 12.0}}


ADDRESS = 'address = "10.0.0.5:502"'
IN_TABLES = [
    # what stands in the good file, what is put in its place, what is said
    ("tilt_deg = 35", 'tilt_deg = "35"', ':10: array[0].tilt_deg = "35": must be a number without quotes, 0 to 90'),
    ("175.5", "540", ":11: array[0].azimuth_deg = 540: must be 0 to 360 (0 north, 90 east, 180 south)"),
    ("175.5", "nan", "array[0].azimuth_deg = nan: must be 0 to 360"),
    ("175.5", "true", "array[0].azimuth_deg = true: must be 0 to 360"),
    ("4000", "4.0", "array[0].peak_power_w = 4.0: must be 50 to 10000000 (W: 4 kW is 4000)"),
    ('"0012345"', "12345", "inverter[0].serial = 12345: a serial is text: put it in quotes, leading zeros count"),
    ('"string"', '"hybrid"', 'array[0].conversion = "hybrid": must be one of "string", "optimised", "micro"'),
    ('"Europe/London"', '"Europe"', 'site.zone = "Europe": must be the name of a time zone'),
    ('"Europe/London"', '"/etc/passwd"', 'site.zone = "/etc/passwd": must be the name of a time zone'),
    ('"Home"', r'"Home\nBcc: all@example.org"', 'site.name = "Home?Bcc: all@example.org": must be'),
    ("2031-05-31", '"2031-05-31"', 'meter[0].certified_until = "2031-05-31": must be a date without quotes'),
    ("2015-04-01", "2015-04-01T00:00:00", "payment.rate[0].from = 2015-04-01T00:00:00: must be a date"),
    ("owner@", "owner.", 'contact[0].email = "owner.example.org": must be one e-mail address'),
    ('"owner@example.org"', '"O <o@example.org>"', 'contact[0].email = "O <o@example.org>": must be one e-mail'),
    ("hours = 12", "hours = -1", "policy.meter-silent.hours = -1: must be 0 to"),
    ("tilt_deg", "tilt", ":10: array[0].tilt: unknown key, did you mean tilt_deg?"),
    ("address", "adress", ":37: source[0].adress: unknown key, did you mean address?"),
    ("[papers]", "[paper]", "paper: unknown key, did you mean papers?"),
    ("vmp_v", "vmp", "array[0].module.vmp: unknown key, did you mean vmp_v?"),
    ("[policy.meter-silent]", "[policy.meter-quiet]", "policy.meter-quiet: unknown key, did you mean meter-silent?"),
    ("hours = 12", "hour = 12", "policy.meter-silent.hour: unknown key, did you mean hours?"),
    ("altitude_m = 25", 'altitude_m = 25\nwifi = "GB"', "site.wifi: unknown key; known here: name, latitude_deg"),
    ("tilt_deg = 35\n", "", ":8: array[0].tilt_deg: missing; must be 0 to 90"),
    ("[[contact]]", "[contact]", "contact = a table: must be a list of tables"),
]
BETWEEN_ENTRIES = [
    ("inverter-1.input-1", "inverter-2.input-1", 'array[0].input = "inverter-2.input-1": no such inverter; this site'),
    ("inverter-1.input-1", "inverter-1", 'array[0].input = "inverter-1": must be an inverter and its input'),
    ('["inverter-1"]', '["inverter-3"]', 'meter[0].covers = "inverter-3": no such inverter; this site has inverter-1'),
    ('covers = ["inverter-1"]\n', "", "meter[0].covers: a generation meter says whose output passes it"),
    ('plane = "south"', 'plane = "north"', 'sensor[0].plane = "north": must be "horizontal" or the id of an array'),
    (
        'device = "inverter-1"',
        'device = "x"',
        'source[0].device = "x": no such device; this site has inverter-1, meter-1',
    ),
    ("10.0.0.5:502", "10.0.0.5", 'source[0].address = "10.0.0.5": must be "host:port", such as'),
    ("10.0.0.5:502", "10.0.0.5:70000", 'source[0].address = "10.0.0.5:70000": the port must be 1 to 65535'),
    (ADDRESS, "", 'source[0].address: must be "host:port"'),
    (ADDRESS, f'{ADDRESS}\nmap = "sunspecs"', 'source[0].map = "sunspecs": must be one of "sunspec"'),
    (ADDRESS, f"{ADDRESS}\nperiod_s = 60", 'source[0].label: label = "mean-ending" and period_s above 0 go together'),
    ('id = "meter-1"', 'id = "inverter-1"', 'meter[0].id = "inverter-1": already the name of another thing (inverter)'),
    ('id = "sensor-1"', 'id = "weather-nowcast"', "already the name of another thing (weather)"),
]
ADDED = [
    (
        '[[contact]]\nrole = "owner"\nemail = "owner@example.org"',
        'contact[1].email = "owner@example.org": stands twice',
    ),
    ('[[source]]\nkind = "file"\ndevice = "inverter-1"\naddress = "a.csv"', "already read by another source; keep one"),
    (
        '[[source]]\nkind = "weather"\ndevice = "meter-1"\naddress = "https://a.example"',
        "this site has weather-analysis",
    ),
    ('[[source]]\nkind = "mqtt"\ndevice = "meter-1"\naddress = "mqtt://me:secret@a:1883"', "without user or password"),
    ('[[source]]\nkind = "typed"\ndevice = "meter-1"\naddress = "hall"', "must be left out: a person reads this meter"),
    ('[display]\nshows = ["watts"]', 'display.shows = ["watts"]: must be a list of "energy", "power"'),
    ('[display]\nshows = "energy"', 'display.shows = "energy": must be a list of'),
    ('[battery]\nside = "roof"', 'battery.side = "roof": must be one of "house", "panels"'),
    ('[battery]\nlicensee_told = "yes"', "must be true or false, without quotes"),
    ('[[inverter]]\nid = "inverter-1"\nac_limit_w = 3680', "stands twice; a later entry needs its own from = DATE"),
]


@pytest.mark.parametrize(("old", "new", "expected"), [*IN_TABLES, *BETWEEN_ENTRIES])
def test_one_slip_is_one_problem_with_place_value_and_what_is_allowed(old: str, new: str, expected: str) -> None:
    message = told(changed(old, new))
    assert message.startswith("1 problem\n  sites/home-1.toml:"), message
    assert expected in message


@pytest.mark.parametrize(("addition", "expected"), ADDED)
def test_one_entry_too_many_is_one_problem(addition: str, expected: str) -> None:
    message = told(f"{GOOD}\n{addition}\n")
    assert message.startswith("1 problem\n  sites/home-1.toml:"), message
    assert expected in message
    assert "secret" not in message


@pytest.mark.parametrize("kind", ["array", "inverter", "source"])
def test_a_site_without_what_makes_it_one_is_refused(kind: str) -> None:
    assert f"{kind}: missing; must be a list of tables" in told(f"{kind} = []\n[site]\n")
    assert f"{kind}: missing; must be a list of tables" in told("[site]\n")
    assert "site = 3: must be a table" in told("site = 3")


def test_all_problems_come_at_once_and_in_the_order_of_the_file() -> None:
    text = (
        changed("tilt_deg = 35", "tilt = 35").replace("175.5", "540").replace('device = "inverter-1"', 'device = "x"')
    )
    with pytest.raises(SetupError) as error:
        load_site(text, "sites/home-1.toml", "home-1")
    assert listing(error.value.problems) == (
        "sites/home-1.toml: 3 problems\n"
        "  line 10: array[0].tilt: unknown key, did you mean tilt_deg?\n"
        "  line 11: array[0].azimuth_deg = 540: must be 0 to 360 (0 north, 90 east, 180 south)\n"
        '  line 36: source[0].device = "x": no such device; this site has inverter-1, meter-1, sensor-1'
    )


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("serial = 0012345", 'put it in quotes, serial = "0012345"'),
        ("country = NO", 'text in quotes: country = "NO"'),
        ("tilt_deg = 35o", 'text in quotes: tilt_deg = "35o"'),
        ("tilt_deg = 35,5", "decimals are written with a point: tilt_deg = 35.5"),
        ("certified_until = 31.05.2031", "a date is written year-month-day: 2026-02-01"),
        ("address = 10.0.100.5:502", 'text in quotes: address = "10.0.100.5:502"'),
        ('name = "Home', "the closing quote is missing"),
        ("name = \u201cHome\u201d", "straight ones"),
        ("tilt_deg =", "a value is missing after the ="),
        ("tilt_deg 35", "a key and its value are joined by =, as in tilt_deg = 35"),
        ("password = hunter2", "text in quotes"),
    ],
)
def test_a_slip_of_the_pen_is_explained_with_its_line(line: str, expected: str) -> None:
    message = told(f'[site]\nname = "Home"\n{line}\n[papers]\n')
    assert message.startswith("1 problem\n  sites/home-1.toml:3: ")
    assert expected in message
    assert "hunter2" not in message


@pytest.mark.parametrize("id", ["Home-1", "home_1", "1home", "home--1", "home-1.old", ""])
def test_the_name_of_the_file_must_be_fit_for_an_id(id: str) -> None:
    assert f'"{id}" names the site: lower case letters' in told(GOOD, id)


def test_a_byte_order_mark_and_windows_line_ends_are_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "home-1.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load_site(read_text(path), str(path), "home-1") == load_site(GOOD, "x", "home-1")


EXCHANGED = (
    GOOD
    + """
[[meter]]
id = "meter-1"
from = 2024-05-31
role = "generation"
covers = ["inverter-1"]
digits = 6

[[sensor]]
id = "sensor-1"
from = 2025-01-01
removed = true
"""
)


def test_a_later_entry_takes_over_on_its_day_and_a_removed_one_is_gone() -> None:
    record = load_site(EXCHANGED, "x", "home-1")
    exchange, removal = to_ms(datetime(2024, 5, 30, 23, tzinfo=UTC)), to_ms(datetime(2025, 1, 1, tzinfo=UTC))
    assert record.changes() == (exchange, removal)
    assert [record.at(at_ms).meter("meter-1").digits for at_ms in (exchange - 1, exchange)] == [5, 6]
    assert [len(record.at(at_ms).sensors) for at_ms in (removal - 1, removal)] == [1, 0]
    assert record.sensors[1].plane == "south", "what was removed can still be named"


LATE_INVERTER = """\
[[array]]
id = "west"
from = 2024-05-31
tilt_deg = 35
azimuth_deg = 270
peak_power_w = 2000
input = "inverter-2.input-1"
[[inverter]]
id = "inverter-2"
from = 2024-06-01
ac_limit_w = 2000
"""
ENDED = "from = 2024-05-31\nremoved = true\n"


@pytest.mark.parametrize(
    ("addition", "expected"),
    [
        (
            f'[[inverter]]\nid = "inverter-1"\n{ENDED}',
            'array[0].input = "inverter-1": inverter-1 is not there on 2024-05-31',
        ),
        (LATE_INVERTER, "inverter-2 is not there on 2024-05-31: its first entry begins later"),
        (f'[[sensor]]\nid = "sensor-2"\n{ENDED}', "sensor[1].removed = true: no earlier entry of this id"),
        ('[[sensor]]\nid = "sensor-1"\nremoved = true\n', "sensor[1].from: missing; must be a date"),
        (f'[[sensor]]\nid = "sensor-1"\nplane = "south"\n{ENDED}', "sensor[1].plane: unknown key"),
    ],
)
def test_dated_entries_must_agree_at_every_time(addition: str, expected: str) -> None:
    assert expected in told(GOOD + addition)


def test_what_the_metering_check_asks_for_is_not_known_until_it_is_written() -> None:
    bare = load_site(GOOD, "x", "home-1").base
    assert (bare.country, bare.display, bare.battery) == (None, None, None)
    told_of = changed('zone = "Europe/London"', 'zone = "Europe/London"\ncountry = "northern-ireland"')
    told_of = told_of.replace("certified_until", 'approval = "mid"\nread_with = "ladder"\ncertified_until')
    told_of += (
        '\n[display]\nplace = "hall"\nshows = ["energy", "power"]\n[battery]\nside = "panels"\ngrid_charging = false\n'
    )
    record = load_site(told_of, "x", "home-1")
    site = record.at(0)
    assert site.country is Country.NORTHERN_IRELAND
    assert (site.meters[0].approval, site.meters[0].read_with) == (Approval.MID, ReadWith.LADDER)
    assert site.display == Display("hall", (Shows.ENERGY, Shows.POWER))
    assert site.battery == Battery(Side.PANELS, grid_charging=False)


def test_a_meter_that_is_polled_and_typed_is_polled_first() -> None:
    typed = GOOD + '\n[[source]]\nkind = "typed"\ndevice = "meter-1"\n'
    polled = typed + '\n[[source]]\nkind = "modbus-rtu"\ndevice = "meter-1"\naddress = "/dev/ttyUSB0"\n'
    source = load_site(polled, "x", "home-1").at(0).source_of("meter-1")
    assert source is not None
    assert source.kind is SourceKind.MODBUS_RTU


def test_every_override_a_site_file_may_make_is_one_the_policy_knows() -> None:
    overrides = {finding: dict.fromkeys(key.inside or (), 1.0) for finding, key in OVERRIDES.items()}
    assert policy.problems(overrides, "x") == ()
    assert all(overrides.values())


_SNIPPETS = st.sampled_from(
    [
        *("", "\n", '"', "'", "=", "[", "]", "[[", '"""', "#", ".", "-", "0", "{}", "[[]]"),
        *("1e999", "nan", "-inf", "true", "2024-02-30", "0x" + "f" * 40, '"inverter-2"'),
        *("removed = true\n", "from = 2024-05-31\n", "\x00", "\u2028", "é"),
    ]
)


def read_or_refused(text: str) -> SiteRecord | None:
    """The record, or None with the refusal looked at; anything else that is raised fails the test."""
    try:
        return load_site(text, "x", "home-1")
    except SetupError as error:
        refusal = error
    assert refusal.problems
    assert all(problem.place.startswith("x") and problem.allowed for problem in refusal.problems)
    assert listing(refusal.problems).startswith("x: ")
    return None


@given(
    st.lists(st.tuples(st.integers(0, len(EXCHANGED)), st.integers(0, 12), _SNIPPETS | st.text(max_size=3)), max_size=4)
)
def test_however_a_file_is_damaged_it_is_read_or_refused_in_words(damages: list[tuple[int, int, str]]) -> None:
    text = EXCHANGED
    for at, cut, put in damages:
        text = text[:at] + put + text[at + cut :]
    record = read_or_refused(text)
    if record is not None:
        for at_ms in (0, *record.changes()):
            site = record.at(at_ms)
            assert all(site.inverter(array.inverter) for array in site.arrays)


@given(st.permutations([line for line in EXCHANGED.splitlines() if "=" in line]))
def test_swapped_lines_are_read_or_refused_in_words(lines: list[str]) -> None:
    remaining = iter(lines)
    read_or_refused("\n".join(next(remaining) if "=" in line else line for line in EXCHANGED.splitlines()))

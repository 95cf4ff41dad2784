"""`watcher import`: what becomes of every row of a table."""

from __future__ import annotations

import gzip

from tests.commands.conftest import HOME, Place, a_day, power_w
from watcher.domain.instant import DAY_MS, GRACE_MS
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings

ALL_OF_TIME = (0, 2**62)


def test_a_table_becomes_the_history_of_a_site_never_judged(place: Place) -> None:
    code, out, _ = place.import_power()
    assert code == 0
    assert "power.csv: 288 rows, 288 kept, 288 values" in out
    assert "store: 288 new, 0 there already, 0 at odds" in out
    with SqliteReadings.open_reader(place.files.readings) as readings:
        column = readings.window("home-1", None, *ALL_OF_TIME, 0)["inverter-1.ac_power"]
        assert readings.late("home-1", *ALL_OF_TIME) == []
        # The last row's interval may be judged, and nothing after it.
        assert readings.received_through("home-1") == a_day().stop + GRACE_MS
    assert list(column.time_ms) == list(a_day())
    assert list(column.value) == [power_w(at) for at in a_day()]


def test_importing_twice_changes_nothing(place: Place) -> None:
    place.import_power()
    with SqliteReadings.open_reader(place.files.readings) as readings:
        before = readings.count("home-1"), readings.received_through("home-1")
    code, out, _ = place.import_power()
    assert code == 0
    assert "store: 0 new, 288 there already, 0 at odds" in out
    with SqliteReadings.open_reader(place.files.readings) as readings:
        assert (readings.count("home-1"), readings.received_through("home-1")) == before


def test_a_second_story_of_the_same_instant_is_at_odds_and_the_first_stays(place: Place) -> None:
    place.import_power()
    first, second = a_day()[:2]
    other = place.table("other", [(first, power_w(first) - 1), (second, power_w(second))])
    code, out, _ = place.run("import", other, "--site", "home-1", "--columns", place.folder / "power.toml")
    assert code == 0
    assert "store: 0 new, 1 there already, 1 at odds (the first stays)" in out
    with SqliteReadings.open_reader(place.files.readings) as readings:
        assert readings.window("home-1", None, *ALL_OF_TIME, 0)["inverter-1.ac_power"].value[0] == power_w(first)


def test_rows_for_a_site_that_was_judged_are_late(place: Place) -> None:
    place.import_power()
    place.judge()
    code, out, _ = place.import_meter()
    assert code == 0
    assert "store: 288 new" in out
    with SqliteReadings.open_reader(place.files.readings) as readings, Ledger(place.files.ledger_url) as ledger:
        (late,) = readings.late("home-1", *ALL_OF_TIME)
        judged_ms = ledger.evaluated_until("home-1")
    assert (late.channel, late.first_ms, late.last_ms) == ("meter-1.energy_index", a_day()[0], a_day()[-1])
    assert judged_ms is not None
    assert late.received_ms > judged_ms


def test_values_that_are_no_measurement_are_refused_by_name_and_the_others_kept(place: Place) -> None:
    first, second, third, fourth = a_day()[:4]
    rows: list[tuple[int, float | str]] = [(first, 100), (second, "3 kW"), (third, "-1000000000.0"), (fourth, "")]
    table = place.table("power", rows)
    columns = place.map("power", "inverter-1.ac_power", "W")
    code, out, _ = place.run("import", table, "--site", "home-1", "--columns", columns)
    assert code == 0
    assert "power.csv: 4 rows, 1 kept, 1 values" in out
    assert "1 cells mean no reading" in out
    assert "2 values refused:" in out
    assert f'{table}:3: value = "3 kW"' in out
    assert f'{table}:4: value = "-1000000000.0": must be' in out


def test_a_table_of_which_nothing_can_be_kept_is_bad_input(place: Place) -> None:
    table = place.table("power", [(a_day()[0], "none")])
    code, out, _ = place.run(
        "import", table, "--site", "home-1", "--columns", place.map("power", "inverter-1.ac_power", "W")
    )
    assert code == 2
    assert "1 values refused" in out


def test_a_packed_table_is_read_as_it_is(place: Place) -> None:
    table = place.table("power", ((at, 2000) for at in a_day()))
    packed = table.with_suffix(".csv.gz")
    packed.write_bytes(gzip.compress(table.read_bytes()))
    columns = place.map("power", "inverter-1.ac_power", "W")
    assert place.run("import", packed, "--site", "home-1", "--columns", columns)[0] == 0
    packed.write_bytes(packed.read_bytes()[:-20])
    code, _, err = place.run("import", packed, "--site", "home-1", "--columns", columns)
    assert code == 2
    assert f"{packed}: 1 problem" in err


def test_an_unknown_site_is_refused_and_the_known_ones_are_named(place: Place) -> None:
    table = place.table("power", [(a_day()[0], 1)])
    columns = place.map("power", "inverter-1.ac_power", "W")
    code, out, err = place.run("import", table, "--site", "home-7", "--columns", columns)
    assert (code, out) == (2, "")
    assert "site = home-7" in err
    assert "home-1" in err
    assert not place.files.folder.exists()


def test_a_channel_of_a_device_the_site_does_not_have_is_refused_before_anything_is_stored(place: Place) -> None:
    table = place.table("power", [(a_day()[0], 1)])
    columns = place.map("power", "inverter-2.ac_power", "W")
    code, out, err = place.run("import", table, "--site", "home-1", "--columns", columns)
    assert (code, out) == (2, "")
    assert "column.channel = inverter-2.ac_power: the site has no inverter-2; it has inverter-1, meter-1" in err
    assert not place.files.folder.exists()


def test_a_device_that_was_removed_since_still_has_its_history(place: Place) -> None:
    gone = f'\n[[meter]]\nid = "meter-1"\nfrom = {"2020-01-01"}\nremoved = true\n'
    place.site_file("home-1", HOME + gone)
    assert place.import_meter()[0] == 0


def test_a_table_that_is_not_there_is_said(place: Place) -> None:
    missing = place.folder / "nothing.csv"
    columns = place.map("power", "inverter-1.ac_power", "W")
    code, _, err = place.run("import", missing, "--site", "home-1", "--columns", columns)
    assert code == 2
    assert f"{missing}: 1 problem" in err


def test_rows_that_lie_ahead_of_now_do_not_move_what_may_be_judged(place: Place) -> None:
    ahead = [(at + 10 * DAY_MS, 2000) for at in a_day()]
    table = place.table("power", ahead)
    columns = place.map("power", "inverter-1.ac_power", "W")
    assert place.run("import", table, "--site", "home-1", "--columns", columns)[0] == 0
    with SqliteReadings.open_reader(place.files.readings) as readings:
        through_ms = readings.received_through("home-1")
    assert through_ms is not None
    assert through_ms < ahead[0][0]

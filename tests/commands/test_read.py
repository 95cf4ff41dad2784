"""`watcher read`: from the command line to the log, with questions, answers and pictures."""

from __future__ import annotations

import io
import math
from pathlib import Path

import pytest
from PIL import Image

from tests.commands.conftest import HOME, Place
from watcher.align.entry_check import index_of
from watcher.align.typed import Standing, TypedReading, typed_readings
from watcher.clock import SystemClock
from watcher.domain.event import EventKind
from watcher.domain.instant import DAY_MS, HOUR_MS, floor_grid, iso, parse_iso
from watcher.photo import kept_photo
from watcher.store.ledger import Ledger

END = floor_grid(SystemClock().now_ms()) - 2 * DAY_MS
WEEKS = tuple(END - (2 - week) * 7 * DAY_MS for week in range(3))


@pytest.fixture
def home(place: Place) -> Place:
    """A home whose inverter counted 82 kWh in one week and 83.1 in the next, and whose meter was read at 41,289."""
    rows = [(WEEKS[0] + hours * HOUR_MS, 100_000 + 490 * hours) for hours in range(14 * 24)]
    rows = [row for row in rows if row[0] < WEEKS[1]] + [(WEEKS[1], 182_000), (WEEKS[2], 265_100)]
    table = place.table("counter", rows)
    columns = place.map("counter", "inverter-1.ac_energy", "Wh")
    code, out, err = place.run("import", table, "--site", "home-1", "--columns", columns)
    assert code == 0, out + err
    assert place.run("read", "home-1", "meter-1", "41207", "--at", iso(WEEKS[0]))[0] == 0
    assert place.run("read", "home-1", "meter-1", "41289", "--at", iso(WEEKS[1]))[0] == 0
    return place


def readings(place: Place) -> tuple[TypedReading, ...]:
    with Ledger(place.files.ledger_url) as ledger:
        return typed_readings(ledger.events("home-1", 2**62)[0], "meter-1")


def test_case_b5_a_slip_is_asked_about_and_the_right_value_offered(home: Place) -> None:
    code, out, _ = home.run("read", "home-1", "meter-1", "41731", "--at", iso(WEEKS[2]))
    assert code == 1
    assert "41,371.0 was meant" in out
    assert "Between 41,360 and 41,385 was to be expected." in out
    assert readings(home)[-1].standing is Standing.ASKED
    code, out, _ = home.run("read", "home-1", "meter-1", "41731", "--at", iso(WEEKS[2]), "--accept", "--who", "Jo")
    assert (code, "41,371.0 kWh" in out) == (0, True)
    last = readings(home)[-1]
    assert (last.index_wh, last.typed, last.standing) == (41_371e3, "41731", Standing.GOOD)


def test_a_value_may_be_confirmed_at_once_and_withdrawn_later(home: Place) -> None:
    at = ("--at", iso(WEEKS[2]))
    assert home.run("read", "home-1", "meter-1", "41300", *at, "--confirm")[0] == 0
    assert readings(home)[-1].standing is Standing.GOOD
    assert home.run("read", "home-1", "meter-1", *at, "--withdraw")[0] == 0
    assert readings(home)[-1].standing is Standing.WITHDRAWN
    code, out, _ = home.run("read", "home-1", "meter-1")
    assert code == 0
    assert "41,300.0 kWh  withdrawn" in out


def test_a_person_at_the_keyboard_is_asked_at_once(home: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    class Keyboard(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr("sys.stdin", Keyboard("o\n"))
    code, out, _ = home.run("read", "home-1", "meter-1", "51371", "--at", iso(WEEKS[2]))
    assert code == 0
    assert "One digit may have been misread." in out
    assert readings(home)[-1].index_wh == 41_371e3


def test_the_figure_of_the_inverters_own_display_is_known_again(home: Place) -> None:
    code, out, _ = home.run("read", "home-1", "meter-1", "265.1", "--at", iso(WEEKS[2]))
    assert code == 1
    assert "It looks like the figure of inverter-1." in out


def test_a_display_that_cannot_be_read_is_recorded(home: Place) -> None:
    assert home.run("read", "home-1", "meter-1", "--unreadable", "--who", "Jo")[0] == 0
    with Ledger(home.files.ledger_url) as ledger:
        last = ledger.events("home-1", 2**62)[0][-1]
    assert (last.kind, last.values) == (EventKind.TYPED_READING, {"unreadable": 1.0, "who": "Jo"})


def picture(**saved: object) -> bytes:
    out = io.BytesIO()
    Image.linear_gradient("L").resize((640, 480)).save(out, format="JPEG", **saved)  # type: ignore[arg-type]
    return out.getvalue()


def located() -> bytes:
    """A picture that says where it was taken, by what, and that it is to be turned."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0112] = "a telephone", 6
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (53.0, 28.0, 54.0)
    return picture(exif=exif, comment=b"at home")


def test_a_picture_is_kept_without_its_place_and_tied_to_the_reading(home: Place, tmp_path: Path) -> None:
    path = tmp_path / "meter.jpg"
    path.write_bytes(located())
    assert b"a telephone" in located()
    code, out, err = home.run("read", "home-1", "meter-1", "41372", "--at", iso(WEEKS[2]), "--photo", path)
    assert code == 0, out + err
    with Ledger(home.files.ledger_url) as ledger:
        kept = ledger.document(readings(home)[-1].photo)
    assert kept is not None
    assert kept.media == "image/jpeg"
    with Image.open(io.BytesIO(kept.content)) as shown:
        assert shown.size == (480, 640), "turned as it was held"
        assert dict(shown.getexif()) == {}
        assert "comment" not in shown.info
    assert b"a telephone" not in kept.content


def test_the_same_picture_is_kept_once_under_the_same_name() -> None:
    assert kept_photo(located()) == kept_photo(located())
    assert kept_photo(located()).sha256 != kept_photo(picture()).sha256


def test_a_large_picture_is_made_smaller() -> None:
    out = io.BytesIO()
    Image.new("RGB", (5000, 2500), "grey").save(out, format="PNG")
    with Image.open(io.BytesIO(kept_photo(out.getvalue()).content)) as shown:
        assert shown.size == (2000, 1000)


def bomb() -> bytes:
    """A small file that says it is a picture of a great many pixels."""
    out = io.BytesIO()
    Image.new("1", (30_000, 30_000)).save(out, format="PNG")
    return out.getvalue()


@pytest.mark.parametrize("content", [b"", b"no picture", located()[:300], bomb()], ids=["empty", "text", "cut", "bomb"])
def test_what_is_no_picture_is_refused_in_words(content: bytes) -> None:
    with pytest.raises(ValueError, match="picture"):
        kept_photo(content)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param(["home-9", "meter-1", "5"], "no such site; there are home-1", id="no such site"),
        pytest.param(["home-1", "meter-7", "5"], "no such meter; there are meter-1", id="no such meter"),
        pytest.param(["home-1", "meter-1", "5 or 6"], "no meter reading", id="no number"),
        pytest.param(["home-1", "meter-1", "-5"], "no meter reading", id="below zero"),
        pytest.param(["home-1", "meter-1", "5", "--at", "noon"], "ISO 8601", id="no time"),
        pytest.param(["home-1", "meter-1", "5", "--at", iso(2**43)], "lies ahead", id="not yet"),
        pytest.param(["home-1", "meter-1", "5", "--photo", "/nowhere.jpg"], "--photo", id="no such file"),
        pytest.param(["home-1", "meter-1", "--withdraw", "--at", iso(0)], "no reading was typed", id="never typed"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_recorded(place: Place, arguments: list[str], said: str) -> None:
    code, _, err = place.run("read", *arguments)
    assert code == 2
    assert said in err
    assert not place.files.ledger.exists() or readings(place) == ()


@pytest.mark.parametrize(
    "text", ["41371", "41,371", "41 371 kWh", "41371.0", "41371,0", "041371", "41.371e3"[:0] + "41371."]
)
def test_an_index_is_read_as_people_write_it(text: str) -> None:
    assert math.isclose(index_of(text), 41_371.0)


def test_a_home_with_nothing_measured_takes_readings_too(place: Place) -> None:
    place.site_file("home-2", HOME)
    early = iso(parse_iso("2020-03-01T09:00Z"))
    assert place.run("read", "home-2", "meter-1", "100", "--at", early)[0] == 0
    assert place.run("read", "home-2", "meter-1", "400", "--at", iso(parse_iso("2020-06-01T09:00Z")))[0] == 0
    code, out, _ = place.run("read", "home-2", "meter-1", "300", "--at", iso(parse_iso("2020-09-01T09:00Z")))
    assert (code, "100 kWh less than the last reading, 400.0" in out) == (1, True)

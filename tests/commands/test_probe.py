"""`watcher probe` against real devices on loopback: what it prints, saves, writes, and how it ends."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.commands.conftest import HOME, Place
from tests.commands.running import PATIENCE_S, REPO, simulated_home
from watcher.cli import main
from watcher.config import load_map
from watcher.probe.page import WIDTH
from watcher.probe.suspicion import Suspect

MAP = REPO / "config" / "devices" / "simulated-inverter.toml"
README = (REPO / "README.md").read_text(encoding="utf-8")


@contextmanager
def odd_device(*arguments: str) -> Iterator[str]:
    """The odd device as a process; its address."""
    child = subprocess.Popen(
        [sys.executable, "-m", "watcher.simulate.odd_device", *arguments],
        stdout=subprocess.PIPE, text=True, cwd=REPO,
    )  # fmt: skip
    assert child.stdout is not None
    try:
        yield f"127.0.0.1:{json.loads(child.stdout.readline())['modbus']}"
    finally:
        child.send_signal(signal.SIGTERM)
        child.wait(PATIENCE_S)
        child.stdout.close()


def probe(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str]:
    capsys.readouterr()
    code = main(["probe", *map(str, arguments)])
    return code, capsys.readouterr().out


def test_a_sound_device_is_all_well(capsys: pytest.CaptureFixture[str]) -> None:
    with odd_device() as address:
        code, out = probe(capsys, address, "--map", MAP, "--seconds", "0.2")
    assert code == 0
    assert "Nothing looks wrong." in out
    assert out.startswith("This only reads.")
    assert "for the competent" in out
    assert max(len(line) for line in out.splitlines()) <= WIDTH


FAULTS = ["word-order", "byte-order", "off-by-one", "wrong-table", "factor-of-ten", "sentinel-as-value", "sign-turned"]


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_named_over_the_wire_and_its_map_can_be_put_right(
    fault: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written = tmp_path / "put-right.toml"
    with odd_device("--fault", fault) as address:
        code, out = probe(
            capsys, address, "--map", MAP, "--seconds", "0.2", "--write-map", written, "--fix", "all"
        )  # fmt: skip
        assert code == 1
        assert re.findall(r"^\d+\. (\S+)$", out, re.MULTILINE) == [fault]
        assert load_map(written.read_text(encoding="utf-8"), str(written), "put-right")
        assert f"{fault} (put right)" in written.read_text(encoding="utf-8")
        code, out = probe(capsys, address, "--map", written, "--seconds", "0.2")
    assert (code, "Nothing looks wrong." in out) == (0, True)


def test_a_map_is_written_as_it_was_where_nothing_is_to_be_put_right(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written = tmp_path / "as-seen.toml"
    with odd_device("--fault", "word-order") as address:
        probe(capsys, address, "--map", MAP, "--seconds", "0.2", "--write-map", written)
    text = written.read_text(encoding="utf-8")
    mapped = load_map(MAP.read_text(encoding="utf-8"), str(MAP), "as-seen")
    assert load_map(text, str(written), "as-seen") == mapped
    assert "# word-order (not put right): The registers of these numbers stand in the other order." in text


def test_a_saved_probe_is_judged_again_at_a_desk_with_the_same_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    saved = tmp_path / "saved.txt"
    with odd_device("--fault", "byte-order") as address:
        code, out = probe(capsys, address, "--map", MAP, "--seconds", "0.2", "--bundle", saved)
    assert address not in saved.read_text(encoding="utf-8")
    assert address.partition(":")[0] not in saved.read_text(encoding="utf-8")
    again, told = probe(capsys, "--from", saved)
    assert again == code == 1
    assert told[told.index("Unit 1") :].rstrip() == out[out.index("Unit 1") : out.index("Nothing was changed")].rstrip()


def test_a_map_can_be_written_from_a_saved_probe(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    saved, written = tmp_path / "saved.txt", tmp_path / "put-right.toml"
    with odd_device("--fault", "off-by-one") as address:
        probe(capsys, address, "--map", MAP, "--seconds", "0.2", "--bundle", saved)
    code, out = probe(capsys, "--from", saved, "--write-map", written, "--fix", "off-by-one")
    assert code == 1
    assert f"Written: {written}"[:40] in out
    text = written.read_text(encoding="utf-8")
    assert "address_base = 1" in text
    assert [p.value.first for p in load_map(text, "w", "put-right").points][:3] == [0, 1, 2]


def test_the_simulated_home_describes_itself_and_is_held_against_its_site_file(place: Place, tmp_path: Path) -> None:
    with simulated_home(tmp_path) as ports:
        address = f"127.0.0.1:{ports.modbus}"
        sources = "".join(
            f'\n[[source]]\nkind = "modbus-tcp"\ndevice = "{device}"\naddress = "{address}"\nunit = {unit}\n'
            for device, unit in (("inverter-1", 1), ("meter-1", 2))
        )
        site = re.sub(r'\n\[\[source\]\]\nkind = "file".*?every_s = 300\n', "", HOME, flags=re.DOTALL)
        place.site_file("home-1", site + sources)
        code, out, _ = place.run("probe", address, "--unit", "1,2", "--site", "home-1", "--seconds", "0.2")
    assert (code, out.count("Nothing looks wrong.")) == (0, 2)
    assert "Unit 1: Simulated Inverter 1.0" in out
    assert "Unit 2: Simulated Meter 1.0" in out
    assert "energy_export" in out


def test_a_stranger_is_searched_and_its_hints_are_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    written = tmp_path / "found.toml"
    with odd_device() as address:
        code, out = probe(
            capsys, address, "--scan", "0-49", "--seconds", "0.2", "--write-map", written
        )  # fmt: skip
    assert code == 0
    assert "input 1-31" in out
    assert "50.01 Hz, scale 0.01" in out
    found = load_map(written.read_text(encoding="utf-8"), str(written), "found")
    assert [(point.name, point.address) for point in found.points] == [("frequency", 1), ("l1.ac_voltage", 2)]


def test_nobody_there_is_said_and_ends_with_1(capsys: pytest.CaptureFixture[str]) -> None:
    with odd_device() as address:
        pass
    code, out = probe(capsys, address, "--timeout", "0.5")
    assert code == 1
    assert "Refused by port" in " ".join(out.split())
    assert "Nothing was changed on the device." in out


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "either an address to ask, or --from a saved probe"),
        (["127.0.0.1:502", "--from", "x"], "either an address to ask, or --from a saved probe"),
        (["192.168.1.20"], 'must be "host:port"'),
        (["h:502", "--unit", "0-300"], "must be unit ids 0 to 247"),
        (["h:502", "--unit", "one"], "must be unit ids 0 to 247"),
        (["h:502", "--seconds", "-1"], "must be 0 to 3600"),
        (["h:502", "--timeout", "0"], "must be 0.1 to 30 seconds"),
        (["h:502", "--fix", "word-order"], "changes the map that --write-map writes"),
        (["h:502", "--fix", "luck", "--write-map", "m.toml"], "must be of sentinel-as-value, wrong-table,"),
        (["h:502", "--scan", "9-1"], "must be ranges of addresses"),
        (["h:502", "--map", "x", "--scan", "0-9"], "leave it or --map out"),
        (["h:502", "--map", "nothing-of-the-kind"], "must be one of"),
        (["h:502", "--map", "nothing.toml"], "nothing.toml"),
        (["h:502", "--bundle", "no/such/folder/b.txt"], "no such folder"),
        (["--from", "no-such-file"], "no-such-file"),
        (["--from", "no-such-file", "--site", "home-1"], "a saved probe carries its own"),
        (["h:502", "--site", "nobody"], "no such site"),
        (["h:502", "--baud", "9600"], "belong to a serial line"),
        (["/dev/ttyUSB0", "--baud", "14400"], "must be one of 1200, 2400"),
        (["/dev/ttyUSB0", "--unit", "0"], "on a serial line a unit id is 1 to 247"),
    ],
)
def test_bad_input_is_refused_in_words_before_anything_is_asked(arguments: list[str], told: str, place: Place) -> None:
    code, out, err = place.run("probe", *arguments)
    assert (code, out) == (2, "")
    assert told in err


def test_a_file_that_is_there_is_never_written_over(place: Place) -> None:
    kept = place.folder / "kept.txt"
    kept.write_text("mine", encoding="utf-8")
    for option in ("--bundle", "--write-map"):
        code, _, err = place.run("probe", "h:502", option, kept)
        assert (code, "is there already" in err) == (2, True)
    assert kept.read_text(encoding="utf-8") == "mine"


def test_a_unit_the_site_does_not_read_is_named_with_those_it_reads(place: Place) -> None:
    source = '\n[[source]]\nkind = "modbus-tcp"\ndevice = "inverter-1"\naddress = "h:502"\nunit = 4\n'
    site = re.sub(
        r'\n\[\[source\]\]\nkind = "file"\ndevice = "inverter-1".*?every_s = 300\n', source, HOME, flags=re.DOTALL
    )
    place.site_file("home-1", site)
    code, _, err = place.run("probe", "h:502", "--site", "home-1", "--unit", "9")
    assert code == 2
    assert "it reads inverter-1 (unit 4)" in err


def test_a_serial_port_that_is_not_there_is_said_and_ends_with_1(capsys: pytest.CaptureFixture[str]) -> None:
    code, out = probe(capsys, "/dev/no-such-port", "--map", MAP, "--baud", "19200", "--parity", "even")
    assert code == 1
    assert "There is no serial port /dev/no-such-port" in " ".join(out.split())


@pytest.mark.parametrize("suspect", list(Suspect))
def test_every_suspicion_is_explained_in_the_readme(suspect: Suspect) -> None:
    assert f"`{suspect}`" in README


def test_the_transcript_in_the_readme_is_what_a_run_prints(capsys: pytest.CaptureFixture[str]) -> None:
    """Both commands are the README's own, but for the port, which is taken as it comes."""
    assert "python -m watcher.simulate.odd_device --fault word-order --port 5020" in README
    command = "watcher probe 127.0.0.1:5020 --map config/devices/simulated-inverter.toml --seconds 2"
    shown = README.partition(f"$ {command}\n")[2].partition("\n```")[0]
    with odd_device("--fault", "word-order") as address:
        code, out = probe(capsys, *command.replace("127.0.0.1:5020", address).split()[2:])
    assert code == 1
    assert out.rstrip() == shown.rstrip()

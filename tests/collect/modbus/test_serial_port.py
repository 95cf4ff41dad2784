"""A serial port is ours alone, and why it cannot be had is said in words."""

from __future__ import annotations

import errno
import fcntl
import os
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from tests.collect.modbus.serial_wire import pair
from watcher.collect.modbus.serial_port import SerialPort, stable_name
from watcher.domain.site import Parity, SerialSettings

SETTINGS = SerialSettings()


def test_a_port_that_another_program_has_locked_is_refused_in_words(tmp_path: Path) -> None:
    with pair(tmp_path) as (ours, _):
        other = os.open(ours, os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(other, fcntl.LOCK_EX)
        with pytest.raises(OSError, match=f"another program has {ours} open; .* stop that one"):
            SerialPort(ours, SETTINGS)
        os.close(other)
        SerialPort(ours, SETTINGS).close()


def test_a_port_that_another_program_keeps_to_itself_is_refused_even_to_root(tmp_path: Path) -> None:
    with pair(tmp_path) as (ours, _):
        other = os.open(ours, os.O_RDWR | os.O_NOCTTY)
        fcntl.ioctl(other, termios.TIOCEXCL)
        with pytest.raises(OSError, match="another program has"):
            SerialPort(ours, SETTINGS)
        fcntl.ioctl(other, termios.TIOCNXCL)
        os.close(other)
        SerialPort(ours, SETTINGS).close()


def test_a_second_program_cannot_have_what_we_have(tmp_path: Path) -> None:
    second = (
        "import sys\nfrom watcher.collect.modbus.serial_port import SerialPort\n"
        "from watcher.domain.site import SerialSettings\n"
        "try:\n    SerialPort(sys.argv[1], SerialSettings())\nexcept OSError as error:\n    print(error)\n"
    )
    with pair(tmp_path) as (ours, _):
        first = SerialPort(ours, SETTINGS)
        told = subprocess.run([sys.executable, "-c", second, ours], capture_output=True, text=True, check=True).stdout
        first.close()
        assert "another program has" in told
        told = subprocess.run([sys.executable, "-c", second, ours], capture_output=True, text=True, check=True).stdout
        assert told == ""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_a_port_we_may_not_open_names_the_group_that_may(tmp_path: Path) -> None:
    os.chmod(tmp_path, 0o755)
    with pair(tmp_path) as (ours, _):
        os.chmod(os.path.realpath(ours), 0o660)
        os.seteuid(65534)
        try:
            with pytest.raises(PermissionError, match=r"must be in the group [a-z]+"):
                SerialPort(os.path.realpath(ours), SETTINGS)
        finally:
            os.seteuid(0)


def test_a_port_that_is_not_there_is_said_with_those_that_are(tmp_path: Path) -> None:
    (tmp_path / "usb-adapter-7").symlink_to("/dev/null")
    with pytest.raises(FileNotFoundError, match=r"is the adapter plugged in\? There are: .*usb-adapter-7"):
        SerialPort("/dev/ttyUSB-none", SETTINGS, tmp_path)
    with pytest.raises(FileNotFoundError, match="There is no adapter at all"):
        SerialPort("/dev/ttyUSB-none", SETTINGS, tmp_path / "none")


def test_a_file_is_no_serial_port(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(OSError, match="it is no serial port"):
        SerialPort(str(tmp_path / "file"), SETTINGS)


@pytest.mark.parametrize("baud", [1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200])
@pytest.mark.parametrize("parity", list(Parity))
@pytest.mark.parametrize("stop_bits", [1, 2])
def test_the_line_is_set_as_the_file_says(tmp_path: Path, baud: int, parity: Parity, stop_bits: int) -> None:
    ours, theirs = os.openpty()  # a pseudo terminal keeps speed and stop bits, though not parity
    try:
        port = SerialPort(os.ttyname(theirs), SerialSettings(baud, parity, stop_bits))
        flags = termios.tcgetattr(theirs)
        port.close()
    finally:
        os.close(ours)
        os.close(theirs)
    assert flags[4] == flags[5] == getattr(termios, f"B{baud}")
    assert bool(flags[2] & termios.CSTOPB) is (stop_bits == 2)
    assert flags[3] & (termios.ECHO | termios.ICANON | termios.ISIG) == 0
    assert bool(flags[0] & termios.INPCK) is (parity is not Parity.NONE)
    assert flags[1] & termios.OPOST == 0


def test_the_wire_that_is_cut_is_an_error_and_no_silence(tmp_path: Path) -> None:
    ours, theirs = os.openpty()
    port = SerialPort(os.ttyname(theirs), SETTINGS)
    os.close(theirs)
    os.close(ours)
    with pytest.raises(OSError) as caught:  # which of the two depends on what the kernel notices first
        port.exchange(b"x", lambda got: None, 1.0)
    assert "went away" in str(caught.value) or caught.value.errno == errno.EIO
    port.close()


def test_an_adapter_is_known_by_the_name_that_stays_with_it(tmp_path: Path) -> None:
    (tmp_path / "ttyUSB3").touch()
    names = tmp_path / "by-id"
    names.mkdir()
    (names / "usb-other").symlink_to(tmp_path / "elsewhere")
    assert stable_name(str(tmp_path / "ttyUSB3"), names) == str(tmp_path / "ttyUSB3")
    (names / "usb-adapter").symlink_to(tmp_path / "ttyUSB3")
    assert stable_name(str(tmp_path / "ttyUSB3"), names) == str(names / "usb-adapter")

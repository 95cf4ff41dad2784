"""Whoever is on one serial line speaks alike, in a site's file and across sites."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.config.test_site_file import GOOD
from watcher.config import load_site, load_sites
from watcher.domain.errors import SetupError
from watcher.domain.site import Parity, SerialSettings

PORT = "/dev/serial/by-id/usb-adapter"
METER = '\n[[meter]]\nid = "meter-9"\nrole = "export"\n'


ON_TCP = GOOD.replace("[[source]]", "[[source]]\nbaud = 9600", 1)


def source(device: str, unit: int = 1, more: str = "", address: str = PORT) -> str:
    return f'\n[[source]]\nkind = "modbus-rtu"\ndevice = "{device}"\naddress = "{address}"\nunit = {unit}\n{more}\n'


def two(first: str = "", second: str = "", unit: int = 2) -> str:
    before, _, _ = GOOD.partition("[[source]]")
    return before + METER + source("inverter-1", 1, first) + source("meter-9", unit, second)


def test_the_settings_of_a_line_are_read() -> None:
    line = 'baud = 19200\nparity = "even"\nstop_bits = 2\nquiet_gap_s = 3.5'
    site = load_site(two(line, line), "home.toml", "home").base
    assert {source.serial for source in site.sources} == {SerialSettings(19200, Parity.EVEN, 2, 3.5)}
    assert {source.serial for source in load_site(two(), "home.toml", "home").base.sources} == {SerialSettings()}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        pytest.param(two(second="baud = 19200"), "source[0] is on the same line and has 9600", id="another speed"),
        pytest.param(two('parity = "even"'), 'source[0] is on the same line and has "even"', id="another parity"),
        pytest.param(two("stop_bits = 2"), "a line has one setting for all", id="other stop bits"),
        pytest.param(two("quiet_gap_s = 5"), "a line has one setting for all", id="another quiet gap"),
        pytest.param(two("baud = 9601"), "must be one of 1200, 2400, 4800, 9600, 19200", id="a speed there is not"),
        pytest.param(two("baud = true"), "must be one of 1200", id="a speed that is none"),
        pytest.param(two('parity = "8N1"'), 'must be one of "none", "even", "odd"', id="a parity there is not"),
        pytest.param(two("stop_bits = 3"), "1 to 2", id="stop bits there are not"),
        pytest.param(two("quiet_gap_s = 0"), "slowest device on the line", id="no quiet gap"),
        pytest.param(two(unit=0), "on a serial line a unit id is 1 to 247", id="everybody's unit"),
        pytest.param(two(unit=248), "on a serial line a unit id is 1 to 247", id="a unit beyond the last"),
        pytest.param(
            GOOD.replace("[[source]]", "[[source]]\nbaud = 9600", 1),
            'only for a source of kind = "modbus-rtu"',
            id="no serial line",
        ),
    ],
)
def test_what_does_not_fit_on_a_line_is_a_problem(text: str, told: str) -> None:
    with pytest.raises(SetupError) as caught:
        load_site(text, "home.toml", "home")
    assert told in str(caught.value)


def test_sources_on_two_lines_may_differ() -> None:
    before, _, _ = GOOD.partition("[[source]]")
    text = before + METER + source("inverter-1") + source("meter-9", 1, "baud = 19200", "/dev/ttyUSB1")
    assert len(load_site(text, "home.toml", "home").base.sources) == 2


def test_sites_that_share_a_line_must_agree_and_the_others_go_on(tmp_path: Path) -> None:
    before, _, _ = GOOD.partition("[[source]]")
    for id, more in (("home-1", ""), ("home-2", "baud = 19200"), ("home-3", "")):
        (tmp_path / f"{id}.toml").write_text(before + source("inverter-1", 1, more))
    found = load_sites(tmp_path)
    assert sorted(found.good) == sorted(found.texts) == ["home-1", "home-3"]
    (problem,) = found.problems
    assert problem.place.endswith("home-2.toml")
    assert f"the line {PORT} is used by home-1 too" in problem.allowed

"""Pulses in a site file: what a line of them may be, said in words where it is not."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.config.test_site_file import GOOD
from watcher.config import load_site, load_sites
from watcher.domain.errors import SetupError
from watcher.domain.pulse_line import Bias, Level
from watcher.domain.site import SourceKind

LINE = "gpio:/dev/gpiochip0/17"
METERS = '\n[[meter]]\nid = "meter-8"\nrole = "import"\n\n[[meter]]\nid = "meter-9"\nrole = "export"\n'


def source(device: str = "meter-9", address: str = LINE, more: str = "", kind: str = "pulse") -> str:
    told = f'address = "{address}"\n' if address else ""
    return f'\n[[source]]\nkind = "{kind}"\ndevice = "{device}"\n{told}{more}\n'


def site_with(*sources: str) -> str:
    return GOOD + METERS + "".join(sources)


def test_a_line_is_read() -> None:
    more = 'pulses_per_kwh = 3200\nactive = "high"\nbias = "none"\nmin_width_ms = 4'
    site = load_site(site_with(source(more=more)), "home.toml", "home").base
    read = next(one for one in site.sources if one.kind is SourceKind.PULSE)
    assert (read.pulses_per_kwh, read.active, read.bias, read.min_width_ms) == (3200, Level.HIGH, Bias.NONE, 4)
    plain = load_site(site_with(source(address="file:/run/edges.txt")), "home.toml", "home").base.sources[-1]
    assert (plain.pulses_per_kwh, plain.active, plain.bias, plain.min_width_ms) == (None, Level.LOW, Bias.PULL_UP, 30)


@pytest.mark.parametrize(
    ("sources", "told"),
    [
        pytest.param(source(address=""), 'must be "gpio:/dev/gpiochip0/17"', id="no address"),
        pytest.param(source(address="17"), 'must be "gpio:/dev/gpiochip0/17"', id="a bare number"),
        pytest.param(source(address="gpio:17"), 'must be "gpio:/dev/gpiochip0/17"', id="no chip"),
        pytest.param(source(address="gpio:/dev/gpiochip0"), 'must be "gpio:/dev/gpiochip0/17"', id="no line"),
        pytest.param(source(address="file:"), '"file:PATH"', id="no path"),
        pytest.param(source(more="pulses_per_kwh = 0"), "0.1 to 100000", id="no worth"),
        pytest.param(
            source(more="counter_bits = 16"), "only for a device that counts", id="our own count has no width"
        ),
        pytest.param(source(kind="mqtt", more="counter_bits = 24"), "must be 16 or 32", id="no such width"),
        pytest.param(source(more='active = "down"'), '"low", "high"', id="a level there is not"),
        pytest.param(source(more='bias = "up"'), '"pull-up", "pull-down"', id="a bias there is not"),
        pytest.param(source(more="min_width_ms = 0"), "milliseconds", id="no width"),
        pytest.param(source("inverter-1"), "only a meter gives pulses", id="an inverter"),
        pytest.param(source("meter-8") + source(), "listens to the same line", id="one line twice"),
        pytest.param(source(kind="typed", address="", more='active = "low"'), "only for a source of kind", id="typed"),
        pytest.param(
            source(kind="typed", address="", more="pulses_per_kwh = 5"), "only for a source that", id="typed worth"
        ),
    ],
)
def test_what_is_wrong_with_a_line_is_said(sources: str, told: str) -> None:
    with pytest.raises(SetupError) as caught:
        load_site(site_with(sources), "home.toml", "home")
    assert told in str(caught.value)


@pytest.mark.parametrize(("kind", "address"), [("typed", ""), ("file", "/srv/meter.csv")])
def test_meters_read_otherwise_stay_as_they_were(kind: str, address: str) -> None:
    assert load_site(site_with(source(kind=kind, address=address)), "home.toml", "home").base.sources


def test_two_sites_cannot_listen_to_one_line(tmp_path: Path) -> None:
    for name in ("home-1", "home-2"):
        (tmp_path / f"{name}.toml").write_text(site_with(source()), encoding="utf-8")
    found = load_sites(tmp_path)
    assert list(found.good) == ["home-1"]
    assert "listened to by home-1 too" in str(found.problems[0])

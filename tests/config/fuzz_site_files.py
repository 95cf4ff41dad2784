"""Site files and watcher files with slips of the pen: nothing comes out but a record or problems, each with its place.

`python -m tests.config.fuzz_site_files --count 100000` prints one line of figures; a short run is among the tests.
Seeded, so that a find can be found again. The files are the shipped examples and others that use every key, spoilt by
their tables, by their letters, or by both; some are not even text.
"""

from __future__ import annotations

import argparse
import random
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

from tests.collect.modbus.fuzz_register_map import spoilt
from watcher.config import check, listing, load_maps, load_site, load_topic_maps, load_watcher
from watcher.config.toml_text import decoded
from watcher.domain.errors import Problem, SetupError
from watcher.domain.site import SiteRecord

CONFIG = Path(__file__).resolve().parents[2] / "config"
EXAMPLE = CONFIG / "sites" / "example-home.toml"
REAL = Path(__file__).resolve().parents[1] / "real" / "sites"

WATCHERS = (
    (CONFIG / "watcher.toml").read_text(encoding="utf-8"),
    """
data_folder = "data"
sites_folder = "sites"
[mail]
sender = "Firm <watch@example.org>"
host = "mail.example.org"
port = 465
security = "tls"
user = "watch"
password_env = "MAIL_PASSWORD"
[store]
url = "https://readings.example.org"
kind = "influxql"
bucket = "solar"
org = "firm"
token_env = "STORE_TOKEN"
[[broker]]
address = "mqtts://broker.example.org:8883"
version = "5"
user = "solar"
password_env = "BROKER_PASSWORD"
client_id = "watcher-1"
[[broker]]
address = "mqtt://192.0.2.9:1883"
[worker]
resident = true
evaluate_every_s = 900
[weather]
calls_a_day = 500
spacing_s = 2
silent_hours = 8
[operator]
email = "operator@example.org"
[firm]
name = "A Firm"
phone = "01234 567890"
""",
)
VALUES = (
    *("true", "false", "0", "-0", "1", "-1", "1e308", "-1e308", "nan", "inf", "-inf", "0.1", "361", "9" * 400),
    *('""', '" "', '"\\u0000"', '"\\u202e"', '"Europe/London"', '"Europe/Atlantis"', '"../../etc/passwd"', '"é"'),
    *('"a@b"', '"a@example.org"', '"a@b@c"', '"inverter-1"', '"inverter-1.input-9"', '"127.0.0.1:502"', '"[::1]:502"'),
    *('"[:502"', '":"', '"host:99999"', '"modbus-tcp"', '"mqtt"', '"pulse"', '"weather"', '"/dev/ttyUSB0"', '"%"'),
    *("[]", "[[]]", "[1, 2]", '["inverter-1"]', '["inverter-1", "inverter-1"]', '["", 1]', "{}", "{ a = 1 }", "[{}]"),
    *("2026-02-01", "1979-05-27T07:32:00Z", "07:32:00", "0001-01-01", "9999-12-31", "2026-02-01T00:00:00"),
)  # fmt: skip
NAMES = (
    "from",
    "id",
    "name",
    "tilt",
    "tilt_deg",
    "unit",
    "map",
    "passwort",
    "password",
    "token",
    "",
    "a b",
    "é",
    "x" * 99,
)


SECRETS = ("MAIL_PASSWORD", "STORE_TOKEN", "BROKER_PASSWORD")


def pieces(text: str) -> list[str]:
    """A file cut into its tables, the part before the first included."""
    cut: list[str] = [""]
    for line in text.splitlines(keepends=True):
        if line.startswith("["):
            cut.append("")
        cut[-1] += line
    return cut


def rearranged(dice: random.Random, text: str, stock: list[str]) -> str:
    """Tables left out, doubled, exchanged or borrowed from another file; keys renamed, given again or given values."""
    cut = pieces(text)
    for _ in range(dice.choice((1, 1, 2, 4))):
        at = dice.randrange(len(cut))
        match dice.randrange(6):
            case 0:
                del cut[at]
                cut = cut or [""]
            case 1:
                cut.insert(at, cut[dice.randrange(len(cut))])
            case 2:
                cut.insert(at, dice.choice(stock))
            case 3:
                cut[at] = _value_changed(dice, cut[at])
            case 4:
                cut[at] = _value_changed(dice, _value_changed(dice, cut[at]))
            case _:
                lines = cut[at].splitlines(keepends=True)
                lines.insert(dice.randrange(len(lines) + 1), f"{_name(dice)} = {dice.choice(VALUES)}\n")
                cut[at] = "".join(lines)
    return "".join(cut)


def _name(dice: random.Random) -> str:
    name = dice.choice(NAMES)
    return name if name.replace("_", "").isascii() and name.isidentifier() else f'"{name}"'


def _value_changed(dice: random.Random, piece: str) -> str:
    lines = piece.splitlines(keepends=True)
    entries = [at for at, line in enumerate(lines) if "=" in line and not line.lstrip().startswith("#")]
    if not entries:
        return piece
    at = dice.choice(entries)
    key = lines[at].partition("=")[0]
    match dice.randrange(4):
        case 0:
            del lines[at]
        case 1:
            lines[at] = lines[at].replace(key.strip(), _name(dice), 1)
        case _:
            lines[at] = f"{key}= {dice.choice(VALUES)}\n"
    return "".join(lines)


def noise(dice: random.Random, text: str) -> bytes:
    """The bytes of a text after a bad copy: wrong encoding, a piece missing, a few bytes turned."""
    raw = bytearray(text.encode(dice.choice(("utf-8", "utf-8", "latin-1", "utf-16")), errors="replace"))
    for _ in range(dice.randint(0, 3)):
        if raw:
            raw[dice.randrange(len(raw))] = dice.randrange(256)
    return bytes(raw[: dice.randrange(len(raw) + 1)] if dice.random() < 0.3 else raw)


def site_or_problems(text: str, *maps: Any) -> SiteRecord | tuple[Problem, ...]:
    """maps: the register and topic maps that sites may name; without them any name is taken."""
    try:
        return load_site(text, "fuzz.toml", "fuzz", *maps)
    except SetupError as error:
        return error.problems


def hold_to_the_promise(problems: tuple[Problem, ...] | list[Problem], place: str) -> None:
    """Each problem says where, and what would have been right; the listing gives each its line."""
    assert problems
    for problem in problems:
        file, _, line = problem.place.partition(".toml")
        assert f"{file}.toml" == place or place == "", problem
        assert line == "" or line[1:].isdecimal(), problem
        assert problem.allowed.strip(), problem
        assert len(str(problem)) < 2000, problem
        assert str(problem).isprintable(), repr(str(problem))
    assert len(listing(problems).splitlines()) >= len(problems)


def some_text(dice: random.Random, texts: list[str], stock: list[str]) -> str:
    text = dice.choice(texts)
    if dice.random() < 0.8:
        text = rearranged(dice, text, stock)
    if dice.random() < 0.3:
        text = spoilt(dice, text)
    return text


def run(seed: int, count: int, checked: int) -> Counter[str]:
    """Try so many files, and so many whole folders with `check`; what came of it."""
    dice = random.Random(seed)
    sites = [path.read_text(encoding="utf-8") for path in (EXAMPLE, *sorted(REAL.glob("*.toml")))]
    stock = [piece for text in sites for piece in pieces(text)]
    maps = load_maps(CONFIG / "devices"), load_topic_maps(CONFIG / "topics")
    counted: Counter[str] = Counter()
    for _ in range(count):
        if dice.random() < 0.1:
            try:
                text = decoded(noise(dice, dice.choice(sites)), "fuzz.toml")
            except SetupError as error:
                hold_to_the_promise(error.problems, "fuzz.toml")
                counted["not even text"] += 1
                continue
        else:
            text = some_text(dice, sites, stock)
        counted["site files"] += 1
        loaded = site_or_problems(text, *(maps if dice.random() < 0.5 else ()))
        if isinstance(loaded, SiteRecord):
            counted["records"] += 1
            use(loaded, dice)
        else:
            counted["refused"] += 1
            counted["problems"] += len(loaded)
            hold_to_the_promise(loaded, "fuzz.toml")
    with tempfile.TemporaryDirectory() as name:
        for _ in range(checked):
            whole_folder(Path(name), dice, sites, stock, counted)
    return counted


def use(record: SiteRecord, dice: random.Random) -> None:
    """What is read can be used: a record has a site at every instant."""
    for at_ms in (0, dice.randrange(2**41), 2**41):
        site = record.at(at_ms)
        assert site.id == "fuzz"
        assert -90 <= site.latitude_deg <= 90
        assert all(source.every_s > 0 for source in site.sources)


def whole_folder(folder: Path, dice: random.Random, sites: list[str], stock: list[str], counted: Counter[str]) -> None:
    """A watcher file beside one site file, both perhaps spoilt: `check` agrees with the loaders, place by place."""
    for name in ("sites", "devices", "topics"):
        (folder / name).mkdir(exist_ok=True)
    site = folder / "sites" / "home.toml"
    watcher_stock = [piece for text in WATCHERS for piece in pieces(text)]
    file = folder / "watcher.toml"
    for path, texts, borrowed in ((site, sites, stock), (file, list(WATCHERS), watcher_stock)):
        bytes_of_noise = noise(dice, dice.choice(texts)) if dice.random() < 0.1 else b""
        path.write_bytes(bytes_of_noise or some_text(dice, texts, borrowed).encode(errors="replace"))
    environment = (
        dict.fromkeys(("MAIL_PASSWORD", "STORE_TOKEN", "BROKER_PASSWORD"), "hush") if dice.random() < 0.8 else {}
    )
    counted["folders"] += 1
    problems = check(file, environment)
    if problems:
        hold_to_the_promise(problems, "")
        counted["folders refused"] += 1
    for told in map(str, problems):
        assert "hush" not in told
    own = problems_of_watcher(file, environment)
    assert set(own) <= set(problems)
    counted["watcher files refused" if own else "watcher files read"] += 1


def problems_of_watcher(file: Path, environment: dict[str, str]) -> tuple[Problem, ...]:
    try:
        load_watcher(file, environment)
    except SetupError as error:
        return error.problems
    return ()


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--count", type=int, default=100_000)
    options.add_argument("--folders", type=int, default=20_000)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    print(", ".join(f"{number} {what}" for what, number in run(given.seed, given.count, given.folders).items()))

"""The watcher file, and the check of everything a person wrote.

Rule: read whole and checked whole before anything starts. Paths in the file are meant from the file's own folder.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from watcher.clock_sync import ClockWait
from watcher.collect.mqtt.settings import BrokerSettings
from watcher.collect.weather.manners import Limits
from watcher.collect.weather.past_source import PastSource
from watcher.config.broker_table import BROKER, brokers_of
from watcher.config.checked_toml import (
    Key,
    Keys,
    Page,
    list_of,
    needed,
    number,
    one_of,
    shown,
    table_of,
    text,
    whole,
    yes_or_no,
)
from watcher.config.map_file import load_maps
from watcher.config.pages_table import PAGES, PagesConfig, pages_of
from watcher.config.secret import Secret
from watcher.config.secret_keys import says_secret, secret_keys, secret_of
from watcher.config.site_folder import load_sites
from watcher.config.site_words import EMAIL, email
from watcher.config.store_table import STORE, store_of
from watcher.config.sunshine_table import SUNSHINE, sunshine_of
from watcher.config.toml_text import read_text
from watcher.config.topic_map_file import TOPICS, load_topic_maps
from watcher.domain.errors import Problem, SetupError
from watcher.domain.firm import Firm
from watcher.store.server.settings import ServerSettings


class Security(StrEnum):
    """How the way to the mail server is closed to others."""

    STARTTLS = "starttls"
    TLS = "tls"
    NONE = "none"


DEVICES = "devices"
"""The folder of register maps, beside the watcher file, where that names no other."""

_PORTS = {Security.STARTTLS: 587, Security.TLS: 465, Security.NONE: 25}
_THIS_MACHINE = ("localhost", "127.0.0.1", "::1")


@dataclass(frozen=True, slots=True)
class MailServer:
    """user and password are both there or both not ("" and None)."""

    host: str
    port: int
    security: Security
    user: str = ""
    password: Secret | None = None


@dataclass(frozen=True, slots=True)
class MailConfig:
    """Where mails go: to a server, into a folder as files, or both; at least one of the two is there.

    sender: bare ("solar@example.org") or with a name ("Firm <solar@example.org>")
    most_an_hour: messages, those about safety not counted
    """

    sender: str
    server: MailServer | None = None
    folder: Path | None = None
    most_an_hour: int = 60


@dataclass(frozen=True, slots=True)
class WorkerConfig:
    """resident: the worker stays between evaluations. evaluate_every_s: how often it is asked. [s]"""

    resident: bool = False
    evaluate_every_s: float = 900.0


@dataclass(frozen=True, slots=True)
class WeatherConfig:
    """limits: how often a service may be asked. silent_hours: after so long without sunshine the operator is told"""

    limits: Limits = field(default_factory=Limits)
    silent_hours: float = 6.0


@dataclass(frozen=True, slots=True)
class WatcherConfig:
    """What the watcher file says.

    devices_folder, topics_folder: where register maps and topic maps are; need not be there
    pages: None where there are none
    brokers: by address; one that a site names and that is not among them is reached without a password
    sunshine: the service that tells of past years, None where none is asked
    store: the server that keeps readings, None for a file
    keep_days: after how many days readings in a file may go, None for never
    clock: whether readings are dated only once a time service has set the clock
    warnings: what works and should not stay so
    """

    place: str
    data_folder: Path
    sites_folder: Path
    devices_folder: Path
    mail: MailConfig
    operator_email: str
    worker: WorkerConfig
    weather: WeatherConfig
    firm: Firm
    sunshine: PastSource | None = None
    pages: PagesConfig | None = None
    store: ServerSettings | None = None
    keep_days: int | None = None
    clock: ClockWait = ClockWait.IF_SERVED
    topics_folder: Path = Path(TOPICS)
    brokers: Mapping[str, BrokerSettings] = field(default_factory=dict)
    warnings: tuple[Problem, ...] = ()


def _path() -> Key:
    """A path is repeated in messages as it is, so nothing in it may turn a line round or hide."""
    one_line = text(r".+", "must be the path of a folder, in quotes")

    def take(value: Any) -> str:
        path: str = one_line.take(value)
        if not path.isprintable():
            raise ValueError
        return path

    return Key(take, one_line.allowed)


_PATH = _path()
_SENDER = text(
    rf"{EMAIL}|[^\x00-\x1f\x7f<>@,;:\"]+ <{EMAIL}>",
    "must be an e-mail address, bare or with a name: Firm <solar@example.org>",
)

WATCHER_FILE: Keys = {
    "data_folder": needed(_PATH),
    "sites_folder": needed(_PATH),
    "devices_folder": _PATH,
    "topics_folder": _PATH,
    "mail": needed(
        table_of(
            {
                "sender": needed(_SENDER),
                "host": text(r"[A-Za-z0-9:.-]+", "must be the name of a mail server, such as mail.example.org"),
                "port": whole(1, 65_535),
                "security": one_of(Security),
                "user": text(r"[\x21-\x7e]+", "must be a user name of plain ASCII letters, digits and signs"),
                **secret_keys("password"),
                "folder": _PATH,
                "most_an_hour": whole(1, 100_000),
            }
        )
    ),
    "store": table_of(STORE),
    "clock": table_of({"wait_for_time": one_of(ClockWait)}),
    "broker": list_of(BROKER),
    "worker": table_of({"resident": yes_or_no(), "evaluate_every_s": number(60, 86_400, "seconds")}),
    "weather": table_of(
        {
            "calls_a_day": whole(1, 1_000_000),
            "spacing_s": number(0, 3600, "seconds"),
            "silent_hours": number(1, 1000, "hours"),
        }
    ),
    "sunshine": table_of(SUNSHINE),
    "pages": table_of(PAGES),
    "operator": needed(table_of({"email": needed(email())})),
    "firm": table_of({"name": text(), "phone": text(name="a phone number")}),
}


def load_watcher(path: Path, environment: Mapping[str, str] = os.environ) -> WatcherConfig:
    """The watcher file. SetupError with every problem it has."""
    page, tables = Page.opened(read_text(path), str(path))
    content = page.table(tables, WATCHER_FILE)
    warnings: list[Problem] = []
    mail = _mail(page, content["mail"], path.parent, environment, warnings) if "mail" in content else None
    store = store_of(page, content.get("store", {}), path.parent, environment, warnings)
    sunshine = sunshine_of(page, content.get("sunshine"))
    data_folder = path.parent / content.get("data_folder", ".")
    pages = pages_of(page, content.get("pages"), path.parent, data_folder, warnings)
    brokers = brokers_of(page, content.get("broker", []), path.parent, environment, warnings)
    for key in ("devices_folder", "topics_folder"):
        if key in content and not (path.parent / content[key]).is_dir():
            page.wrong(key, "no such folder", shown(content[key]))
    page.refuse()
    assert mail is not None  # it is a required table, so page.refuse() has spoken
    return WatcherConfig(
        place=str(path),
        data_folder=data_folder,
        sites_folder=path.parent / content["sites_folder"],
        devices_folder=path.parent / content.get("devices_folder", DEVICES),
        topics_folder=path.parent / content.get("topics_folder", TOPICS),
        brokers=brokers,
        mail=mail,
        operator_email=content["operator"]["email"],
        worker=WorkerConfig(**content.get("worker", {})),
        weather=_weather(content.get("weather", {})),
        firm=Firm(**content.get("firm", {}), sender=mail.sender),
        sunshine=sunshine,
        pages=pages,
        store=store,
        keep_days=content.get("store", {}).get("keep_days") if store is None else None,
        clock=content.get("clock", {}).get("wait_for_time", ClockWait.IF_SERVED),
        warnings=tuple(warnings),
    )


def _weather(weather: Mapping[str, Any]) -> WeatherConfig:
    limits = Limits(**{name: weather[name] for name in ("calls_a_day", "spacing_s") if name in weather})
    return WeatherConfig(limits, weather["silent_hours"]) if "silent_hours" in weather else WeatherConfig(limits)


def _mail(
    page: Page, mail: Mapping[str, Any], beside: Path, environment: Mapping[str, str], warnings: list[Problem]
) -> MailConfig:
    password = secret_of(page, "mail", "password", mail, beside, environment, warnings)
    security = mail.get("security", Security.STARTTLS)
    host, user = mail.get("host", ""), mail.get("user", "")
    says_password = says_secret(mail, "password")
    if not host and "folder" not in mail:
        page.wrong("mail", "host, folder or both must be there, or nobody hears of anything")
    if user and not says_password:
        page.wrong("mail.password", "missing; the user has one: give password_file or password_env")
    if says_password and not user:
        page.wrong("mail.user", "missing; the password has no user")
    if says_password and security is Security.NONE and host not in _THIS_MACHINE:
        page.wrong("mail.security", "would send the password readable to all; use starttls or tls", shown("none"))
    server = MailServer(host, mail.get("port", _PORTS[security]), security, user, password) if host else None
    folder = beside / mail["folder"] if "folder" in mail else None
    return MailConfig(mail.get("sender", ""), server, folder, **{k: mail[k] for k in ("most_an_hour",) if k in mail})


def check(path: Path, environment: Mapping[str, str] = os.environ) -> list[Problem]:
    """Everything wrong with the watcher file, all maps and all site files; empty where all is well.

    Maps and sites are checked too where the watcher file is bad but still says where they are. Touches no network.
    """
    problems: list[Problem] = []
    sites_folder: Path | None
    try:
        config = load_watcher(path, environment)
        sites_folder, devices_folder, topics_folder = config.sites_folder, config.devices_folder, config.topics_folder
    except SetupError as error:
        problems += error.problems
        sites_folder, devices_folder, topics_folder = _folders_of(path)
    maps, topics = load_maps(devices_folder), load_topic_maps(topics_folder)
    problems += [*maps.problems, *topics.problems]
    if sites_folder is not None:
        problems += load_sites(sites_folder, maps, topics).problems
    return problems


def _folders_of(path: Path) -> tuple[Path | None, Path, Path]:
    """The folders of sites (None where that can't be told), register maps and topic maps, from a file that is bad."""
    try:
        _, tables = Page.opened(read_text(path), str(path))
    except SetupError:
        return None, path.parent / DEVICES, path.parent / TOPICS

    def folder(key: str) -> Path | None:
        written = tables.get(key)
        return path.parent / written if isinstance(written, str) and written and written.isprintable() else None

    devices, topics = folder("devices_folder") or path.parent / DEVICES, folder("topics_folder") or path.parent / TOPICS
    return folder("sites_folder"), devices, topics


def folders_of(path: Path) -> tuple[Path, Path]:
    """The folders of data and of sites, from a file that may yet be incomplete otherwise. SetupError without them."""
    page, tables = Page.opened(read_text(path), str(path))
    keys = ("data_folder", "sites_folder")
    content = page.table({key: tables[key] for key in keys if key in tables}, {key: WATCHER_FILE[key] for key in keys})
    page.refuse()
    return path.parent / content["data_folder"], path.parent / content["sites_folder"]


def listing(problems: Iterable[Problem]) -> str:
    """Problems file by file, the way a colleague would list them.

    config/sites/home-17.toml: 2 problems
      line 12: array[0].azimuth_deg = 540: must be 0 to 360 (0 north, 90 east, 180 south)
      line 13: array[0].tilt: unknown key, did you mean tilt_deg?
    """
    by_file: dict[str, list[str]] = {}
    for problem in problems:
        file, _, line = problem.place.rpartition(":")
        where = f"line {line}: " if file and line.isdecimal() else ""
        told = str(problem).removeprefix(f"{problem.place}: ")
        by_file.setdefault(file if where else problem.place, []).append(f"  {where}{told}")
    lines: list[str] = []
    for file, told_here in by_file.items():
        lines += [f"{file}: {len(told_here)} problem{'s' if len(told_here) > 1 else ''}", *told_here]
    return "\n".join(lines)

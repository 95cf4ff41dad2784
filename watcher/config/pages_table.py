"""The watcher file's table of the pages: where they are served, and to whom.

Rule: without the table there are no pages. Beyond this machine they are served to people who log in, unless the file
says in so many words that they are open to everybody.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from watcher.config.checked_toml import Keys, Page, shown, text, whole, yes_or_no
from watcher.domain.errors import Problem

THIS_MACHINE = ("127.0.0.1", "::1", "localhost")
PEOPLE = Path("pages") / "people.toml"
"""Who may log in; in the data folder, written by `watcher people`."""

_NEEDED = ("argon2", "itsdangerous", "jinja2", "python_multipart", "starlette", "uvicorn")

PAGES: Keys = {
    "address": text(
        r"[A-Za-z0-9.:-]+", "must be an address of this machine: 127.0.0.1 for itself alone, 0.0.0.0 for all"
    ),
    "port": whole(1, 65_535),
    "link": text(
        r"https?://[A-Za-z0-9.\[\]:-]+(/[A-Za-z0-9._~-]+)*",
        "must be how people reach the pages, such as https://solar.example.org",
    ),
    "certificate_file": text(r"[^\x00-\x1f\x7f]+", "must be the path of a file, in quotes"),
    "key_file": text(r"[^\x00-\x1f\x7f]+", "must be the path of a file, in quotes"),
    "open_without_login": yes_or_no(),
}


@dataclass(frozen=True, slots=True)
class PagesConfig:
    """address, port: where the pages are served. link: how people reach them from elsewhere, "" where nobody does

    certificate_file, key_file: of the server itself; None where it speaks plain HTTP
    open_without_login: everybody who reaches the pages sees all of them
    """

    address: str = "127.0.0.1"
    port: int = 8341
    link: str = ""
    certificate_file: Path | None = None
    key_file: Path | None = None
    open_without_login: bool = False

    @property
    def on_this_machine(self) -> bool:
        """Whether nobody else can reach the server itself."""
        return self.address in THIS_MACHINE

    @property
    def sealed(self) -> bool:
        """Whether what passes between page and reader can be read by others on the way."""
        return self.certificate_file is not None or self.link.startswith("https:")

    @property
    def reached_at(self) -> str:
        """The address to give to people."""
        if self.link:
            return self.link
        host = "127.0.0.1" if self.address == "0.0.0.0" else self.address
        scheme = "https" if self.certificate_file is not None else "http"
        return f"{scheme}://{f'[{host}]' if ':' in host else host}:{self.port}"


def pages_of(
    page: Page, pages: Mapping[str, Any] | None, beside: Path, data_folder: Path, warnings: list[Problem]
) -> PagesConfig | None:
    """None where there is no such table; the page says what is wrong with it. data_folder: where people.toml is"""
    if pages is None:
        return None
    if missing := [name for name in _NEEDED if find_spec(name) is None]:
        page.wrong("pages", f"pages need {', '.join(missing)}: pip install 'pv-watcher[pages]'")
    files = {key: beside / pages[key] for key in ("certificate_file", "key_file") if key in pages}
    for key, path in files.items():
        if not path.is_file():
            page.wrong(f"pages.{key}", "no such file", shown(pages[key]))
    if len(files) == 1:
        page.wrong("pages", "certificate_file and key_file belong together")
    found = PagesConfig(**{**pages, **files})
    if found.on_this_machine:
        return found
    if not found.open_without_login and not (data_folder / PEOPLE).is_file():
        page.wrong(
            "pages.address",
            "beyond this machine people log in; make the first with `watcher people --add NAME --role installer`",
            shown(found.address),
        )
    elif not found.open_without_login and not found.sealed:
        plain = "passwords can be read by others on the way; give certificate_file and key_file, or an https link"
        warnings.append(page.problem("pages.address", plain, shown(found.address)))
    elif found.open_without_login:
        warnings.append(page.problem("pages.open_without_login", "everybody who reaches the pages sees all", "true"))
    return found

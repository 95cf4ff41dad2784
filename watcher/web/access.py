"""Who is before the page and what they may see: sessions, tokens, and how often a password may be tried.

Rule: nobody sees a site that is not theirs, and is not told whether it is there. Nothing is changed without the token
of the very session that asks. Signed with a key of this installation's own, which only its owner can read.
"""

from __future__ import annotations

import hashlib
import secrets
import stat
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from itsdangerous import BadData, URLSafeSerializer, URLSafeTimedSerializer

from watcher.domain.errors import Problem, SetupError
from watcher.domain.site import Role
from watcher.web.people import ALL_SITES, People, Person, proves, put_private

SESSION_DAYS = 30
FREE_TRIES = 5
FIRST_WAIT_S, LONGEST_WAIT_S = 30.0, 900.0
"""After so many wrong passwords for a name or from an address each further one costs a wait, doubling each time."""

MOST_REMEMBERED = 10_000


@dataclass(frozen=True, slots=True)
class Visitor:
    """name: "" where nobody logs in. sites: None for all. session: what binds a form to whoever asked for it"""

    name: str
    role: Role
    sites: frozenset[str] | None
    session: str

    def sees(self, site: str) -> bool:
        return self.sites is None or site in self.sites

    @property
    def is_trade(self) -> bool:
        return self.role in ALL_SITES

    @property
    def sees_the_house(self) -> bool:
        """What a house uses and buys says when somebody is at home; that is not a landlord's business."""
        return self.role is not Role.LANDLORD


class TooManyTries(Exception):  # noqa: N818  it says what is so
    """seconds: how long to wait."""

    def __init__(self, seconds: float) -> None:
        super().__init__(f"wait {seconds:.0f} s")
        self.seconds = seconds


def own_key(path: Path) -> str:
    """The key in a file, made on the first call. SetupError where others may read it: then it is no key."""
    if not path.exists():
        put_private(path, secrets.token_urlsafe(48))
    if path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise SetupError((Problem(str(path), "", "", f"others on this machine may read it; chmod 600 {path}"),))
    return path.read_text(encoding="utf-8").strip()


class Access:
    """people: who may log in, None where the pages are open to whoever reaches them. monotonic: for the waits

    open_until_known: they are open as long as there is nobody in people
    """

    def __init__(
        self, people: People | None, key: str, monotonic: Callable[[], float], *, open_until_known: bool = False
    ) -> None:
        self._people, self._open_until_known = people, open_until_known
        self._sessions = URLSafeTimedSerializer(key, salt="session")
        self._forms = URLSafeSerializer(key, salt="form")
        self._displays = URLSafeSerializer(key, salt="display")
        self._machines = URLSafeSerializer(key, salt="machine")
        self._tries = _Tries(monotonic)
        self._one_at_a_time = threading.Lock()

    @property
    def asks(self) -> bool:
        """Whether people log in."""
        return self._people is not None and not (self._open_until_known and not self._people.all())

    def visitor(self, session: str | None, bearer: str | None) -> Visitor | None:
        """Who this is, by cookie or by a machine's token; None where that cannot be told.

        Where nobody logs in, everybody is the installer, and the cookie only binds forms.
        """
        if not self.asks:
            opened = _opened(self._sessions, session, SESSION_DAYS)
            return None if opened is None else Visitor("", Role.INSTALLER, None, str(opened["nonce"]))
        if bearer is not None:
            told = _opened(self._machines, bearer)
            return None if told is None else self._known(told, "machine")
        told = _opened(self._sessions, session, SESSION_DAYS)
        return None if told is None else self._known(told, str(told.get("nonce", "")))

    def anybody(self) -> str:
        """A session for whoever comes where nobody logs in."""
        return str(self._sessions.dumps({"nonce": secrets.token_urlsafe(12)}))

    def log_in(self, name: str, password: str, address: str) -> str | None:
        """A session; None where name or password is wrong. TooManyTries where it is not even looked at."""
        assert self._people is not None
        with self._one_at_a_time:  # or many at once would all be looked at before the first has failed
            self._tries.refuse(name, address)
            person = self._people.all().get(name)
            if not proves(person, password):
                self._tries.failed(name, address)
                return None
            assert person is not None
            self._tries.forget(name, address)
        said = {"name": name, "mark": _mark(person), "nonce": secrets.token_urlsafe(12)}
        return str(self._sessions.dumps(said))

    def form_token(self, visitor: Visitor) -> str:
        return str(self._forms.dumps(visitor.session))

    def is_own_form(self, visitor: Visitor, token: str) -> bool:
        return _opened_text(self._forms, token) == visitor.session

    def display_token(self, site: str) -> str:
        """Shows one home's display view, and nothing else, without a login."""
        return str(self._displays.dumps(site))

    def is_display(self, site: str, token: str) -> bool:
        return _opened_text(self._displays, token) == site

    def machine_token(self, person: Person) -> str:
        """For a program that asks in a person's name; a new password ends it."""
        return str(self._machines.dumps({"name": person.name, "mark": _mark(person)}))

    def _known(self, told: dict[str, Any], session: str) -> Visitor | None:
        assert self._people is not None
        person = self._people.all().get(str(told.get("name", "")))
        if person is None or told.get("mark") != _mark(person):
            return None
        everything = person.role in ALL_SITES and not person.sites
        return Visitor(person.name, person.role, None if everything else frozenset(person.sites), session)


class _Tries:
    """Wrong passwords by name and by address."""

    def __init__(self, monotonic: Callable[[], float]) -> None:
        self._monotonic = monotonic
        self._failed: dict[str, tuple[int, float]] = {}

    def refuse(self, name: str, address: str) -> None:
        for key in self._keys(name, address):
            times, last_s = self._failed.get(key, (0, 0.0))
            if times >= FREE_TRIES:
                wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(times - FREE_TRIES, 10))
                left_s = last_s + wait_s - self._monotonic()
                if left_s > 0:
                    raise TooManyTries(left_s)

    def failed(self, name: str, address: str) -> None:
        now_s = self._monotonic()
        if len(self._failed) > MOST_REMEMBERED:
            self._failed = {key: one for key, one in self._failed.items() if now_s - one[1] < LONGEST_WAIT_S}
        for key in self._keys(name, address):
            times, last_s = self._failed.get(key, (0, 0.0))
            # Who has been quiet for long begins anew.
            self._failed[key] = (1 if now_s - last_s > 4 * LONGEST_WAIT_S else times + 1, now_s)

    def forget(self, name: str, address: str) -> None:
        for key in self._keys(name, address):
            self._failed.pop(key, None)

    @staticmethod
    def _keys(name: str, address: str) -> tuple[str, str]:
        return f"name {name[:64]}", f"address {address}"


def _mark(person: Person) -> str:
    """Changes with the password, the role and the sites, so that a session of before ends."""
    said = f"{person.password} {person.role} {' '.join(person.sites)}"
    return hashlib.sha256(said.encode()).hexdigest()[:16]


def _opened(sealed: Any, text: str | None, days: int | None = None) -> dict[str, Any] | None:
    if text is None:
        return None
    try:
        found = sealed.loads(text) if days is None else sealed.loads(text, max_age=days * 86_400)
    except BadData:
        return None
    return found if isinstance(found, dict) else None


def _opened_text(sealed: URLSafeSerializer, text: str) -> str | None:
    try:
        return str(sealed.loads(text))
    except BadData:
        return None

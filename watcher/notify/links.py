"""The link in a letter by which its reader says "seen" or "remind me then" without a login, and what that becomes.

Rule: a link speaks for one reader of one alert and for nothing else; who holds the letter may use it. It is signed with
the key of the pages, so without pages there is none. What is about safety has none: it is put off by nobody.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from itsdangerous import BadData, URLSafeSerializer

from watcher.alert.telling import MUTE_DAYS
from watcher.domain.alert import Mail
from watcher.domain.event import Draft, EventKind

PATH = "/mail"


@dataclass(frozen=True, slots=True)
class Reader:
    """Who read of what: an alert's site and id, the address it was told to, and in which role."""

    site: str
    alert: str
    address: str
    role: str


class Links:
    """base: the pages' address as readers reach it. key: what links are signed with"""

    def __init__(self, base: str, key: str) -> None:
        self._base, self._signer = base.rstrip("/"), URLSafeSerializer(key, salt="mail")

    def of(self, mail: Mail) -> str:
        return f"{self._base}{PATH}/{self._signer.dumps([mail.alert.id, mail.address, str(mail.role)])}"

    def reader(self, token: str) -> Reader | None:
        """Whose link it is; None for one that is not ours, or was changed on the way."""
        try:
            alert, address, role = map(str, self._signer.loads(token))
        except (BadData, ValueError, TypeError):
            return None
        return Reader(alert.partition("/")[0], alert, address, role)


def seen(reader: Reader, now_ms: int) -> Draft:
    return Draft(EventKind.SEEN, reader.alert, now_ms, _values(reader, "seen"))


def remind(reader: Reader, on: date, today: date, now_ms: int) -> Draft | None:
    """None for a day that is not ahead, or too far. today: at the site"""
    if not timedelta(0) < on - today <= timedelta(days=MUTE_DAYS):
        return None
    return Draft(EventKind.MUTE, reader.alert, now_ms, {**_values(reader, "remind"), "on": on.isoformat()})


def _values(reader: Reader, what: str) -> dict[str, str | float]:
    return {"what": what, "who": reader.role, "address": reader.address}

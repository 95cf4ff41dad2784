"""What holds for every request and answer, whatever page it is about.

Rules: no page loads anything from elsewhere or runs a script, and nobody may frame or keep it. Nothing is changed for
a form that comes from another site. A body has a stated length, and a limit.
"""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from watcher.photo import MOST_BYTES

MOST_OF_A_FORM = 64 * 1024
MOST_WITH_A_PICTURE = MOST_BYTES + MOST_OF_A_FORM

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; img-src 'self' data:; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    # A display's link is its key, so nobody else sees it. With no-referrer a browser hides even our own forms' origin.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}

SAFE = frozenset({"GET", "HEAD"})


class Guard:
    """hosts: names by which the pages may be asked for, None for any.

    Where nobody logs in, a page elsewhere could otherwise have its own name lead to this machine and read along.
    """

    def __init__(self, app: ASGIApp, hosts: frozenset[str] | None = None) -> None:
        self._app, self._hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refused = self._refused(scope)
        app = self._app if refused is None else PlainTextResponse(refused[1], status_code=refused[0])
        await app(scope, receive, guarded)

    def _refused(self, scope: Scope) -> tuple[int, str] | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if self._hosts is not None and _name(host) not in self._hosts:
            return 421, "These pages are not known by this name.\n"
        if scope["method"] in SAFE:
            return None
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return 403, "This form was sent from another site.\n"
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc != host:
            return 403, "This form was sent from another site.\n"
        length = headers.get("content-length", "")
        if not length.isdecimal():
            return 411, "How long this is must be said.\n"
        most = MOST_WITH_A_PICTURE if scope["path"].endswith("/reading") else MOST_OF_A_FORM
        return (413, "This is too large.\n") if int(length) > most else None


def _name(host: str) -> str:
    return urlsplit(f"//{host}").hostname or ""

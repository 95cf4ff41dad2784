"""The application: every address, the login, and what is said where something is not there or fails.

Rule: an error tells the reader nothing of the inside; the log has it. It is one of the three places that catch broadly.
"""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import anyio.to_thread
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from watcher.alert.wording_pages import WRONG_PASSWORD, too_many_tries
from watcher.domain.errors import StoreError
from watcher.notify.links import Links
from watcher.web.access import Access, TooManyTries, Visitor
from watcher.web.books import Books
from watcher.web.front import COOKIE, Form, Front, form_of, front_of, seen, taken
from watcher.web.guard import Guard
from watcher.web.home_routes import ROUTES as HOME
from watcher.web.machine_routes import ROUTES as MACHINES
from watcher.web.mail_routes import routes as mail_routes
from watcher.web.trade_routes import ROUTES as TRADE

log = logging.getLogger(__name__)

AT_ONCE = 4
"""Pages made at a time: each reads stores, and a small machine has other work."""


def application(
    books: Books,
    access: Access,
    *,
    secure: bool = False,
    names: frozenset[str] | None = None,
    links: Links | None = None,
) -> Starlette:
    """All pages over some stores.

    secure: pages are reached over https. names: those they may be asked for by, None for any
    links: those of letters, None where no letter has any
    """

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        anyio.to_thread.current_default_thread_limiter().total_tokens = AT_ONCE
        yield

    app = Starlette(
        routes=[
            Route("/", seen(_begin)),
            Route("/login", _login_page, methods=["GET"]),
            Route("/login", _log_in, methods=["POST"]),
            Route("/logout", taken(_log_out), methods=["POST"]),
            Route("/style.css", _style),
            *HOME,
            *TRADE,
            *MACHINES,
            *(mail_routes(links) if links is not None else ()),
        ],
        middleware=[Middleware(Guard, hosts=names)],
        exception_handlers={HTTPException: _refused, StoreError: _no_store, Exception: _broken},
        lifespan=lifespan,
    )
    app.state.front = Front(books, access, secure=secure)
    return app


def _begin(request: Request, front: Front, visitor: Visitor) -> Response:
    """Where someone belongs."""
    own = front.own_sites(visitor)
    if visitor.is_trade:
        return RedirectResponse("/sites", 303)
    if len(own) == 1:
        return RedirectResponse(f"/home/{own[0]}", 303)
    homes = [(id, front.books.site(id).name) for id in own]
    return front.page("homes.html", visitor, homes=homes)


def _login_page(request: Request) -> Response:
    front = front_of(request)
    if not front.access.asks:
        return RedirectResponse("/", 303)
    return front.page("login.html", None, wrong="", next=_inside(request.query_params.get("next", "")))


async def _log_in(request: Request) -> Response:
    """No session yet, so no token of one: that the form is ours says the Guard, by where it was sent from."""
    front = front_of(request)
    if not front.access.asks:
        return RedirectResponse("/", 303)
    form = await form_of(request)
    address = request.client.host if request.client is not None else ""
    next = _inside(form["next"])
    try:
        session = await run_in_threadpool(front.access.log_in, form["name"], form.texts.get("password", ""), address)
    except TooManyTries as error:
        answer = front.page("login.html", None, status=429, wrong=too_many_tries(error.seconds), next=next)
        answer.headers["Retry-After"] = f"{error.seconds:.0f}"
        return answer
    if session is None:
        log.warning("login-refused address=%s", address)
        return front.page("login.html", None, status=401, wrong=WRONG_PASSWORD, next=next)
    return front.with_session(request, RedirectResponse(next or "/", 303), session)


def _log_out(request: Request, front: Front, visitor: Visitor, form: Form) -> Response:
    answer = RedirectResponse("/login", 303)
    answer.delete_cookie(COOKIE)
    return answer


def _inside(path: str) -> str:
    """An address of these pages, or "": nobody is sent elsewhere after a login."""
    return path if path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable() else ""


def _style(request: Request) -> Response:
    return Response(front_of(request).style, media_type="text/css", headers={"Cache-Control": "max-age=3600"})


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return _error(request, error.status_code, error.detail)


def _no_store(request: Request, error: Exception) -> Response:
    log.warning("page-without-store path=%s error=%s", request.url.path, error)
    return _error(request, 503, "What was measured cannot be read just now. Please try again in a minute.")


def _broken(request: Request, error: Exception) -> Response:
    log.error("page-failed path=%s", request.url.path, exc_info=error)
    return _error(request, 500, "This page cannot be made. What went wrong is in the log.")


def _error(request: Request, status: int, words: str) -> Response:
    if request.url.path.startswith("/api/"):
        return JSONResponse({"error": words}, status)
    return front_of(request).page("error.html", None, status=status, words=words)

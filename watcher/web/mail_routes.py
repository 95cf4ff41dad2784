"""The address a letter's link leads to: its reader says "seen" or "remind me then".

Rule: to look changes nothing, since mail programs open links by themselves; only the button does. The signed link is
the right to say it, so nobody logs in, and nothing of the site is shown that the letter did not say.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import date, timedelta

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from watcher.alert.policy import POLICY
from watcher.alert.telling import MUTE_DAYS
from watcher.alert.wording_pages import LINK_OVER, LINK_SAID, LINK_WHEN
from watcher.domain.alert import AlertClass
from watcher.domain.instant import local_day_of
from watcher.notify.links import PATH, Links, Reader, remind, seen
from watcher.web.front import Front, form_of, front_of, not_here


def routes(links: Links) -> list[Route]:
    def reader_of(request: Request, front: Front) -> Reader:
        reader = links.reader(request.path_params["token"])
        if reader is None or reader.site not in front.books.sites:
            raise not_here()
        return reader

    def look(request: Request) -> Response:
        front = front_of(request)
        return _page(front, reader_of(request, front), LINK_SAID if "said" in request.query_params else "")

    def say(request: Request, front: Front, what: str, on: str) -> Response:
        reader, now_ms = reader_of(request, front), front.books.now_ms()
        if not _open(front, reader):
            return _page(front, reader)
        today = local_day_of(now_ms, front.books.site(reader.site).zone)
        draft = remind(reader, _day(on) or today, today, now_ms) if what == "remind" else seen(reader, now_ms)
        if draft is None:
            return _page(front, reader, wrong=LINK_WHEN)
        front.books.ledger.add_events(reader.site, (draft,), now_ms)
        front.forget()
        return RedirectResponse(f"{request.url.path}?said", 303)

    return [
        Route(f"{PATH}/{{token}}", look, methods=["GET"]),
        Route(f"{PATH}/{{token}}", _sent(say), methods=["POST"]),
    ]


def _sent(say: Callable[[Request, Front, str, str], Response]) -> Callable[[Request], Awaitable[Response]]:
    async def endpoint(request: Request) -> Response:
        form = await form_of(request)
        return await run_in_threadpool(say, request, front_of(request), form["what"], form["on"])

    return endpoint


def _open(front: Front, reader: Reader) -> bool:
    """Whether there is still anything to be reminded of."""
    return any(
        alert.id == reader.alert and POLICY[alert.finding].alert_class is not AlertClass.SAFETY
        for alert in front.books.standing(reader.site)
    )


def _page(front: Front, reader: Reader, said: str = "", wrong: str = "") -> Response:
    site = front.books.site(reader.site)
    today = local_day_of(front.books.now_ms(), site.zone)
    first, last = today + timedelta(days=1), today + timedelta(days=MUTE_DAYS)
    open = _open(front, reader)
    return front.page(
        "mail.html", None, status=422 if wrong else 200, name=site.name, open=open, said=said if open else LINK_OVER,
        wrong=wrong, first=first.isoformat(), last=last.isoformat(),
    )  # fmt: skip


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None

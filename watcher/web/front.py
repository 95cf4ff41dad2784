"""Between a request and a page: who asks, what they may see, how a page is set, how a form is taken.

Rule: a site that is not there and a site that is not theirs are the same answer. Endpoints work in threads, since the
stores wait for disks.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from watcher.alert.wording_pages import NOT_HERE
from watcher.web.access import SESSION_DAYS, Access, Visitor
from watcher.web.books import Books
from watcher.web.items import Items

COOKIE = "session"
FORM_TOKEN = "form"
_HERE = Path(__file__).parent
_TEXT_FIELDS = 20
KEPT_MS, MOST_KEPT = 10_000, 50


@dataclass(frozen=True, slots=True)
class Form:
    """What was sent: texts by name, and the bytes of a picture where one came with them."""

    texts: Mapping[str, str]
    picture: bytes | None = None

    def __getitem__(self, name: str) -> str:
        return self.texts.get(name, "").strip()


class Front:
    """books: what pages are made of. access: who may see them. secure: the cookie goes over sealed ways only"""

    def __init__(self, books: Books, access: Access, *, secure: bool) -> None:
        self.books, self.access, self.secure = books, access, secure
        self.items = Items(books)
        self._by_name = sorted(books.sites, key=lambda id: (books.sites[id].base.name, id))
        self._kept: dict[tuple[object, ...], tuple[int, Markup]] = {}
        self.style = (_HERE / "style.css").read_text(encoding="utf-8")
        self._pages = Environment(
            loader=FileSystemLoader(_HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )

    def visitor(self, request: Request) -> Visitor | None:
        """Who asks; where nobody logs in, whoever it is gets a session with the answer."""
        kind, _, bearer = request.headers.get("authorization", "").partition(" ")
        token = bearer.strip() if kind.lower() == "bearer" else None
        known = self.access.visitor(request.cookies.get(COOKIE), token)
        if known is None and not self.access.asks:
            request.state.fresh = self.access.anybody()
            known = self.access.visitor(request.state.fresh, None)
        return known

    def page(self, template: str, visitor: Visitor | None, status: int = 200, **values: object) -> HTMLResponse:
        """A page. values: for the template"""
        token = "" if visitor is None else self.access.form_token(visitor)
        text = self._pages.get_template(template).render(
            visitor=visitor, form_token=token, asks=self.access.asks, firm=self.books.firm, **values
        )
        return HTMLResponse(text, status)

    def part(self, template: str, **values: object) -> Markup:
        """A piece of a page that is the same for all who see the same sites."""
        return Markup(self._pages.get_template(template).render(**values))

    def kept(self, key: tuple[object, ...], make: Callable[[], Markup]) -> Markup:
        """What was made of it in these ten seconds, else made anew: a thousand sites are not read for every look."""
        moment = self.books.now_ms() // KEPT_MS
        found = self._kept.get(key)
        if found is None or found[0] != moment:
            if len(self._kept) > MOST_KEPT:
                self._kept.clear()
            found = self._kept[key] = (moment, make())
        return found[1]

    def forget(self) -> None:
        """Something was said here: the next look sees it."""
        self._kept.clear()

    def own_sites(self, visitor: Visitor) -> list[str]:
        """Those someone may see, by name."""
        return [id for id in self._by_name if visitor.sees(id)]

    def with_session(self, request: Request, answer: Response, session: str | None = None) -> Response:
        """The same answer, with the session that began with it."""
        fresh = session if session is not None else getattr(request.state, "fresh", None)
        if fresh is not None:
            answer.set_cookie(
                COOKIE, fresh, max_age=SESSION_DAYS * 86_400, httponly=True, secure=self.secure, samesite="lax"
            )
        return answer


def front_of(request: Request) -> Front:
    front: Front = request.app.state.front
    return front


def not_here() -> HTTPException:
    return HTTPException(404, NOT_HERE)


Shown = Callable[[Request, Front, Visitor], Response]
Taken = Callable[[Request, Front, Visitor, Form], Response]


def seen(work: Shown, *, trade: bool = False) -> Callable[[Request], Response]:
    """An endpoint for people who are known. trade: for the installer alone. A site in the path must be theirs."""

    def endpoint(request: Request) -> Response:
        front = front_of(request)
        visitor = front.visitor(request)
        if visitor is None:
            return _to_login(request)
        _allow(request, front, visitor, trade=trade)
        return front.with_session(request, work(request, front, visitor))

    return endpoint


def taken(work: Taken, *, trade: bool = False) -> Callable[[Request], Awaitable[Response]]:
    """An endpoint that changes something: only for a form of the visitor's own session."""

    async def endpoint(request: Request) -> Response:
        front = front_of(request)
        visitor = await run_in_threadpool(front.visitor, request)
        if visitor is None:
            return _to_login(request)
        _allow(request, front, visitor, trade=trade)
        form = await form_of(request)
        if not front.access.is_own_form(visitor, form[FORM_TOKEN]):
            raise HTTPException(403, "This form is too old, or was not yours. Go back, load the page anew, try again.")
        return await run_in_threadpool(work, request, front, visitor, form)

    return endpoint


async def form_of(request: Request) -> Form:
    texts: dict[str, str] = {}
    picture: bytes | None = None
    async with request.form(max_files=1, max_fields=_TEXT_FIELDS, max_part_size=32 * 1024) as sent:
        for name, value in sent.multi_items():
            if isinstance(value, UploadFile):
                content = await value.read()
                picture = content or None  # a form without a picture sends an empty one
            else:
                texts[name] = value
    return Form(texts, picture)


def _allow(request: Request, front: Front, visitor: Visitor, *, trade: bool) -> None:
    site = request.path_params.get("site")
    if trade and not visitor.is_trade:
        raise not_here()
    if site is not None and (site not in front.books.sites or not visitor.sees(site)):
        raise not_here()


def _to_login(request: Request) -> Response:
    """People are asked to log in, machines are told that they must."""
    path = request.url.path
    if path.startswith("/api/") or path == "/metrics":
        return JSONResponse({"error": "log in, or send a token"}, 401, {"WWW-Authenticate": "Bearer"})
    return RedirectResponse(f"/login?next={quote(path)}", 303)

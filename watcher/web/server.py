"""Serves the pages in a thread of their own, beside the daemon and never in its way.

Rule: whatever becomes of a page, collecting goes on. A server that ends is begun again; only a thread that is gone is
reported.
"""

from __future__ import annotations

import logging
import threading
from urllib.parse import urlsplit

import uvicorn
from starlette.applications import Starlette

from watcher.clock import Clock
from watcher.config import WatcherConfig, load_sites
from watcher.config.pages_table import PEOPLE, THIS_MACHINE, PagesConfig
from watcher.notify.links import Links
from watcher.store.ledger import Ledger
from watcher.web.access import Access, own_key
from watcher.web.books import Books
from watcher.web.pages import application
from watcher.web.people import People
from watcher.wiring import Files

log = logging.getLogger(__name__)

AGAIN_S = 30.0
"""Before a server that could not begin, its port being taken, is begun anew."""

STOP_S = 5.0
KEY = "key"


class PagesServer:
    """app: what is served. config: where"""

    def __init__(self, app: Starlette, books: Books, config: PagesConfig) -> None:
        self.app, self.books, self._config = app, books, config
        self._over = threading.Event()
        self._server: uvicorn.Server | None = None
        self._thread = threading.Thread(target=self._serve, name="pages", daemon=True)
        self._said = ""

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._over.set()
        if self._server is not None:
            self._server.should_exit = True
        self._thread.join(STOP_S)
        if not self._thread.is_alive():
            self.books.close()

    def lives(self) -> bool:
        return self._thread.is_alive()

    @property
    def port(self) -> int | None:
        """Where it listens; None while it does not."""
        server = self._server
        if server is None or not server.started or not server.servers:
            return None
        return int(server.servers[0].sockets[0].getsockname()[1])

    def _serve(self) -> None:
        while not self._over.is_set():
            self._server = uvicorn.Server(uvicorn_config(self.app, self._config))
            try:
                self._server.run()
                error = "" if self._over.is_set() else "the server has ended"
            except SystemExit:  # how uvicorn says that it cannot have the port
                error = f"{self._config.address}:{self._config.port} cannot be listened on"
            except Exception as failed:  # noqa: BLE001  the pages' own loop: they come back, and the log says why
                error = f"{type(failed).__name__}: {failed}"
            if error and error != self._said:
                log.error("pages-down error=%s", error)
            self._said = error
            self._over.wait(AGAIN_S)


def uvicorn_config(app: Starlette, config: PagesConfig) -> uvicorn.Config:
    return uvicorn.Config(
        app,
        host=config.address,
        port=config.port,
        loop="asyncio",
        http="h11",
        ws="none",
        log_config=None,
        log_level="warning",
        access_log=False,
        server_header=False,
        # Whom a proxy on this machine speaks for; no other is believed.
        proxy_headers=bool(config.link),
        forwarded_allow_ips="127.0.0.1",
        ssl_certfile=config.certificate_file,
        ssl_keyfile=config.key_file,
        timeout_keep_alive=15,
        timeout_graceful_shutdown=3,
        limit_concurrency=64,
        h11_max_incomplete_event_size=32 * 1024,
    )


def pages_server(
    config: WatcherConfig, clock: Clock, pages: PagesConfig | None = None, *, looking_back: bool = False
) -> PagesServer:
    """The pages of a watcher file. SetupError where they may not be served.

    pages: in place of what it says. looking_back: the clock stands in the past
    """
    served = pages or config.pages or PagesConfig()
    files = Files.of(config)
    files.folder.mkdir(parents=True, exist_ok=True)
    people = People(files.folder / PEOPLE)
    people.all()  # refused before anything is served
    if warning := people.warning():
        log.warning("pages %s", warning)
    key = own_key(people.path.with_name(KEY))
    access = Access(
        None if served.open_without_login else people, key, clock.monotonic, open_until_known=served.on_this_machine
    )
    books = Books(
        Ledger(files.ledger_url), files.readings, load_sites(config.sites_folder).good, config.firm, clock.now_ms,
        config.store, looking_back,
    )  # fmt: skip
    app = application(books, access, secure=served.sealed, names=_names(served), links=links_of(config, served))
    return PagesServer(app, books, served)


def links_of(config: WatcherConfig, served: PagesConfig) -> Links:
    """The links of letters. SetupError where others may read the key they are signed with."""
    return Links(served.reached_at, own_key((Files.of(config).folder / PEOPLE).with_name(KEY)))


def _names(served: PagesConfig) -> frozenset[str] | None:
    """By which names a server that only this machine reaches may be asked: its own, and the proxy's before it."""
    if not served.on_this_machine:
        return None
    return frozenset({*THIS_MACHINE, urlsplit(served.link).hostname or "localhost"})

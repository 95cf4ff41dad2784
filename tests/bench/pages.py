"""What the installer's page of a thousand sites costs beside a bare page of the same size.

python -m tests.bench.pages [--sites N] [--open N]: over a real socket, the medians of many looks.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import threading
import time
from pathlib import Path

import urllib3
import uvicorn
from starlette.applications import Starlette
from starlette.responses import HTMLResponse
from starlette.routing import Route

from tests.web.made_pages import make_folder
from watcher.clock import SystemClock
from watcher.config import load_watcher
from watcher.config.pages_table import PagesConfig
from watcher.web.server import pages_server, uvicorn_config

LOOKS = 40


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--open", type=int, default=120)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = make_folder(Path(name) / "watcher", sites=options.sites, more_open=options.open)
        server = pages_server(load_watcher(folder.config), SystemClock(), PagesConfig(port=0))
        pool = urllib3.PoolManager()
        with Served(server.app) as port:
            first_s = _look(pool, port, "/sites")[0]
            looks = [_look(pool, port, "/sites") for _ in range(LOOKS)]
            anew = []
            for _ in range(8):
                server.app.state.front.forget()
                anew.append(_look(pool, port, "/sites")[0])
            home = _look(pool, port, "/home/home-1")
        body = looks[0][1].decode()
        bare_app = Starlette(routes=[Route("/", lambda _: HTMLResponse(body))])
        with Served(bare_app) as port:
            bare = [_look(pool, port, "/")[0] for _ in range(LOOKS)]
        server.books.close()
    page, plain = statistics.median(one[0] for one in looks), statistics.median(bare)
    print(f"sites={options.sites} open={options.open + 1} page={len(body) / 1000:.0f} kB")
    print(f"first look {first_s * 1000:.0f} ms, made anew {statistics.median(anew) * 1000:.0f} ms")
    print(f"median {page * 1000:.1f} ms, bare page of the same size {plain * 1000:.1f} ms: {page / plain:.1f} times")
    print(f"home page {len(home[1]) / 1000:.0f} kB, {home[0] * 1000:.0f} ms")


class Served:
    """An application on a port of its own."""

    def __init__(self, app: Starlette) -> None:
        self._server = uvicorn.Server(uvicorn_config(app, PagesConfig(port=0)))
        self._thread = threading.Thread(target=self._server.run, daemon=True)

    def __enter__(self) -> int:
        self._thread.start()
        while not self._server.started:
            time.sleep(0.01)
        return int(self._server.servers[0].sockets[0].getsockname()[1])

    def __exit__(self, *_: object) -> None:
        self._server.should_exit = True
        self._thread.join()


def _look(pool: urllib3.PoolManager, port: int, path: str) -> tuple[float, bytes]:
    begun = time.perf_counter()
    answer = pool.request("GET", f"http://127.0.0.1:{port}{path}", headers={"Cookie": COOKIE.get(str(port), "")})
    taken = time.perf_counter() - begun
    if said := answer.headers.get("set-cookie"):
        COOKIE[str(port)] = said.partition(";")[0]
    assert answer.status == 200, answer.status
    return taken, answer.data


COOKIE: dict[str, str] = {}


if __name__ == "__main__":
    main()

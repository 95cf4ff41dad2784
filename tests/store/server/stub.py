"""A server that answers as it is told to, for what no real one can be made to do."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qsl, urlsplit


@dataclass(slots=True)
class Asked:
    method: str
    path: str
    fields: dict[str, str]
    headers: dict[str, str]


@dataclass(slots=True)
class Answer:
    """cut: breaks off after the body, of which it has promised more."""

    status: int = 200
    body: bytes = b""
    cut: bool = False


@dataclass(slots=True)
class Stub:
    url: str
    answer: Callable[[Asked], Answer]
    asked: list[Asked] = field(default_factory=list)


@contextmanager
def stub(answer: Callable[[Asked], Answer]) -> Iterator[Stub]:
    """Serve on loopback until the block ends."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def handle_any(self) -> None:
            self.rfile.read(int(self.headers.get("Content-Length", 0)))
            parts = urlsplit(self.path)
            asked = Asked(self.command, parts.path, dict(parse_qsl(parts.query)), dict(self.headers))
            told.asked.append(asked)
            answer = told.answer(asked)
            self.send_response(answer.status)
            self.send_header("Content-Length", str(len(answer.body) + answer.cut * 100))
            self.end_headers()
            self.wfile.write(answer.body)
            self.close_connection = answer.cut

        do_GET = do_POST = handle_any  # noqa: N815

        def log_message(self, *_: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        told = Stub(f"http://127.0.0.1:{server.server_port}", answer)
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        try:
            yield told
        finally:
            server.shutdown()
            thread.join()

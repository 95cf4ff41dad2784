"""Puts one question to a weather service over HTTP.

Rule: polite and patient. It says who it is, asks once, waits as long as it was told to, and turns whatever goes wrong
into a CollectError in words; nothing else ever leaves it.
"""

from __future__ import annotations

import asyncio
import time
from email.utils import parsedate_to_datetime

import urllib3
from urllib3.exceptions import HTTPError

from watcher import __version__
from watcher.collect.weather.question import Question
from watcher.domain.errors import CollectError, Remedy

DOING = "asking the weather service"
MAX_BODY = 4 * 1024 * 1024
UNSAID_WAIT_S = 900.0
"""How long a service that finds us asking too often is left alone where it does not say."""
_TOO_OFTEN = 429
_BUSY = (_TOO_OFTEN, 503)
_PASSING = (408, 425)


class AskLaterError(CollectError):
    """The service asked not to be asked again for a while.

    wait_s: how long, at least [s]
    """

    def __init__(self, device: str, wait_s: float, cause: str) -> None:
        super().__init__(device, DOING, Remedy.RETRY, f"{cause}; asks to wait {wait_s:.0f} s")
        self.wait_s = wait_s


class WeatherClient:
    """address: "https://host[:port][/path]"; a question's path is asked below it."""

    def __init__(self, address: str, timeout_s: float = 20) -> None:
        self.address = address.rstrip("/")
        self.timeout_s = timeout_s
        # A few kilobytes: not worth packing, and what is not packed can't swell when unpacked.
        headers = {
            "User-Agent": f"pv-watcher/{__version__}",
            "Accept": "application/json",
            "Accept-Encoding": "identity",
        }
        self._pool = urllib3.PoolManager(num_pools=1, retries=False, headers=headers)

    async def ask(self, question: Question, device: str) -> bytes:
        """The body of the answer. device: whom the answer is for, named in errors"""
        return await asyncio.to_thread(self._get, question, device)

    def close(self) -> None:
        self._pool.clear()

    def _get(self, question: Question, device: str) -> bytes:
        if not self.address.startswith(("http://", "https://")):
            raise _error(device, Remedy.FIX_SETUP, f"{self.address!r} is no http:// or https:// address")
        give_up = time.monotonic() + self.timeout_s
        try:
            response = self._pool.request(
                "GET",
                self.address + question.path,
                fields=question.fields,
                timeout=urllib3.Timeout(total=self.timeout_s),
                redirect=False,
                preload_content=False,
            )
            try:
                _check_status(response, device)
                return self._body(response, give_up, device)
            finally:
                response.close()
        except ValueError as error:
            raise _error(device, Remedy.FIX_SETUP, f"{self.address!r} is no address: {error}") from error
        except (HTTPError, OSError) as error:
            raise _error(device, Remedy.RETRY, error) from error

    def _body(self, response: urllib3.BaseHTTPResponse, give_up: float, device: str) -> bytes:
        """The whole body. A service that drips, or never ends, is given up on."""
        chunks: list[bytes] = []
        size = 0
        while chunk := response.read1(65_536, decode_content=False):
            chunks.append(chunk)
            size += len(chunk)
            if size > MAX_BODY:
                raise _error(device, Remedy.FIX_SETUP, f"the answer is longer than {MAX_BODY} bytes")
            if time.monotonic() > give_up:
                raise _error(device, Remedy.RETRY, f"no whole answer within {self.timeout_s:g} s")
        return b"".join(chunks)


def _check_status(response: urllib3.BaseHTTPResponse, device: str) -> None:
    status = response.status
    if status == 200:
        return
    text = f"it answered {status} {response.reason or ''}".rstrip()
    if status in _BUSY:
        wait_s = _wait_s(response)
        if wait_s is None and status == _TOO_OFTEN:
            wait_s = UNSAID_WAIT_S
        if wait_s is not None:
            raise AskLaterError(device, wait_s, text)
    if status in _BUSY or status in _PASSING or status >= 500:
        raise _error(device, Remedy.RETRY, text)
    raise _error(device, Remedy.FIX_SETUP, f"{text}; are address and shape right?")


def _wait_s(response: urllib3.BaseHTTPResponse) -> float | None:
    """The wait a Retry-After header asks for: seconds, or a date, which counts from the answer's own Date."""
    text = response.headers.get("Retry-After", "").strip()
    if text.isascii() and text.isdigit():
        return min(float(text), 86_400.0)
    try:
        wait = parsedate_to_datetime(text) - parsedate_to_datetime(response.headers.get("Date", ""))
    except (TypeError, ValueError):
        return None
    return min(max(0.0, wait.total_seconds()), 86_400.0)


def _error(device: str, remedy: Remedy, cause: object) -> CollectError:
    return CollectError(device, DOING, remedy, cause)

"""Asks a weather service for irradiance, air temperature and wind at one place.

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
from watcher.collect.weather.parse import parse_answer
from watcher.domain.errors import CollectError, Remedy
from watcher.domain.instant import iso
from watcher.domain.reading import Reading

DOING = "asking the weather service"
MAX_BODY = 4 * 1024 * 1024
_BUSY = (429, 503)
_PASSING = (408, 425)


class AskLaterError(CollectError):
    """The service asked not to be asked again for a while.

    wait_s: how long, at least [s]
    """

    def __init__(self, device: str, wait_s: float, cause: str) -> None:
        super().__init__(device, DOING, Remedy.RETRY, f"{cause}; asks to wait {wait_s:.0f} s")
        self.wait_s = wait_s


class WeatherService:
    """base_url: "https://host[:port][/path]"; /irradiance is asked below it.

    refused: how many values have been left out because they lay outside their quantity's range
    """

    def __init__(
        self,
        base_url: str,
        latitude: float,
        longitude: float,
        device: str = "weather-nowcast",
        timeout_s: float = 20,
    ) -> None:
        self.base_url = base_url.rstrip("/")
        self.latitude, self.longitude = latitude, longitude
        self.device = device
        self.timeout_s = timeout_s
        self.refused = 0
        # A few kilobytes: not worth packing, and what is not packed can't swell when unpacked.
        headers = {
            "User-Agent": f"pv-watcher/{__version__}",
            "Accept": "application/json",
            "Accept-Encoding": "identity",
        }
        self._pool = urllib3.PoolManager(num_pools=1, retries=False, headers=headers)

    async def fetch(self, from_ms: int, until_ms: int) -> list[Reading]:
        """Readings of the periods that end in (from_ms, until_ms]; those without a value are not among them."""
        if until_ms <= from_ms:
            return []
        body = await asyncio.to_thread(self._get, from_ms, until_ms)
        answer = parse_answer(body, self.device)
        self.refused += len(answer.refused)
        return list(answer.readings)

    def _get(self, from_ms: int, until_ms: int) -> bytes:
        fields = {
            "latitude": f"{self.latitude:.4f}",
            "longitude": f"{self.longitude:.4f}",
            "from": iso(from_ms),
            "until": iso(until_ms),
        }
        if not self.base_url.startswith(("http://", "https://")):
            raise self._error(Remedy.FIX_SETUP, f"{self.base_url!r} is no http:// or https:// address")
        give_up = time.monotonic() + self.timeout_s
        try:
            response = self._pool.request(
                "GET",
                f"{self.base_url}/irradiance",
                fields=fields,
                timeout=urllib3.Timeout(total=self.timeout_s),
                redirect=False,
                preload_content=False,
            )
            try:
                self._check_status(response)
                return self._body(response, give_up)
            finally:
                response.close()
        except ValueError as error:
            raise self._error(Remedy.FIX_SETUP, f"{self.base_url!r} is no address: {error}") from error
        except (HTTPError, OSError) as error:
            raise self._error(Remedy.RETRY, error) from error

    def _check_status(self, response: urllib3.BaseHTTPResponse) -> None:
        status = response.status
        if status == 200:
            return
        text = f"it answered {status} {response.reason or ''}".rstrip()
        if status in _BUSY:
            wait_s = _wait_s(response)
            if wait_s is not None:
                raise AskLaterError(self.device, wait_s, text)
        if status in _BUSY or status in _PASSING or status >= 500:
            raise self._error(Remedy.RETRY, text)
        raise self._error(Remedy.FIX_SETUP, f"{text}; is the address right?")

    def _body(self, response: urllib3.BaseHTTPResponse, give_up: float) -> bytes:
        """The whole body. A service that drips, or never ends, is given up on."""
        chunks: list[bytes] = []
        size = 0
        while chunk := response.read1(65_536, decode_content=False):
            chunks.append(chunk)
            size += len(chunk)
            if size > MAX_BODY:
                raise self._error(Remedy.FIX_SETUP, f"the answer is longer than {MAX_BODY} bytes")
            if time.monotonic() > give_up:
                raise self._error(Remedy.RETRY, f"no whole answer within {self.timeout_s:g} s")
        return b"".join(chunks)

    def _error(self, remedy: Remedy, cause: object) -> CollectError:
        return CollectError(self.device, DOING, remedy, cause)


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

"""One weather service: its client, and how we behave towards it, whoever asks.

Rule: every question to an address goes through the one object for it, so that spacing, the day's cap and the time it
asked us to wait hold for all sites and channels together.
"""

from __future__ import annotations

import asyncio

from watcher.collect.weather.client import AskLaterError, WeatherClient
from watcher.collect.weather.manners import Limits, NotNow
from watcher.collect.weather.question import Question
from watcher.collect.weather.shelf import Shelf


class Service:
    """address: where it is asked; the name it goes by in messages"""

    def __init__(self, address: str, limits: Limits, shelf: Shelf, timeout_s: float = 20) -> None:
        self.address, self.limits = address, limits
        self._shelf = shelf
        self._client = WeatherClient(address, timeout_s)
        self._manners = shelf.manners(address)

    def not_now(self, now_ms: int) -> NotNow | None:
        """Why it may not be asked at this instant; None where it may."""
        return self._manners.not_now(now_ms, self.limits)

    def free_ms(self, now_ms: int) -> int:
        """The instant from which it may be asked again."""
        return self._manners.free_ms(now_ms, self.limits)

    async def ask(self, question: Question, device: str, now_ms: int) -> bytes:
        """Ask, and remember that we did. The caller has made sure that it may be asked."""
        self._manners.ask(now_ms)
        try:
            return await self._client.ask(question, device)
        except AskLaterError as later:
            self._manners.told_to_wait(now_ms, later.wait_s)
            raise
        finally:
            await asyncio.to_thread(self._shelf.keep_manners, self.address, self._manners)

    def close(self) -> None:
        self._client.close()

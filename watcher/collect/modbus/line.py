"""A line to Modbus units, whatever it is made of: one question at a time, and what may be said of the answers.

Rule: a line asks with function codes 3 and 4 and no other. An answer is the registers that were asked for, or the
exception the unit said instead; whatever else comes back is no answer.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from typing import TypeVar

from watcher.collect.modbus.blocks import Asking, Refused, Span
from watcher.collect.modbus.registers import Words

TRIES = 2
"""How often a request is sent before the device counts as silent."""

PATIENCE = 10 / 3
"""How much longer than usual a device may take that was silent before: ten seconds for three."""

BUSY = (5, 6)
"""Exceptions that ask for the same question again."""

GATEWAY_EXCEPTIONS = (10, 11)
"""Exceptions a gateway says for a device it cannot reach."""

_T = TypeVar("_T")


class SilentError(Exception):
    """Nothing, or nothing that fits, came back in time; or a gateway said so for the device behind it."""


class BusLine(ABC):
    """What lies between us and the units. counted: what went wrong so far, by kind

    silence_s: the longest that asking a unit which has been silent before keeps the line from the others
    """

    counted: Counter[str]
    silence_s: float

    @abstractmethod
    async def ask(self, unit: int, span: Span, *, patient: bool) -> Words | Refused:
        """Read registers. OSError where there is no connection, SilentError where nothing fitting comes back.

        patient: for a unit that was silent before: asked once, and waited for longer
        """

    @abstractmethod
    def close(self) -> None:
        """Let go of the connection. The next question makes it anew."""

    async def converse(self, unit: int, asking: Asking[_T], *, patient: bool = False) -> _T:
        """Carry a conversation with one unit to its end; errors as in ask."""
        try:
            span = next(asking)
            while True:
                answer = await self.ask(unit, span, patient=patient)
                if isinstance(answer, Refused) and answer.code in GATEWAY_EXCEPTIONS:
                    raise SilentError(f"the gateway cannot reach it (exception {answer.code})")
                span = asking.send(answer)
        except StopIteration as done:
            value: _T = done.value
            return value
        finally:
            asking.close()

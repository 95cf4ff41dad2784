"""A correction that was learned for one inverter of a site: plain numbers, where they came from, whether they are used.

Rule: a model can be read, compared and applied without the library that made it; it is kept as text, never as code.
Bytes are JSON, compressed. The same days give the same model, so a replay that learns again learns the same.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any, NamedTuple

from watcher.domain.instant import iso


class Choice(StrEnum):
    """Whether a model is used, or why it is not."""

    USED = "used"
    FEW_DAYS = "few-days"  # too few healthy days to learn from
    UNTRIED = "untried"  # too few later days to hold it against
    NO_BETTER = "no-better"  # on later days it did not beat what is expected without it


class Held(NamedTuple):
    """A later day that a model had not seen: ln(made / expected) without it and with it. day: ordinal"""

    day: int
    chain: float
    learned: float


@dataclass(frozen=True, slots=True)
class Trees:
    """Decision trees in one row of nodes; their leaves are added up.

    roots: node at which each begins. feature: asked at a node, -1 at a leaf. value: there the tree's answer, elsewhere
    the greatest feature value that goes left. left, right: nodes
    """

    roots: tuple[int, ...] = ()
    feature: tuple[int, ...] = ()
    value: tuple[float, ...] = ()
    left: tuple[int, ...] = ()
    right: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Model:
    """What was learned for `subject`, an inverter, from days that had settled by made_ms, a midnight UTC.

    facts: a number of what is on file of it; under other facts the model means nothing. since: ordinal of the first day
        it may be learned from. basis: of the expectation it corrects
    days, first_day, last_day, hours: what it was learned from; ordinals, 0 for none
    sun_low_deg, sun_high_deg: sun heights seen there
    limit_w: ceiling of its output where that lies under the AC rating on file [W]; 0 for none. It holds, used or not
    offset: added to what the trees say [ln], so that the plant's own level stays where it was
    held: later days of its predecessors, the oldest first
    """

    subject: str
    made_ms: int
    choice: Choice
    facts: int
    since: int
    basis: int
    days: int = 0
    first_day: int = 0
    last_day: int = 0
    hours: int = 0
    sun_low_deg: float = 0.0
    sun_high_deg: float = 0.0
    offset: float = 0.0
    limit_w: float = 0.0
    trees: Trees = Trees()
    held: tuple[Held, ...] = ()

    @property
    def id(self) -> str:
        return f"{self.subject}@{iso(self.made_ms)[:10]}"


def pack(model: Model) -> bytes:
    """ValueError for numbers that are none."""
    text = json.dumps(asdict(model), sort_keys=True, allow_nan=False, separators=(",", ":"))
    return zlib.compress(text.encode(), 6)


def unpack(packed: bytes) -> Model:
    """The model of these bytes. ValueError where they are damaged."""
    try:
        plain: dict[str, Any] = json.loads(zlib.decompress(packed))
        trees = Trees(**{name: tuple(numbers) for name, numbers in plain.pop("trees").items()})
        held: Sequence[Sequence[Any]] = plain.pop("held")
        choice = Choice(plain.pop("choice"))
        return Model(**plain, choice=choice, trees=trees, held=tuple(Held(*one) for one in held))
    except (zlib.error, KeyError, TypeError, ValueError) as error:
        raise ValueError(f"a damaged model: {error}") from None

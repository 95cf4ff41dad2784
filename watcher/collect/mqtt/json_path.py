"""Where in a JSON document a value stands: `inv.ac[0].p`. Pure.

Rule: a path names one place. Keys are joined by dots, list entries are counted from 0 in brackets; a key that holds a
dot, a bracket or a quote itself stands in double quotes: `"1-0:1.8.0".value`. There are no wildcards.
"""

from __future__ import annotations

import re
from enum import Enum
from typing import TypeAlias

Path: TypeAlias = tuple[str | int, ...]

_STEP = re.compile(
    r"""(?:^|(?<=.)\.)(?:"(?P<quoted>[^"\x00-\x1f]+)"|(?P<bare>[^."\[\]\x00-\x20]+))|\[(?P<at>[0-9]{1,4})\]"""
)
LONGEST = 16
"""Steps in a path; nothing a device sends is nested deeper."""


class Absent(Enum):
    """What stands where nothing stands; None is JSON's null."""

    HERE = "absent"


def path_of(written: str) -> Path:
    """The steps of a path: keys as text, list entries as numbers. ValueError where it is none."""
    steps: list[str | int] = []
    at = 0
    while at < len(written):
        step = _STEP.match(written, at)
        if step is None:
            raise ValueError(f"{written!r} is no path")
        at = step.end()
        index = step["at"]
        steps.append(int(index) if index is not None else step["quoted"] or step["bare"])
    if not 0 < len(steps) <= LONGEST:
        raise ValueError(f"{written!r} is no path")
    return tuple(steps)


def at_path(document: object, path: Path) -> object:
    """What stands at a path of a document; Absent.HERE where there is no such place."""
    here = document
    for step in path:
        if isinstance(step, str):
            if not isinstance(here, dict) or step not in here:
                return Absent.HERE
            here = here[step]
        else:
            if not isinstance(here, list) or step >= len(here):
                return Absent.HERE
            here = here[step]
    return here

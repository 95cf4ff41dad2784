"""A drafted site as the text of its file; and whether a person has changed a file since it was written. Pure.

Rule: the first lines carry a number of the rest. Where the two no longer agree, somebody has been at the file, and it
is theirs.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

from watcher.sheets.site_draft import ALWAYS, Draft, entries, meter_entries

_MARK = "# As written: "
_HEAD = """\
# Written by `watcher import` from {sheet}. Change it here if you like: an import then leaves it alone.
# Every key a site file may have is in the example that comes with the program.
"""


def site_text(draft: Draft, sheet: str) -> str:
    """The file. sheet: the name of the spreadsheet, for the reader."""
    body = "\n".join(_tables(draft))
    name = "".join(one if one.isprintable() else "?" for one in sheet)
    return f"{_HEAD.format(sheet=name)}{_MARK}{_number(body)}\n{body}"


def untouched(text: str) -> bool:
    """Whether a file is as an import wrote it."""
    for at, line in enumerate(text.splitlines(keepends=True)):
        if line.startswith(_MARK):
            body = "".join(text.splitlines(keepends=True)[at + 1 :])
            return line.removeprefix(_MARK).strip() == _number(body)
        if not line.startswith("#"):
            break
    return False


def differences(before: str, after: str) -> list[str]:
    """What two site files say differently, key by key: "array[0].tilt_deg: 30, now 35"."""
    try:
        old, new = dict(_flat(tomllib.loads(before))), dict(_flat(tomllib.loads(after)))
    except tomllib.TOMLDecodeError:
        return ["the file is no TOML"]
    told = []
    for key in dict.fromkeys((*old, *new)):
        if old.get(key) != new.get(key):
            told.append(f"{key}: {_shown(old.get(key))}, now {_shown(new.get(key))}")
    return told


def _tables(draft: Draft) -> Iterator[str]:
    yield _table("[site]", draft.site)
    inputs: dict[str, list[str]] = {}
    for day, array in draft.arrays:
        names = inputs.setdefault(array["inverter"], [])
        if array["id"] not in names:
            names.append(array["id"])
        place = f"{array['inverter']}.input-{names.index(array['id']) + 1}"
        own = {key: value for key, value in array.items() if key not in ("id", "inverter")}
        yield _fact("[[array]]", array["id"], day, {**own, "input": place})
    for id in sorted(draft.inverters):
        for day, inverter in entries(draft.inverters[id]):
            yield _fact("[[inverter]]", id, day, inverter)
    for day, meter in meter_entries(draft):
        yield _fact("[[meter]]", "meter-1", day, {"role": "generation", **meter})
    yield _table("[[source]]", {"kind": "typed", "device": "meter-1"})
    for role, address in draft.contacts:
        yield _table("[[contact]]", {"role": role, "email": address})
    if draft.rate:
        yield _table("[payment]", {"scheme": "feed-in"})
        yield _table("[[payment.rate]]", {**draft.rate, "paid_on": "generation"})
    if draft.papers:
        yield _table("[papers]", draft.papers)


def _fact(head: str, id: str, begin: date, keys: Mapping[str, Any]) -> str:
    return _table(head, {"id": id, **({} if begin == ALWAYS else {"from": begin}), **keys})


def _table(head: str, keys: Mapping[str, Any]) -> str:
    return "\n".join([head, *(f"{key} = {_value(value)}" for key, value in keys.items()), ""])


def _value(value: Any) -> str:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return repr(int(value)) if value == int(value) else repr(value)
    return json.dumps(value, ensure_ascii=False)


def _flat(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _flat(inner, f"{path}.{key}" if path else key)
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for at, inner in enumerate(value):
            yield from _flat(inner, f"{path}[{at}]")
    else:
        yield path, value


def _shown(value: Any) -> str:
    return "not there" if value is None else _value(value)


def _number(body: str) -> str:
    return hashlib.sha256(body.encode()).hexdigest()[:16]

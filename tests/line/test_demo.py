"""The demo: found as injected, and the same again with the same seed."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from pathlib import Path
from typing import Any

import pytest


async def _demo(output: Path) -> tuple[int, str]:
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "watcher.cli", "demo", "--seed", "7", "--output", str(output),
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT, env={**os.environ, "NO_COLOR": "1"},
    )  # fmt: skip
    said, _ = await child.communicate()
    return child.returncode or 0, said.decode()


def _told(output: Path) -> dict[str, Any]:
    result: dict[str, Any] = json.loads((output / "demo.json").read_text(encoding="utf-8"))
    return result


@pytest.mark.slow
def test_the_demo_finds_what_was_injected_and_says_the_same_twice(tmp_path: Path) -> None:
    async def both() -> list[tuple[int, str]]:
        return list(await asyncio.gather(_demo(tmp_path / "one"), _demo(tmp_path / "two")))

    for code, said in asyncio.run(both()):
        assert code == 0, said
        assert "As injected, so found" in said
        assert "first mail to the homeowner" in said
    one, two = _told(tmp_path / "one"), _told(tmp_path / "two")
    assert [line["kind"] for line in one["truth"]] == ["string-open", "meter-stalled"]
    assert len(one["mails"]) == 8  # opening and clearing, to owner and installer, of two faults
    assert one["waiting"] == 0
    assert one["mails"] == two["mails"]
    assert [line["id"] for line in one["found"]] == [line["id"] for line in two["found"]]
    # Every mail also reached the mail server, once.
    assert len(list((tmp_path / "one" / "arrived").glob("*.eml"))) == 8

"""The folder a demo writes into: made anew, and never one with somebody's own files in it."""

from __future__ import annotations

import shutil
from pathlib import Path

MARK = "demo.json"
"""A folder with this file in it was made by a demo and may be cleared by the next."""


def prepare(output: Path) -> bool:
    """Clear it and mark it; False, and nothing touched, where it was not made by a demo."""
    if output.exists():
        if not (output / MARK).is_file() and any(output.iterdir()):
            return False
        shutil.rmtree(output)
    output.mkdir(parents=True)
    (output / MARK).write_text("{}", encoding="utf-8")
    return True

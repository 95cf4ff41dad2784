"""What may import what. A picture in a document wears out; this does not.

Rule: imports point inward (domain <- align <- expect <- detect <- alert <- evaluate), the pure folders know no machine,
and the daemon's side never loads the model stack.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[1]
WATCHER = REPO / "watcher"
MODULES = sorted(WATCHER.rglob("*.py"))

INWARD = {
    "domain": {"domain"},
    "align": {"domain", "align"},
    "expect": {"domain", "align", "expect"},
    "detect": {"domain", "align", "expect", "detect", "settle"},
    "alert": {"domain", "align", "expect", "detect", "alert"},
    "report": {"domain", "align", "expect", "detect", "alert", "report"},
    "evaluate": {"domain", "align", "expect", "detect", "alert", "settle", "sheet"},
    "settle": {"domain"},
    "train": {"domain", "align", "expect", "detect", "sheet"},
    "model_card": {"domain", "expect", "train"},
    "sheet": {"domain", "align", "expect"},
    "health": {"domain"},
    "sun_height": {"domain"},
}
"""What each pure folder or module may import of ours."""

MACHINE = {
    "os", "socket", "ssl", "time", "random", "secrets", "logging", "sqlite3", "asyncio", "pathlib", "io", "subprocess",
    "threading", "sqlalchemy", "pymodbus", "urllib", "urllib3", "smtplib", "apscheduler",
}  # fmt: skip
MODEL_STACK = ("numpy", "pandas", "pvlib", "scipy", "sklearn")
CLOCK_READERS = {"clock.py", "nightly.py"}
LONGEST = 400


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def _imported(path: Path) -> Iterator[str]:
    """Every module a file imports anywhere in it, with its full dotted name."""
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{_name(path)}: a relative import"
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def _name(path: Path) -> str:
    return path.relative_to(WATCHER).as_posix()


def _part(path: Path) -> str:
    """The folder a module lives in, or its own name where it lies in watcher/ itself."""
    return path.relative_to(WATCHER).parts[0].removesuffix(".py")


def _ours(path: Path) -> set[str]:
    return {name.split(".")[1] for name in _imported(path) if name.startswith("watcher.")}


PURE = [path for path in MODULES if _part(path) in INWARD]


@pytest.mark.parametrize("path", PURE, ids=_name)
def test_imports_point_inward(path: Path) -> None:
    assert _ours(path) <= INWARD[_part(path)]


@pytest.mark.parametrize("path", PURE, ids=_name)
def test_the_pure_folders_know_no_machine(path: Path) -> None:
    assert {name.split(".")[0] for name in _imported(path)} & MACHINE == set()


def test_there_are_pure_folders_to_look_at() -> None:
    assert {"domain", "align", "expect", "detect", "alert", "evaluate"} <= {_part(path) for path in PURE}


def test_the_vocabulary_needs_nothing_but_the_standard_library() -> None:
    foreign = {
        name.split(".")[0]
        for path in MODULES
        if _part(path) == "domain"
        for name in _imported(path)
        if name.split(".")[0] not in sys.stdlib_module_names
    }
    assert foreign <= {"watcher"}


def test_one_file_speaks_to_devices() -> None:
    speakers = {_name(path) for path in MODULES if any(n.split(".")[0] == "pymodbus" for n in _imported(path))}
    assert {name for name in speakers if not name.startswith("simulate/")} == {"collect/modbus/client.py"}


def test_only_clocks_read_the_clock() -> None:
    readers = {("datetime", "now"), ("datetime", "utcnow"), ("date", "today"), ("time", "time"), ("time", "time_ns")}
    found = {
        _name(path)
        for path in MODULES
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and (node.value.id, node.attr) in readers
    }
    assert found <= CLOCK_READERS


DAEMON_SIDE = ("watcher.cli", "watcher.wiring", "watcher.daemon", "watcher.commands.run")


@pytest.mark.parametrize("module", DAEMON_SIDE)
def test_the_daemon_never_loads_the_model_stack(module: str) -> None:
    program = f"import sys, {module}; print(*sorted({{name.partition('.')[0] for name in sys.modules}}))"
    done = subprocess.run([sys.executable, "-c", program], cwd=REPO, capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "watcher" in loaded
    assert loaded.isdisjoint(MODEL_STACK)


@pytest.mark.parametrize("path", MODULES, ids=_name)
def test_a_module_opens_with_its_job(path: Path) -> None:
    docstring = ast.get_docstring(_tree(path))
    assert docstring, "no docstring"
    assert not docstring.startswith(("Util", "Helper", "Various", "Misc"))


def test_files_stay_small_unless_named() -> None:
    lines = (REPO / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    excused = "\n".join(line for line in lines if f"{LONGEST} lines" in line)
    long = {_name(path) for path in MODULES if len(path.read_text(encoding="utf-8").splitlines()) > LONGEST}
    assert {name for name in long if f"watcher/{name}" not in excused} == set()


def test_no_file_is_named_after_nothing() -> None:
    words = {"utils", "util", "helper", "helpers", "manager", "handler", "data", "info", "common", "misc"}
    named = {_name(path) for path in MODULES if words & set(path.stem.split("_"))}
    assert named == set()

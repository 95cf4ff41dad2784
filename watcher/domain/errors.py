"""Errors that say whether trying again helps, and whose move it is."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Remedy(StrEnum):
    """What makes a failure go away."""

    RETRY = "retry"  # the network or the device comes back by itself
    FIX_SETUP = "fix-setup"  # only a person can help: wrong address, wrong map, wrong password
    REPORT_BUG = "report-bug"  # our own mistake


class WatcherError(Exception):
    """Base of every error this program raises on purpose."""


class CollectError(WatcherError):
    """One device could not be read; its neighbours are not concerned."""

    def __init__(self, device: str, doing: str, remedy: Remedy, cause: object = None) -> None:
        super().__init__(f"{device}: {doing} failed: {cause if cause is not None else remedy}")
        self.device, self.doing, self.remedy = device, doing, remedy


class StoreError(WatcherError):
    """A store refused or lost something; the text says which and what was being done."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with something a person wrote.

    place: file, with a line where one can be told ("config/sites/home-1.toml:12")
    key: path to the value inside the file ("array[0].tilt_deg"), "" for the file as a whole
    found: what was read, as text
    allowed: what would have been right, as a short sentence without a full stop
    """

    place: str
    key: str
    found: str
    allowed: str

    def __str__(self) -> str:
        what = f"{self.key} = {self.found}" if self.key and self.found else self.key or self.found
        return f"{self.place}: {what}: {self.allowed}" if what else f"{self.place}: {self.allowed}"


class SetupError(WatcherError):
    """Everything wrong with what a person wrote, all at once."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        super().__init__("\n".join([count, *(f"  {problem}" for problem in problems)]))
        self.problems = problems

"""What the demo shows: the days going by, what was done to the home, what was found and who was told."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.panel import Panel
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn
from rich.table import Table

from watcher.commands.demo_match import Match
from watcher.domain.alert import Alert, AlertState, Mail
from watcher.domain.instant import from_ms, parse_iso
from watcher.simulate.scenario import Scenario
from watcher.store.ledger import Ledger


class DemoScreen:
    """A progress bar over the simulated days with a line for each thing that happens above it."""

    def __init__(self, console: Console, scenario: Scenario, mails: Path, start_ms: int, end_ms: int) -> None:
        self._console, self._scenario, self._mails = console, scenario, mails
        self._start_ms, self._end_ms = start_ms, end_ms
        self._zone = ZoneInfo(scenario.site.zone)
        self._told: set[str] = set()
        self._progress = Progress(
            TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn(), console=console
        )
        self._task = self._progress.add_task("", total=end_ms - start_ms)
        self._shown_mail = False

    def __enter__(self) -> Self:
        site = self._scenario.site
        self._console.print(
            f"[bold]{site.name}[/bold], an invented home with panels facing east and west and a generation meter.\n"
            "The program that watches it is the real one; only the home and the clock are simulated."
        )
        self._progress.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._progress.stop()

    def update(self, now_ms: int, ledger: Ledger) -> None:
        """Show what is new by now."""
        self._progress.update(
            self._task,
            completed=now_ms - self._start_ms,
            description=f"{self.local(now_ms)} at {self._scenario.site.name}",
        )
        for fault in self._scenario.faults:
            what = f"{fault.kind} on {fault.subject}"
            self._say(fault.at_ms, now_ms, f"begin {what}", f"[yellow]injected[/]  {what}")
            if fault.until_ms is not None:
                self._say(fault.until_ms, now_ms, f"end {what}", f"[yellow]repaired[/]  {what}")
        for alert in ledger.alerts(self._scenario.site.id):
            what = f"{alert.finding} on {alert.subject}"
            if alert.opened_ms is not None:
                self._say(alert.opened_ms, now_ms, f"open {alert.id}", f"[red]found[/]     {what}{_causes(alert)}")
            if alert.state is AlertState.CLEARED and alert.cleared_ms is not None:
                self._say(alert.cleared_ms, now_ms, f"clear {alert.id}", f"[green]cleared[/]   {what}")
        self._show_first_mail()

    def local(self, ms: int) -> str:
        """The home's own time, the way people write it."""
        return f"{from_ms(ms).astimezone(self._zone):%a %d %B %H:%M}"

    def _say(self, at_ms: int, now_ms: int, key: str, text: str) -> None:
        if at_ms <= now_ms and key not in self._told:
            self._told.add(key)
            self._progress.console.print(f"{self.local(at_ms)}  {text}")

    def _show_first_mail(self) -> None:
        """The first letter the homeowner gets, in full."""
        if self._shown_mail or not self._mails.is_dir():
            return
        for letter in sorted(self._mails.glob("*.eml")):
            text = letter.with_suffix(".txt")
            if "owner@" in letter.read_text(encoding="utf-8", errors="replace") and text.is_file():
                self._shown_mail = True
                title = f"first mail to the homeowner: {text.name}"
                self._progress.console.print(Panel(text.read_text(encoding="utf-8").strip(), title=title, width=96))
                return


def _causes(alert: Alert) -> str:
    return f" ({', '.join(alert.causes)})" if alert.causes else ""


def verdict_table(matches: Sequence[Match], mails: Sequence[Mail], zone: str) -> Table:
    """What was injected beside what was found, how long after, and the mails it caused."""
    local = ZoneInfo(zone)

    def when(ms: int | None) -> str:
        return f"{from_ms(ms).astimezone(local):%a %H:%M}" if ms is not None else "never"

    table = Table(title="Injected and found", show_lines=True, width=80)
    table.add_column("injected")
    table.add_column("found")
    table.add_column("mails")
    for one in matches:
        truth, alert = one.truth, one.alert
        begin = parse_iso(truth["onset"]) if truth else None
        end = parse_iso(truth["cleared"]) if truth and truth["cleared"] else None
        injected = "[red]nothing[/]"
        if truth is not None:
            injected = (
                f"{truth['kind']}\n{truth['device']}\n{when(begin)} to {when(end)}\n{truth['loss_kwh']:.1f} kWh lost"
            )
        found = "[red]missed[/]"
        if alert is not None:
            found = (
                f"{when(alert.opened_ms)}, after {_later(begin, alert.opened_ms)}\n{', '.join(alert.causes)}\n"
                f"cleared {when(alert.cleared_ms)}, after {_later(end, alert.cleared_ms)}\n"
                f"{alert.loss_mwh / 1e6:.1f} kWh ({alert.loss_low_mwh / 1e6:.1f} to {alert.loss_high_mwh / 1e6:.1f})"
            )
        caused = [mail for mail in mails if alert is not None and mail.alert.id == alert.id]
        table.add_row(injected, found, "\n".join(f"{mail.reason} to {mail.role}" for mail in caused))
    return table


def _later(since_ms: int | None, at_ms: int | None) -> str:
    if since_ms is None or at_ms is None:
        return "?"
    minutes = round((at_ms - since_ms) / 60_000)
    return f"{minutes // 60} h {minutes % 60:02d} min"

"""`watcher demo`: the real daemon against a simulated home, several June days in about a minute.

A stepped clock moves both along; everything else is as in a real run: sockets, store, worker process, mail server.
At the end what was injected is held against what was found and who was told; exit code 0 only where they agree.
"""

from __future__ import annotations

import asyncio
import json
import logging
import sys
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from rich.console import Console

from watcher.clock import SteppedClock
from watcher.commands.demo_folder import MARK, prepare
from watcher.commands.demo_match import agrees, match
from watcher.commands.demo_screen import DemoScreen, verdict_table
from watcher.config.pages_table import PagesConfig
from watcher.daemon import Daemon
from watcher.domain.alert import Alert
from watcher.domain.instant import DAY_MS, GRID_MS, iso, parse_iso
from watcher.replay import alert_line
from watcher.simulate.process import SimulatedHome
from watcher.simulate.scenario_file import parse_scenario
from watcher.simulate.site import site_text
from watcher.store.ledger import Ledger
from watcher.wiring import Files, assemble

SCENARIO = Path(__file__).parents[1] / "simulate" / "scenarios" / "demo.toml"
START_MS = parse_iso("2026-06-08T00:00:00Z")
DAYS = 6


def run_demo(seed: int, output: Path) -> int:
    """Run it, show it, leave the mails in the output folder; 0 where found and injected agree."""
    console = Console()
    if not prepare(output):
        console.print(f"{output} is there and was not made by a demo: choose another folder with --output")
        return 2
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    logging.basicConfig(filename=output / "demo.log", level=logging.INFO, force=True)
    return asyncio.run(_run(seed, output, console))


async def _run(seed: int, output: Path, console: Console) -> int:
    scenario = parse_scenario(SCENARIO.read_text(encoding="utf-8"), str(SCENARIO))
    async with SimulatedHome.start(seed, START_MS, SCENARIO, output / "arrived") as home:
        (output / "sites").mkdir()
        site = scenario.site.id
        (output / "sites" / f"{site}.toml").write_text(site_text(scenario, home.ports), encoding="utf-8")
        (output / "watcher.toml").write_text(_watcher_file(home.ports.mail), encoding="utf-8")
        clock = SteppedClock(START_MS, before_step=home.advance)
        daemon = Daemon(assemble(output / "watcher.toml", clock))
        files = Files((output / "data").absolute())
        with Ledger(files.ledger_url) as ledger:
            screen = DemoScreen(console, scenario, output / "mails", START_MS, START_MS + DAYS * DAY_MS)
            await _watch(daemon, clock, ledger, screen, home)
            truth = await home.truth()
            alerts = [alert for alert in ledger.alerts(site) if alert.opened_ms is not None]
            mails = ledger.mails(site)
            (output / MARK).write_text(
                json.dumps(
                    {
                        "seed": seed,
                        "truth": truth,
                        "found": [alert_line(alert) for alert in alerts],
                        "mails": sorted(mail.id for mail in mails),
                        "waiting": ledger.waiting_mails(),
                    },
                    indent=1,
                ),
                encoding="utf-8",
            )
            matches = match(truth, alerts)
            right = agrees(matches, [mail.id for mail in mails]) and ledger.waiting_mails() == 0
            console.print(verdict_table(matches, mails, scenario.site.zone))
    console.print(f"Mails, as text and as web pages: [bold]{output / 'mails'}[/bold]")
    console.print("\n".join(pages_lines(output / "watcher.toml", site, alerts)), soft_wrap=True)
    if right:
        console.print("[bold green]As injected, so found:[/] nothing missed, nothing else said.")
        return 0
    console.print("[bold red]Found and injected differ.[/]")
    return 1


def pages_lines(config: Path, site: str, alerts: Sequence[Alert]) -> Iterator[str]:
    """How to look at the pages as they were while the first fault still stood, just before it was over."""
    over_ms = min((alert.cleared_ms for alert in alerts if alert.cleared_ms is not None), default=START_MS)
    address = PagesConfig().reached_at
    yield f"The pages, as they were then: {sys.argv[0]} pages --config {config} --at {iso(over_ms - GRID_MS)}"
    yield f"  as the homeowner: {address}/home/{site}"
    yield f"  as the installer: {address}/sites"


async def _watch(daemon: Daemon, clock: SteppedClock, ledger: Ledger, screen: DemoScreen, home: SimulatedHome) -> None:
    """Run the daemon to the end of the last day, and the screen beside it on the machine's own time."""

    async def end() -> None:
        await clock.sleep_until(DAYS * DAY_MS / 1000)
        daemon.stop.set()
        clock.leave()

    async def show() -> None:
        while True:
            screen.update(clock.now_ms(), ledger)
            await asyncio.sleep(0.25)

    clock.join()
    ending, showing = asyncio.create_task(end()), asyncio.create_task(show())
    with screen:
        try:
            await daemon.run()
        finally:
            showing.cancel()
            ending.cancel()
            with suppress(asyncio.CancelledError):
                await asyncio.gather(showing, ending)
        screen.update(clock.now_ms(), ledger)


def _watcher_file(mail_port: int) -> str:
    return f"""# Written by the demo; the mail server is part of the simulated home.
data_folder = "data"
sites_folder = "sites"

[mail]
sender = "Hill Street Solar <watch@installer.example.org>"
host = "127.0.0.1"
port = {mail_port}
security = "none"
folder = "mails"

[worker]
resident = true
evaluate_every_s = 900

[operator]
email = "operator@installer.example.org"

[firm]
name = "Hill Street Solar"
phone = "01632 960 118"
"""

"""A folder with stores as a daemon leaves them, and pages over it: two homes, one with a row of panels that is dead."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from starlette.testclient import TestClient

from tests.commands.conftest import HOME, WATCHER
from watcher.clock import SteppedClock
from watcher.config import load_watcher
from watcher.domain.alert import Alert, AlertState
from watcher.domain.day import DaySheet, SettledDay
from watcher.domain.evaluation import Evaluation
from watcher.domain.finding import Finding
from watcher.domain.instant import DAY_MS, GRID_MS, HOUR_MS, local_day, parse_iso
from watcher.domain.reading import Reading
from watcher.domain.sheet import TENTHS, Sheet, pack
from watcher.domain.site import Role
from watcher.store.ledger import Ledger
from watcher.store.readings import SqliteReadings
from watcher.web.people import People, Person, hashed
from watcher.web.server import PagesServer, pages_server
from watcher.wiring import Files

NOW = parse_iso("2026-06-12T11:40:00Z")
ZONE = ZoneInfo("Europe/London")
TODAY = date(2026, 6, 12)
PASSWORD = "correct horse battery"
INSTALLER = '\n[[contact]]\nrole = "installer"\nemail = "office@example.org"\n'
PAID = '\n[payment]\nscheme = "feed-in"\n[[payment.rate]]\npence_per_kwh = 16.0\npaid_on = "generation"\n'


def power_w(place: int) -> float:
    """Of a clear day in June, by interval of the civil day."""
    hour = place * GRID_MS / HOUR_MS
    return max(0.0, 3200.0 * math.sin(math.pi * (hour - 5.0) / 16.0)) if 5.0 < hour < 21.0 else 0.0


DAY_WH = sum(power_w(place) for place in range(288)) * GRID_MS / HOUR_MS


def alert(site: str, finding: Finding = Finding.STRING_OPEN, **changes: object) -> Alert:
    begun = NOW - 4 * DAY_MS
    made = Alert(
        site, finding, "inverter-1.input-1", AlertState.OPEN, begun, begun, begun - HOUR_MS, begun,
        opened_ms=begun + HOUR_MS, causes=("fuse-or-switch",), fault_ms=DAY_MS, loss_mwh=42_000_000,
        loss_low_mwh=38_000_000, loss_high_mwh=47_000_000, evidence={"usual_voltage_v": 381.2, "strings": 2.0},
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def days_of(site: str, many: int = 40) -> tuple[SettledDay, ...]:
    return tuple(
        SettledDay(
            site, TODAY - timedelta(days=back), 1, NOW - back * DAY_MS, 0.97 * DAY_WH, 0.96 * DAY_WH, DAY_WH, 1.0
        )
        for back in range(many, 0, -1)
    )


def sheet_of(day: date) -> DaySheet:
    start_ms, end_ms = local_day(day, ZONE)
    places = range((end_ms - start_ms) // GRID_MS)
    shares = {"inverter-1.ac_power": 0.97, "site.expected": 1.0, "site.low": 0.85, "site.high": 1.15, "site.bound": 1.1}
    columns = {name: [round(TENTHS * share * power_w(one)) for one in places] for name, share in shares.items()}
    from array import array

    return DaySheet(day, 1, NOW, pack(Sheet(start_ms, {name: array("i", row) for name, row in columns.items()})))


@dataclass(frozen=True, slots=True)
class Folder:
    """path: where watcher.toml stands."""

    path: Path

    @property
    def config(self) -> Path:
        return self.path / "watcher.toml"

    @property
    def files(self) -> Files:
        return Files(self.path / "data")

    @property
    def people(self) -> People:
        return People(self.path / "data" / "pages" / "people.toml")

    def add(self, name: str, role: Role, *sites: str) -> None:
        self.people.put(Person(name, role, sites, hashed(PASSWORD)))

    def server(self, clock: SteppedClock | None = None) -> PagesServer:
        return pages_server(load_watcher(self.config), clock or SteppedClock(NOW))

    @contextmanager
    def client(self, clock: SteppedClock | None = None, host: str = "127.0.0.1") -> Iterator[TestClient]:
        """A browser's requests to the real application, without a socket between."""
        server = self.server(clock)
        with TestClient(server.app, base_url=f"http://{host}", follow_redirects=False) as client:
            yield client
        server.books.close()


def make_folder(path: Path, pages: str = "", sites: int = 2, more_open: int = 0) -> Folder:
    """home-1 is well, home-2 has a dead row of panels; of others so many have, too, and no readings are there."""
    (path / "sites").mkdir(parents=True)
    (path / "watcher.toml").write_text(
        f'{WATCHER}\n[firm]\nname = "Hill Street Solar"\nphone = "01632 960 118"\n\n[pages]\n{pages}', encoding="utf-8"
    )
    for number in range(1, sites + 1):
        text = HOME.replace("4 Test Lane", f"{number} Test Lane") + INSTALLER + PAID
        (path / "sites" / f"home-{number}.toml").write_text(text, encoding="utf-8")
    folder = Folder(path)
    folder.files.folder.mkdir()
    start_ms = local_day(TODAY, ZONE)[0]
    with SqliteReadings(folder.files.readings) as readings, Ledger(folder.files.ledger_url) as ledger:
        for number in (1, 2):
            site, share = f"home-{number}", 0.97 if number == 1 else 0.5
            rows, wh = [Reading("inverter-1.ac_energy", start_ms - HOUR_MS, 9_000_000.0)], 9_000_000.0
            for place in range((NOW - start_ms) // GRID_MS):
                at_ms = start_ms + (place + 1) * GRID_MS
                wh += share * power_w(place) * GRID_MS / HOUR_MS
                rows.append(Reading("inverter-1.ac_power", at_ms, share * power_w(place)))
                rows.append(Reading("inverter-1.ac_energy", at_ms, wh))
            rows.append(Reading("meter-1.energy_index", NOW - 5 * 60_000, 8_765_400.0))
            readings.append({site: rows}, NOW)
            ledger.put_version(site, "", NOW)
            ledger.commit(
                Evaluation(
                    site, NOW - DAY_MS, NOW - GRID_MS, alerts=(alert(site),) if number == 2 else (),
                    days=days_of(site), sheets=tuple(sheet_of(one.day) for one in days_of(site, 14)),
                ),
                None,
            )  # fmt: skip
        for number in range(3, sites + 1):
            site, meter = f"home-{number}", Finding.METER_STALLED
            lost = alert(site, loss_mwh=10_000_000 + 100_000 * number)
            if number % 3 == 0:
                lost = replace(lost, finding=meter, subject="meter-1", causes=(), evidence={})
            open_here = (lost,) if number <= more_open + 2 else ()
            evaluation = Evaluation(site, NOW - DAY_MS, NOW - GRID_MS, alerts=open_here, days=days_of(site, 40))
            ledger.commit(evaluation, None)
    return folder

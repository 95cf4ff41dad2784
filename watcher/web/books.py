"""What the pages read: the stores by their own read interfaces, and the sites as they are on file.

Rule: nothing is kept in memory but what the files say; every page is made of the stores as they are.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from watcher.domain.alert import Alert, AlertState
from watcher.domain.firm import Firm
from watcher.domain.instant import HOUR_MS
from watcher.domain.site import Site, SiteRecord
from watcher.reading_desk import ReadingDesk
from watcher.store.choice import Readings, open_reader
from watcher.store.ledger import Ledger
from watcher.store.server.settings import ServerSettings


@dataclass(slots=True)
class Books:
    """ledger: for reading, and for what people say. readings_file: need not be there yet. now_ms: reads the clock

    looking_back: that clock stands in the past, so what is standing now may not have stood then
    """

    ledger: Ledger
    readings_file: Path
    sites: Mapping[str, SiteRecord]
    firm: Firm
    now_ms: Callable[[], int]
    server: ServerSettings | None = None
    looking_back: bool = False
    _opened: Readings | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def stored(self) -> Readings | None:
        """What was measured; None where nothing was yet. Opened once."""
        with self._lock:
            if self._opened is None and self.readings_file.exists():
                self._opened = open_reader(self.readings_file, self.server)
            return self._opened

    def site(self, id: str) -> Site:
        return self.sites[id].at(self.now_ms())

    def standing(self, id: str) -> list[Alert]:
        """The alerts that stand, suspected or open."""
        if not self.looking_back:
            return self.ledger.standing_alerts(id)
        now_ms, judged_ms = self.now_ms(), self.ledger.evaluated_until(id) or 0
        return [then for one in self.ledger.alerts(id) if (then := _as_of(one, now_ms, judged_ms)) is not None]

    def desk(self, id: str) -> ReadingDesk:
        """Where readings of this site's meters are taken."""
        return ReadingDesk(self.ledger, self.sites[id], self.stored())

    def close(self) -> None:
        """For the end: whoever reads then is cut off."""
        if self._opened is not None:
            self._opened.close()
        self.ledger.close()


def _as_of(alert: Alert, at_ms: int, judged_ms: int) -> Alert | None:
    """An alert as it stood at an instant; None where it did not. judged_ms: when its figures are of

    What it had cost by an earlier instant nobody wrote down, so nothing is said of that.
    """
    over = alert.cleared_ms is not None and alert.cleared_ms <= at_ms
    if over or alert.opened_ms is None or alert.opened_ms > at_ms:
        return None
    then = replace(alert, state=AlertState.OPEN, cleared_ms=None, closed_as=None)
    told_ms = judged_ms if alert.cleared_ms is None else alert.cleared_ms
    return then if told_ms - at_ms <= HOUR_MS else replace(then, loss_mwh=0, loss_low_mwh=0, loss_high_mwh=0)

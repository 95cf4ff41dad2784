"""The worker: a process of its own that imports the model stack, judges what is due and commits by itself.

Speaks JSON lines on standard input and output. A request names sites, an answer says for each how far it is judged
and how many mails that caused:

    {"evaluate": ["home-1"], "through": "2026-06-21T10:35:00Z"}
    {"judged": [{"site": "home-1", "evaluated_until": "2026-06-21T10:35:00Z", "mails": 2}]}

"through" may be left out. "told" is there too where sites ask what their neighbours tell, one entry a site and quarter
(neighbours.py). A site that cannot be judged answers with "error" and does not stop the others; with
"damaged" too where a store's file is. The end
of the input ends the process.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import sys
from pathlib import Path
from typing import Any

from watcher.catch_up import Case, catch_up
from watcher.config.site_file import load_site
from watcher.domain.instant import iso, parse_iso
from watcher.domain.site import SiteRecord
from watcher.evaluate import History
from watcher.neighbours import Neighbourhood
from watcher.store.choice import open_reader
from watcher.store.ledger import Ledger
from watcher.store.server.settings import STORE_TOKEN, ServerSettings
from watcher.store.trouble import StoreDamaged

log = logging.getLogger(__name__)


class Worker:
    """Keeps one case a site between requests, so that a resident worker stays warm."""

    def __init__(self, readings: History, ledger: Ledger) -> None:
        self._readings, self._ledger = readings, ledger
        self._cases: dict[str, Case] = {}
        self._neighbourhood = Neighbourhood(readings, ledger)

    def answer(self, request: dict[str, Any]) -> dict[str, Any]:
        """Judge the sites of one request."""
        through = request.get("through")
        through_ms = parse_iso(through) if through is not None else None
        sites = request.get("evaluate", [])
        judged = [self._judge(site, through_ms) for site in sites]
        told = self._neighbourhood.tell(sites)
        return {"judged": judged, "told": told} if told else {"judged": judged}

    def _judge(self, site: str, through_ms: int | None) -> dict[str, Any]:
        case = self._cases.setdefault(site, self.case(site))
        mails = 0
        try:
            for evaluation in catch_up(case, through_ms):
                mails += len(evaluation.mails)
        except Exception as error:  # one site's trouble is its own; it is told and counted
            del self._cases[site]
            log.error("not-judged site=%s", site, exc_info=error)
            damaged = {"damaged": True} if isinstance(error, StoreDamaged) else {}
            return {"site": site, "error": f"{type(error).__name__}: {error}", **damaged}
        until_ms = self._ledger.evaluated_until(site)
        return {"site": site, "evaluated_until": iso(until_ms) if until_ms is not None else None, "mails": mails}

    def case(self, site: str) -> Case:
        def parse(text: str) -> SiteRecord:
            return load_site(text, f"{site} as recorded", site)

        return Case(site, self._readings, self._ledger, parse)


def serve(worker: Worker) -> None:
    """Answer requests until the input ends."""
    for line in sys.stdin:
        if line.strip():
            print(json.dumps(worker.answer(json.loads(line))), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(prog="watcher.worker", description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("readings", type=Path, help="the file, or the spool of a server")
    parser.add_argument("ledger", help="URL of the ledger")
    parser.add_argument("--server", help="where the readings are, as the daemon writes it")
    options = parser.parse_args()
    server = None
    if options.server is not None:
        server = ServerSettings.from_text(options.server, os.environ.get(STORE_TOKEN))
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(levelname)s %(name)s %(message)s")
    with open_reader(options.readings, server) as readings, Ledger(options.ledger) as ledger:
        serve(Worker(readings, ledger))


if __name__ == "__main__":
    main()

"""`watcher learned`: what was learned of a site's inverters, and whether it is used."""

from __future__ import annotations

import json
from pathlib import Path

from watcher.config import load_watcher
from watcher.domain.errors import Problem, SetupError
from watcher.domain.model import Model
from watcher.model_card import card, card_text
from watcher.store.ledger import Ledger
from watcher.wiring import Files

BEGINNING_MS, END_MS = -(2**62), 2**62


def run_learned(config_file: Path, site: str, as_json: bool) -> int:
    """Write a card an inverter; 0 whether anything was learned or not. SetupError for a site nobody knows."""
    with Ledger(Files.of(load_watcher(config_file)).ledger_url) as ledger:
        if site not in ledger.sites():
            raise SetupError((Problem("command line", "--site", site, "nothing was ever judged of such a site"),))
        models = ledger.models(site, BEGINNING_MS, END_MS)
    by_inverter: dict[str, list[Model]] = {}
    for model in models:
        by_inverter.setdefault(model.subject, []).append(model)
    cards = [card(by_inverter[inverter]) for inverter in sorted(by_inverter)]
    if as_json:
        print(json.dumps(cards, indent=2))
    else:
        print("\n".join(map(card_text, cards)) or "nothing was learned yet\n", end="")
    return 0

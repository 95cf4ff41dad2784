"""The card of what was learned says what it was made from and shows only figures of days it had not seen."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from watcher.cli import main
from watcher.domain.evaluation import Evaluation
from watcher.domain.instant import DAY_MS, parse_iso
from watcher.domain.model import Choice, Held, Model
from watcher.expect.expectation import Basis
from watcher.model_card import card, card_text
from watcher.store.ledger import Ledger
from watcher.wiring import Files

MADE_MS = parse_iso("2026-06-20T00:00:00Z")


def model(choice: Choice, held: int = 100, **changes: object) -> Model:
    """Held against so many days up to 18 June that err by 4 % without it and 2 % with it."""
    chance = np.random.default_rng(2)
    last = date(2026, 6, 18)
    tried = tuple(
        Held((last - timedelta(days=held - 1 - k)).toordinal(), *(spread * chance.normal() for spread in (0.04, 0.02)))
        for k in range(held)
    )
    made = Model(
        "inverter-1", MADE_MS, choice, 7, 0, int(Basis.MEASURED), 150, date(2026, 1, 2).toordinal(),
        last.toordinal(), 1400, 5.0, 61.2, held=tried,
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def test_a_card_gives_the_spread_by_season_of_days_not_seen_before() -> None:
    found = card([model(Choice.USED)])
    assert set(found["spread"]) == {"spring and autumn", "summer", "all"}
    assert found["spread"]["all"]["days"] == found["later_days"] == 100
    assert found["spread"]["all"]["without"] == pytest.approx(0.04, rel=0.25)
    assert found["spread"]["all"]["with"] == pytest.approx(0.02, rel=0.25)
    assert card([model(Choice.UNTRIED, held=5)])["spread"] == {}


def test_a_card_says_since_when_a_model_is_used_without_a_break() -> None:
    choices = [Choice.UNTRIED, Choice.USED, Choice.NO_BETTER, Choice.USED, Choice.USED]
    models = [model(one, made_ms=MADE_MS - (4 - k) * 15 * DAY_MS) for k, one in enumerate(choices)]
    assert card(models)["used_since"] == "2026-06-05"
    assert card(models[:3])["used_since"] is None


@pytest.mark.parametrize("choice", Choice)
def test_a_card_in_words_says_first_whether_it_is_used(choice: Choice) -> None:
    first, *_ = card_text(card([model(choice)])).splitlines()
    assert first.startswith("inverter-1: used since" if choice is Choice.USED else "inverter-1: ")
    assert ("not used" in first or "refused" in first) == (choice is not Choice.USED)


def test_the_command_shows_the_cards_of_a_site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "watcher.toml").write_text(
        f'data_folder = "{tmp_path}/data"\nsites_folder = "{tmp_path}/sites"\n[mail]\nsender = "a@example.org"\n'
        f'folder = "{tmp_path}/mails"\n[operator]\nemail = "b@example.org"\n',
        encoding="utf-8",
    )
    (tmp_path / "data").mkdir()
    (tmp_path / "sites").mkdir()
    kept = model(Choice.USED)
    with Ledger(Files(tmp_path / "data").ledger_url) as ledger:
        ledger.put_version("home-1", "as made", 0)
        ledger.commit(Evaluation("home-1", MADE_MS, MADE_MS, models=(kept,)), None)
        assert ledger.models("home-1", MADE_MS - 1, MADE_MS) == [kept]
        assert ledger.models("home-1", MADE_MS, 2**62) == []
    config = ["--config", str(tmp_path / "watcher.toml")]
    assert main(["learned", "--site", "home-1", *config]) == 0
    assert capsys.readouterr().out == card_text(card([kept]))
    assert main(["learned", "--site", "home-2", *config]) == 2

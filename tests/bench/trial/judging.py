"""The real program over one site-year: the same catch_up as live, a ledger in memory, what it said in lines.

Rule: nothing of the program is touched; what comes out is what replay would print, and the settled days.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.trial import VERSION
from tests.bench.trial.generate import SiteYear, generate
from tests.bench.trial.history import InMemory, through_ms
from tests.bench.trial.plan import SitePlan
from tests.bench.trial.truth import Wrong
from watcher.align.window import Floats
from watcher.catch_up import Case, catch_up
from watcher.config.site_file import load_site
from watcher.domain.day import SettledDay
from watcher.domain.event import EventKind
from watcher.domain.instant import HOUR_MS
from watcher.replay import alert_line
from watcher.store.ledger import Ledger

PROCESSES = 2


@dataclass(frozen=True, slots=True)
class Said:
    """One alert that was opened. closed_ms: None where it still stood at the end. losses [Wh]"""

    finding: str
    subject: str
    causes: tuple[str, ...]
    onset_ms: int
    opened_ms: int
    closed_ms: int | None
    loss_wh: float
    loss_low_wh: float
    loss_high_wh: float


@dataclass(frozen=True, slots=True)
class Judged:
    """days: date ordinal, generated, metered, expected [Wh, NaN for none], coverage. took_s: the judging alone"""

    plan: SitePlan
    said: tuple[Said, ...]
    wrongs: tuple[Wrong, ...]
    days: Floats
    made_wh: Floats
    healthy_wh: Floats
    has_dc: bool
    took_s: float


def judge(made: SiteYear) -> Judged:
    plan, site = made.plan, made.plan.id
    begin = time.process_time()
    with Ledger("sqlite://") as ledger:
        ledger.put_version(site, made.text, 0)
        for typed in made.typed:
            read = {"unreadable": 1.0} if typed.energy_index_wh is None else {"energy_index": typed.energy_index_wh}
            ledger.add_event(site, EventKind.TYPED_READING, "meter-1", typed.at_ms, read, typed.at_ms + HOUR_MS)
        history = InMemory(made.told, through_ms(plan.year.begin_ms, plan.year.days))
        for _ in catch_up(Case(site, history, ledger, lambda text: load_site(text, "trial", site))):
            pass
        alerts = [alert for alert in ledger.alerts(site) if alert.opened_ms is not None]
        days = [_row(day) for day in ledger.days(site)]
    said = tuple(
        Said(
            str(alert.finding), alert.subject, alert.causes, alert.onset_ms, alert.opened_ms or 0, alert.cleared_ms,
            alert.loss_mwh / 1000.0, alert.loss_low_mwh / 1000.0, alert.loss_high_mwh / 1000.0,
        )
        for alert in sorted(alerts, key=lambda alert: alert.opened_ms or 0)
    )  # fmt: skip
    lines = [alert_line(alert) for alert in alerts]
    assert len(lines) == len(said)
    return Judged(
        plan, said, made.wrongs, np.array(days), plan.year.daily(made.made_w), plan.year.daily(made.healthy_w),
        any(name.endswith("input-1.dc_power") for name in made.told), time.process_time() - begin,
    )  # fmt: skip


def _row(day: SettledDay) -> tuple[float, ...]:
    energies = (day.generated_wh, day.metered_wh, day.expected_wh)
    return (day.day.toordinal(), *(np.nan if one is None else one for one in energies), day.coverage)


def judge_all(plans: Iterable[SitePlan], folder: Path, processes: int = PROCESSES) -> Iterator[Judged]:
    """Each site in its own turn, several processes side by side; what was judged is kept in the folder."""
    with get_context("spawn").Pool(processes, maxtasksperchild=10) as pool:
        yield from pool.imap(partial(_one, folder=folder), plans)


def kept_path(folder: Path, plan: SitePlan) -> Path:
    return folder / f"v{VERSION}-seed{plan.seed}" / f"{plan.id}.npz"


def _one(plan: SitePlan, folder: Path) -> Judged:
    judged = judge(generate(plan))
    keep(kept_path(folder, plan), judged)
    return judged


def keep(path: Path, judged: Judged) -> None:
    """Alerts and truth as lines of JSON, energies as columns, in one file."""
    path.parent.mkdir(parents=True, exist_ok=True)
    begin_ms = judged.plan.year.begin_ms
    truth = [one.line(judged.plan.id, begin_ms) | {"first": one.first, "stop": one.stop} for one in judged.wrongs]
    said = [{name: getattr(one, name) for name in Said.__slots__} for one in judged.said]
    losses = {f"lost_{n}": one.lost_wh for n, one in enumerate(judged.wrongs)}
    text = json.dumps({"truth": truth, "said": said, "has_dc": judged.has_dc, "took_s": judged.took_s})
    columns = {"days": judged.days, "made_wh": judged.made_wh, "healthy_wh": judged.healthy_wh, **losses}
    np.savez_compressed(path, text=np.array(text), **columns)


def kept(path: Path, plan: SitePlan) -> Judged:
    with np.load(path) as file:
        text: dict[str, Any] = json.loads(str(file["text"]))
        said = tuple(Said(**{**one, "causes": tuple(one["causes"])}) for one in text["said"])
        wrongs = tuple(
            Wrong(
                one["kind"], one["device"], tuple(one["cause"]), tuple(one["companions"]), one["of"], one["first"],
                one["stop"], one["size"], one["variant"], file[f"lost_{n}"],
            )
            for n, one in enumerate(text["truth"])
        )  # fmt: skip
        columns = (file["days"], file["made_wh"], file["healthy_wh"])
        return Judged(plan, said, wrongs, *columns, text["has_dc"], text["took_s"])

"""Run the trial: python -m tests.bench.trial --sites 20 --seed 1 [--only forecast] [--score-only] [--json] [--final]

Making a site-year takes a fifth of a second, so years are made anew and not kept; what was judged is kept in --folder,
by seed and generator version, and --score-only scores that again without judging.
Seeds 1 to 999 are for tuning. Seeds from 1000 are for final figures and need --final: never tune on them.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from pathlib import Path

from tests.bench.trial.judging import PROCESSES, Judged, judge_all, kept, kept_path
from tests.bench.trial.measured_sky import measured_sky
from tests.bench.trial.plan import Basis, plan
from tests.bench.trial.score import score
from tests.bench.trial.table import table

FIRST_FINAL_SEED = 1000


def wrong_seed(seed: int, final: bool) -> str:
    """Why this seed must not be used so; "" where it may."""
    if final and seed < FIRST_FINAL_SEED:
        return f"final figures take a seed of {FIRST_FINAL_SEED} or more, never one that was tuned on"
    if not final and not 0 < seed < FIRST_FINAL_SEED:
        return (
            f"seeds from {FIRST_FINAL_SEED} on are for final figures: say --final, or take 1 to {FIRST_FINAL_SEED - 1}"
        )
    return ""


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.trial", description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--sites", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=[str(basis) for basis in Basis])
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "pv-watcher-trial")
    parser.add_argument("--processes", type=int, default=PROCESSES)
    parser.add_argument("--score-only", action="store_true", help="score what was judged before")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--final", action="store_true")
    asked = parser.parse_args(arguments)
    if trouble := wrong_seed(asked.seed, asked.final):
        parser.error(trouble)
    bases = (Basis(asked.only),) if asked.only else tuple(Basis)
    plans = plan(asked.seed, asked.sites, bases)
    if measured_sky().invented:
        print("the open datasets are not beside the project: the sky is invented", file=sys.stderr)
    trial: list[Judged] = []
    if asked.score_only:
        trial = [kept(path, one) for one in plans if (path := kept_path(asked.folder, one)).exists()]
    else:
        os.environ.setdefault("OMP_NUM_THREADS", "1")  # each process has one core
        for judged in judge_all(plans, asked.folder, asked.processes):
            trial.append(judged)
            print(f"{judged.plan.id}: {judged.plan.kind}, {judged.plan.basis}, {judged.took_s:.0f} s", file=sys.stderr)
    found = score(trial)
    print(json.dumps(found, indent=2) if asked.json else table(found), end="")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

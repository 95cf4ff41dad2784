"""Stored runs do not depend on how time was cut into evaluations."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st
from ledger_samples import SITE, T0, run

from watcher.domain.evaluation import Evaluation
from watcher.domain.finding import Finding, Verdict, VerdictRun
from watcher.domain.instant import GRID_MS
from watcher.store.ledger import Ledger

# What one grid point says: nothing at all, or a verdict with its code, causes and loss.
saying = st.one_of(
    st.none(),
    st.tuples(
        st.sampled_from([(Verdict.OK, "ok", ()), (Verdict.FAULT, "still", ("a",)), (Verdict.FAULT, "still", ("b",))]),
        st.integers(0, 9),
    ),
)
SUBJECTS = ((Finding.METER_STALLED, "meter-1"), (Finding.METER_STALLED, "meter-2"), (Finding.STRING_OPEN, "meter-1"))


def point_runs(sayings: Sequence[tuple[object, ...]], first: int, last: int) -> list[VerdictRun]:
    """A run of one point for everything said in a stretch, in order of time."""
    found = []
    for index in range(first, last):
        for (finding, subject), said in zip(SUBJECTS, sayings[index], strict=True):
            if said is not None:
                (verdict, code, causes), loss = said  # type: ignore[misc]
                at = T0 + index * GRID_MS
                found.append(
                    run(at, at, finding=finding, subject=subject, verdict=verdict, code=code, causes=causes,
                        observed=float(index), loss_mwh=loss)
                )  # fmt: skip
    return found


def merged(points: Sequence[VerdictRun]) -> list[VerdictRun]:
    """The rule in plain Python, with nothing of the ledger in it."""
    found: list[VerdictRun] = []
    for finding, subject in SUBJECTS:
        mine = [one for one in points if (one.finding, one.subject) == (finding, subject)]
        breaks = [
            i
            for i, (a, b) in enumerate(pairwise(mine), start=1)
            if b.first_ms - a.first_ms != GRID_MS or (a.verdict, a.code, a.causes) != (b.verdict, b.code, b.causes)
        ]
        for i, j in pairwise([0, *breaks, len(mine)]):
            if i < j:
                head = mine[i]
                loss = sum(one.loss_mwh for one in mine[i:j])
                found.append(
                    run(head.first_ms, mine[j - 1].last_ms, finding=finding, subject=subject, verdict=head.verdict,
                        code=head.code, causes=head.causes, observed=head.observed, loss_mwh=loss)
                )  # fmt: skip
    return sorted(found, key=lambda one: (one.first_ms, one.finding, one.subject))


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_any_cutting_stores_the_same_runs(data: st.DataObject) -> None:
    sayings = data.draw(st.lists(st.tuples(saying, saying, saying), min_size=1, max_size=14))
    inner = data.draw(st.sets(st.integers(1, len(sayings)), max_size=6))
    cuts = sorted({0, len(sayings), *inner})
    with Ledger("sqlite://") as ledger:
        until = None
        for first, last in pairwise(cuts):
            # An evaluation hands in runs that are merged within its stretch, as a detector makes them.
            runs = tuple(merged(point_runs(sayings, first, last)))
            end = T0 + (last - 1) * GRID_MS
            ledger.commit(Evaluation(SITE, T0 + first * GRID_MS, end, runs=runs), until)
            until = end
        assert ledger.runs(SITE) == merged(point_runs(sayings, 0, len(sayings)))
        newest = {(one.finding, one.subject): one for one in ledger.runs(SITE)}
        assert {(one.finding, one.subject): one for one in ledger.last_runs(SITE)} == newest

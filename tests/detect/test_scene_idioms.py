"""The vector idioms detectors share, each against the plain loop it stands for."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from watcher.align.window import Window
from watcher.detect.scene import (
    FAULT,
    OK,
    UNKNOWN,
    accrued,
    as_known,
    last_true,
    sum_since,
    trailing_sum,
    usable_through,
)
from watcher.domain.instant import GRID_MS

flags = st.lists(st.booleans(), min_size=1, max_size=40)


@given(flags)
def test_last_true_is_the_last_one_at_or_before(mask: list[bool]) -> None:
    expected = [max((at for at in range(place + 1) if mask[at]), default=-1) for place in range(len(mask))]
    assert last_true(np.array(mask)).tolist() == expected


@given(flags)
def test_sum_since_begins_after_its_reset(mask: list[bool]) -> None:
    values = np.arange(1.0, len(mask) + 1.0)
    reset = last_true(np.array(mask))
    expected = [values[reset[place] + 1 : place + 1].sum() for place in range(len(mask))]
    assert sum_since(values, reset).tolist() == expected


@given(flags, st.integers(1, 50))
def test_trailing_sum_takes_so_many(mask: list[bool], count: int) -> None:
    values = np.array(mask, dtype=np.float64)
    expected = [values[max(0, place - count + 1) : place + 1].sum() for place in range(len(mask))]
    assert trailing_sum(values, count).tolist() == expected


@given(st.lists(st.integers(0, 6), min_size=1, max_size=40))
def test_usable_through_never_skips_what_is_not_known_yet(delays: list[int]) -> None:
    window = Window(0, len(delays), {}, {})
    known_ms = window.ends() + GRID_MS * np.array(delays)
    through = usable_through(window, known_ms)
    for point, end in enumerate(window.ends()):
        known = [bool(ms <= end) for ms in known_ms]
        first_unknown = known.index(False) if False in known else len(known)
        assert through[point] == min(first_unknown - 1, point)


def test_a_verdict_is_that_of_the_last_known_interval_and_grows_old() -> None:
    window = Window(0, 5, {}, {})
    raw = np.array([OK, FAULT, OK, OK, OK], dtype=np.int8)
    through = np.array([-1, 1, 1, 1, 1])
    assert as_known(raw, through, window, 2 * GRID_MS).tolist() == [UNKNOWN, FAULT, FAULT, FAULT, UNKNOWN]


@given(
    st.lists(st.tuples(st.booleans(), st.integers(0, 1000), st.integers(0, 3)), min_size=1, max_size=40),
)
def test_what_fault_points_lost_adds_up_to_all_that_became_known_by_the_last(rows: list[tuple[bool, int, int]]) -> None:
    fault = np.array([row[0] for row in rows])
    lost = np.array([row[1] for row in rows], dtype=np.float64)
    window = Window(0, len(rows), {}, {})
    through = usable_through(window, window.ends() + GRID_MS * np.array([row[2] for row in rows]))
    found = accrued(lost, through, fault)
    assert (found[~fault] == 0.0).all()
    for point in np.flatnonzero(fault):
        assert found[: point + 1].sum() == lost[: through[point] + 1].sum()

"""The silence table: every combination of its facts, held to what may and what must never be concluded."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import product
from typing import NamedTuple

import numpy as np
import pytest

from watcher.alert.wording_table import FAULTS
from watcher.detect.no_generation import CAUSES
from watcher.detect.presence import Presence
from watcher.detect.silence import (
    CONTRADICTION,
    NOTHING,
    BoardFact,
    GridFact,
    InterfaceFact,
    InverterFact,
    MeterFact,
    Outcome,
    SunFact,
    decide,
)
from watcher.domain.finding import Finding


class Facts(NamedTuple):
    inverter: InverterFact
    meter: MeterFact
    grid: GridFact
    sun: SunFact
    board: BoardFact
    interface: InterfaceFact


EVERY = [Facts(*row) for row in product(InverterFact, MeterFact, GridFact, SunFact, BoardFact, InterfaceFact)]
HERE, DAY, NIGHT = BoardFact.HEARD, SunFact.UP, SunFact.DOWN


def where(holds: Callable[[Facts], bool]) -> Iterator[tuple[Facts, Outcome]]:
    """Every combination of which something holds, with what the table says. There must be some."""
    chosen = [facts for facts in EVERY if holds(facts)]
    assert chosen
    return ((facts, decide(*facts)) for facts in chosen)


def test_every_combination_of_facts_has_an_outcome() -> None:
    assert len(EVERY) == 3 * 4 * 3 * 2 * 2 * 3
    assert {type(decide(*facts)) for facts in EVERY} == {Outcome}
    assert {decide(*facts).finding for facts in EVERY} == {
        None,
        Finding.METER_STALLED,
        Finding.METER_SILENT,
        Finding.INVERTER_SILENT,
        Finding.NO_GENERATION,
    }


def test_nothing_is_concluded_about_a_device_while_we_did_not_listen() -> None:
    for facts, outcome in where(lambda f: f.board is BoardFact.NOT_HEARD):
        assert outcome == Outcome(None, ("home-offline",)), facts


def test_an_inverter_that_rests_or_is_silent_by_night_is_never_a_fault() -> None:
    for facts, outcome in where(lambda f: f.inverter is not InverterFact.PRODUCING and f.sun is NIGHT):
        assert outcome.finding is None, facts


def test_a_moving_meter_never_leads_to_no_generation() -> None:
    for facts, outcome in where(lambda f: f.meter is MeterFact.MOVING):
        assert outcome.finding is not Finding.NO_GENERATION, facts


def test_a_silent_inverter_beside_a_still_meter_in_the_sun_is_never_mere_communication() -> None:
    silent_beside_still = (InverterFact.SILENT, MeterFact.STILL)
    for facts, outcome in where(lambda f: f[:2] == silent_beside_still and (f.sun, f.board) == (DAY, HERE)):
        assert outcome.finding is Finding.NO_GENERATION, facts
        assert set(outcome.causes) <= {"dc-side-off", "ac-side-off"}, facts


def test_a_producing_inverter_is_no_fault_of_its_own_and_a_meter_is_blamed_only_beside_one() -> None:
    blames_meter = {Finding.METER_STALLED, Finding.METER_SILENT}
    for facts, outcome in where(lambda _: True):
        if outcome.finding is not None:
            assert (outcome.finding in blames_meter) is (facts.inverter is InverterFact.PRODUCING), facts


def test_an_inverter_that_answers_is_never_called_silent_and_its_dc_side_never_off() -> None:
    for facts, outcome in where(lambda f: f.inverter is not InverterFact.SILENT):
        assert outcome.finding is not Finding.INVERTER_SILENT, facts
        assert "dc-side-off" not in outcome.causes, facts


def test_a_meter_that_is_heard_rules_out_a_circuit_without_mains_before_it() -> None:
    for facts, outcome in where(lambda f: f.meter in (MeterFact.MOVING, MeterFact.STILL)):
        assert not {"circuit-off-upstream", "bus-or-gateway"} & set(outcome.causes), facts


def test_what_powers_the_interface_decides_only_about_a_silent_inverter() -> None:
    for inverter, meter, grid, sun, board, _ in EVERY:
        outcomes = {decide(inverter, meter, grid, sun, board, interface) for interface in InterfaceFact}
        if inverter is not InverterFact.SILENT:
            assert len(outcomes) == 1


def test_the_voltage_of_an_inverter_that_is_not_heard_is_of_no_account() -> None:
    for meter, sun, board, interface in product(MeterFact, SunFact, BoardFact, InterfaceFact):
        assert len({decide(InverterFact.SILENT, meter, grid, sun, board, interface) for grid in GridFact}) == 1


def test_an_outcome_names_at_most_three_causes_and_none_twice_and_every_finding_names_one() -> None:
    for facts, outcome in where(lambda _: True):
        assert len(outcome.causes) == len(set(outcome.causes)) <= 3, facts
        assert outcome.causes or outcome.finding is None, facts


def test_one_cause_has_words_of_its_own_and_several_fall_to_the_row_for_unknown() -> None:
    for facts, outcome in where(lambda f: decide(*f).finding is not None):
        assert outcome.finding is not None
        cause = outcome.causes[0] if len(outcome.causes) == 1 else ""
        assert (outcome.finding, cause) in FAULTS, facts


def test_no_generation_can_tell_every_cause_the_table_gives_it() -> None:
    given = {outcome.causes for _, outcome in where(lambda f: decide(*f).finding is Finding.NO_GENERATION)}
    assert given == set(CAUSES) - {()}


PRODUCING, IDLE, SILENT = InverterFact
MOVING, STILL, METER_SILENT, NONE = MeterFact
SEEN, ABSENT, UNSEEN = GridFact
AC, DC, ANY = InterfaceFact


@pytest.mark.parametrize(
    ("facts", "finding", "causes"),
    [
        pytest.param((PRODUCING, MOVING, SEEN, DAY, HERE, DC), None, (), id="all is well"),
        pytest.param((PRODUCING, NONE, SEEN, DAY, HERE, DC), None, (), id="well, no meter to ask"),
        pytest.param(
            (PRODUCING, STILL, SEEN, DAY, HERE, DC), Finding.METER_STALLED, ("register-still",), id="case B1 S1"
        ),
        pytest.param(
            (PRODUCING, METER_SILENT, SEEN, DAY, HERE, DC), Finding.METER_SILENT, ("not-heard",), id="case B1 S2"
        ),
        pytest.param((SILENT, STILL, UNSEEN, NIGHT, HERE, DC), None, (), id="case A6: asleep at night"),
        pytest.param(
            (SILENT, MOVING, UNSEEN, DAY, HERE, DC), Finding.INVERTER_SILENT, ("link-to-inverter",), id="case A6 D"
        ),
        pytest.param((SILENT, STILL, UNSEEN, DAY, HERE, DC), Finding.NO_GENERATION, ("dc-side-off",), id="case A6 E"),
        pytest.param((IDLE, STILL, ABSENT, DAY, HERE, DC), Finding.NO_GENERATION, ("ac-side-off",), id="case G2 W1"),
        pytest.param((SILENT, STILL, UNSEEN, DAY, HERE, AC), Finding.NO_GENERATION, ("ac-side-off",), id="mains lost"),
        pytest.param(
            (SILENT, STILL, UNSEEN, DAY, HERE, ANY),
            Finding.NO_GENERATION,
            ("dc-side-off", "ac-side-off"),
            id="case G2 W2, nights not yet known",
        ),
        pytest.param(
            (IDLE, METER_SILENT, ABSENT, DAY, HERE, DC),
            Finding.NO_GENERATION,
            ("circuit-off-upstream",),
            id="the whole circuit is dark",
        ),
        pytest.param((IDLE, STILL, SEEN, DAY, HERE, DC), Finding.NO_GENERATION, ("not-running",), id="will not start"),
        pytest.param(
            (SILENT, METER_SILENT, UNSEEN, DAY, HERE, DC),
            Finding.INVERTER_SILENT,
            ("bus-or-gateway", "circuit-off-upstream"),
            id="nothing is heard but ourselves",
        ),
        pytest.param(
            (SILENT, NONE, UNSEEN, DAY, HERE, DC),
            Finding.INVERTER_SILENT,
            ("link-to-inverter", "dc-side-off"),
            id="no meter says which",
        ),
        pytest.param((IDLE, MOVING, SEEN, DAY, HERE, DC), CONTRADICTION.finding, CONTRADICTION.causes, id="odd"),
        pytest.param((IDLE, STILL, ABSENT, NIGHT, HERE, DC), NOTHING.finding, NOTHING.causes, id="no mains by night"),
    ],
)
def test_the_table_says(
    facts: tuple[InverterFact, MeterFact, GridFact, SunFact, BoardFact, InterfaceFact],
    finding: Finding | None,
    causes: tuple[str, ...],
) -> None:
    assert decide(*facts) == Outcome(finding, causes)


def test_columns_of_facts_come_to_the_same_as_the_table_row_by_row() -> None:
    kinds = (InverterFact, MeterFact, GridFact, SunFact, BoardFact, InterfaceFact)
    inverter, meter, grid, sun, board, interface = (
        np.array([list(kind).index(fact) for fact in facts], dtype=np.int8)
        for kind, facts in zip(kinds, zip(*EVERY, strict=True), strict=True)
    )
    never = np.zeros(len(EVERY), dtype=np.int64)
    outcomes, place = Presence(inverter, meter, grid, sun, board, interface, never, never).outcomes()
    assert [outcomes[at] for at in place] == [decide(*facts) for facts in EVERY]

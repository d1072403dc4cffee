"""The order of cases under programs, held against every order there is.

Witness: all permutations of a few cases, tried one by one; the definition of the order, not its algorithm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.catalogue import Catalogue, shipped
from hil.plan.programs import changes_of, order_cases
from hil.spec.kinds import Kind
from hil.spec.loading import load_robot, load_suite
from hil.spec.robot_values import Program, RobotFile
from hil.spec.suite_values import Case, Suite

SUITE = load_suite(shipped(Kind.SUITE)["straight-line"], Catalogue())
ROBOT = load_robot(shipped(Kind.ROBOT)["virtual-prints"], Catalogue())
JOBS = ("driving", "sensing")
Placed = tuple[Suite, Case]


def robot_with(jobs: Sequence[tuple[str, ...]]) -> RobotFile:
    programs = {f"p{index}": Program(name=f"p{index}", protocol="x", can=can) for index, can in enumerate(jobs)}
    return replace(ROBOT, programs=programs)


def suite_with(name: str, cases: Sequence[tuple[str, tuple[str, ...]]]) -> Suite:
    template = SUITE.cases[0]
    made = [replace(template, name=f"c{i}", program=program, needs=needs) for i, (program, needs) in enumerate(cases)]
    return replace(SUITE, name=name, cases=tuple(made))


@st.composite
def suites(draw: st.DrawFn) -> list[Suite]:
    wanted = st.sampled_from((*JOBS, "p0", "p1", "p2", "nowhere"))
    found, left = [], 6
    for name in ("first", "second"):
        count = draw(st.integers(0, min(4, left)))
        left -= count
        cases = []
        for index in range(count):
            needs = draw(st.sets(st.sampled_from([f"c{i}" for i in range(index)]), max_size=2)) if index else set()
            cases.append((draw(wanted), tuple(sorted(needs))))
        found.append(suite_with(name, cases))
    return found


def is_allowed(order: Sequence[Placed]) -> bool:
    seen: set[tuple[str, str]] = set()
    for suite, case in order:
        if any((suite.name, need) not in seen for need in case.needs):
            return False
        seen.add((suite.name, case.name))
    return True


@given(suites(), st.lists(st.sampled_from([(), ("driving",), ("sensing",), JOBS]), min_size=1, max_size=3), st.data())
def test_no_order_that_keeps_the_needs_changes_programs_less_or_stands_nearer_to_the_files(
    given_suites: list[Suite], jobs: list[tuple[str, ...]], data: st.DataObject
) -> None:
    robot = robot_with(jobs)
    loaded = data.draw(st.sampled_from(["", *robot.programs]))
    everything = [(suite, case) for suite in given_suites for case in suite.cases]
    numbers = {(suite.name, case.name): number for number, (suite, case) in enumerate(everything)}
    best = min(
        (changes_of(order, robot, loaded), tuple(numbers[suite.name, case.name] for suite, case in order))
        for order in permutations(everything)
        if is_allowed(order)
    )
    order = order_cases(given_suites, robot, loaded)
    assert (changes_of(order, robot, loaded), tuple(numbers[s.name, c.name] for s, c in order)) == best


def test_one_program_for_all_keeps_the_order_of_the_files() -> None:
    suite = suite_with("only", [("driving", ()), ("p0", ()), ("sensing", ("c0",)), ("driving", ())])
    assert [case.name for _, case in order_cases([suite], robot_with([JOBS]))] == ["c0", "c1", "c2", "c3"]


def test_cases_of_two_programs_in_turn_are_run_with_one_change() -> None:
    suite = suite_with("turns", [(job, ()) for job in JOBS * 20])
    robot = robot_with([("driving",), ("sensing",)])
    order = order_cases([suite], robot)
    assert changes_of(order, robot) == 1
    assert [case.program for _, case in order] == ["driving"] * 20 + ["sensing"] * 20


def test_what_needs_the_other_program_again_changes_only_as_often_as_its_chain() -> None:
    chain = [("driving", ()), ("sensing", ("c0",)), ("driving", ("c1",)), ("sensing", ()), ("driving", ())]
    robot = robot_with([("driving",), ("sensing",)])
    order = order_cases([suite_with("chain", chain)], robot)
    assert changes_of(order, robot) == 2
    assert [case.name for _, case in order] == ["c0", "c1", "c3", "c2", "c4"]


@pytest.mark.parametrize("programs", [4, 12])
def test_a_hundred_cases_of_many_programs_are_ordered_at_once_and_keep_their_needs(programs: int) -> None:
    """Beyond the bound of the search the order is greedy; what must hold still holds."""
    cases = [(f"p{index * 7 % programs}", (f"c{index - 1}",) if index % 5 else ()) for index in range(100)]
    suite = suite_with("many", cases)
    robot = robot_with([()] * programs)
    order = order_cases([suite], robot)
    assert is_allowed(order)
    assert len({case.name for _, case in order}) == 100
    assert changes_of(order, robot) <= changes_of([(suite, case) for case in suite.cases], robot)

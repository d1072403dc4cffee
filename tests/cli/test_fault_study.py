"""What the study of faults calls right and what it calls wrong, on runs written out by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pytest

from hil.cli.fault_rows import FaultRow, Moves
from hil.cli.fault_study import lines_of
from hil.cli.many_runs import VirtualOutcome, VirtualRun

# A pivot of 180 deg on a wheel base 2 % longer turns 180/1.02 deg: 3.53 deg short.
BASE = FaultRow(
    fault="wheel-base=2 %",
    moves=(Moves(measurement="half_turn_error", truth="", expected=180 / 1.02 - 180, unit="deg"),),
    stays=(),
)
STAYS = FaultRow(fault="wheel-base=2 %", moves=(), stays=("half_turn_error",))
SPREAD = (-0.05, 0.0, 0.05)


def run(value: float | None, u: float | None = 0.02, upper: float = 3.0) -> VirtualOutcome:
    outcome = "undecided" if value is None else "passed" if abs(value) <= upper else "failed"
    assertion: Mapping[str, Any] = {
        "measurement": "half_turn_error", "value": value, "u": u, "outcome": outcome,
        "tolerance": {"lower": -upper, "upper": upper},
    }  # fmt: skip
    result = {"suites": [{"cases": [{"assertions": [assertion]}]}]}
    return VirtualOutcome(run=VirtualRun(seed=1), exit_status=0, result=result)


def runs(values: Sequence[float | None]) -> list[VirtualOutcome]:
    return [run(value) for value in values]


def check(row: FaultRow, before: Sequence[float | None], after: Sequence[float | None]) -> tuple[str, str, bool]:
    ((cells, is_right),) = lines_of(row, runs(before), runs(after))
    return cells[-2], cells[-1], is_right


def test_a_reading_that_moves_as_the_closed_form_says_is_right() -> None:
    assert check(BASE, SPREAD, [-3.5, -3.6, -3.4]) == ("3 failed", "moves as expected", True)


@pytest.mark.parametrize("after", [SPREAD, [-6.9, -7.0, -6.8], [3.5, 3.6, 3.7], [-3.5, None, -3.5]])
def test_a_reading_that_moves_otherwise_is_wrong(after: Sequence[float | None]) -> None:
    assert check(BASE, SPREAD, after)[1:] == ("WRONG", False)


def test_what_a_fault_must_fail_is_failed_on_every_seed() -> None:
    # 0.62 - 3.53 = -2.91 deg lies within 3 deg: the robot was off to the other side. It is told all the same.
    assert check(BASE, (0.62, 0.0, 0.05), (-2.95, -3.5, -3.5)) == ("1 passed, 2 failed", "WRONG", False)


@pytest.mark.parametrize(("after", "is_right"), [(0.02, True), (0.039, True), (0.05, False)])
def test_what_stays_stays_within_two_u(after: float, is_right: bool) -> None:
    # u of one reading is 0.02 deg, and the readings do not scatter.
    assert check(STAYS, (0.0, 0.0), (after, after))[2] is is_right


def test_what_stays_is_within_a_tenth_of_the_tolerance_however_large_u_is() -> None:
    ((_, is_right),) = lines_of(STAYS, [run(0.0, 1.0), run(0.0, 1.0)], [run(0.31, 1.0), run(0.31, 1.0)])
    assert not is_right

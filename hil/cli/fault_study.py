"""Does each measurement move as a fault must make it move, and no other: the rows of `hil study faults`."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from hil.cli.fault_rows import MUST_FAIL, MUST_PASS, FaultRow, Moves
from hil.cli.many_runs import VirtualOutcome

RULES = (
    "moves: within 15 % of the expected reading or two u, and u below 10 % of it; stays: within two u "
    "(the larger of u and the measurement's own), and within 10 % of the tolerance to one side,"
    " where that is not nought; what a fault must fail is failed on every seed."
)


def lines_of(
    row: FaultRow, nominal: Sequence[VirtualOutcome], faulty: Sequence[VirtualOutcome]
) -> list[tuple[list[str], bool]]:
    """Return the lines of the table for one fault, each with whether it is right; the runs are paired by seed."""
    lines = [_moved(row, moves, nominal, faulty) for moves in row.moves]
    lines += [_failed(row, name, faulty) for name in row.fails]
    return lines + [_stayed(row, name, nominal, faulty) for name in row.stays]


def _failed(row: FaultRow, name: str, faulty: Sequence[VirtualOutcome]) -> tuple[list[str], bool]:
    outcomes = _outcomes(name, faulty)
    is_right = outcomes == f"{len(faulty)} failed"
    return [row.fault, name, "", "", "", "", outcomes, "fails as it must" if is_right else "WRONG"], is_right


def _shift(
    name: str, nominal: Sequence[VirtualOutcome], faulty: Sequence[VirtualOutcome]
) -> tuple[float, float] | None:
    """Return the mean paired difference and its standard uncertainty; None where a run did not measure it."""
    pairs = [(a.assertion(name)["value"], b.assertion(name)["value"]) for a, b in zip(nominal, faulty, strict=True)]
    if any(before is None or after is None for before, after in pairs):
        return None
    shifts = [after - before for before, after in pairs]
    mean = sum(shifts) / len(shifts)
    variance = sum((shift - mean) ** 2 for shift in shifts) / (len(shifts) - 1)
    return mean, math.sqrt(variance / len(shifts))


def _outcomes(name: str, faulty: Sequence[VirtualOutcome]) -> str:
    words = [str(one.assertion(name)["outcome"]) for one in faulty]
    return ", ".join(f"{words.count(word)} {word}" for word in dict.fromkeys(words))


def _as_asked(fault: str, name: str, faulty: Sequence[VirtualOutcome]) -> bool:
    outcomes = {one.assertion(name)["outcome"] for one in faulty}
    if MUST_FAIL.get(fault) == name:
        return outcomes == {"failed"}
    return MUST_PASS.get(fault) != name or outcomes == {"passed"}


def _moved(
    row: FaultRow, moves: Moves, nominal: Sequence[VirtualOutcome], faulty: Sequence[VirtualOutcome]
) -> tuple[list[str], bool]:
    outcomes = _outcomes(moves.measurement, faulty)
    found = _shift(moves.measurement, nominal, faulty)
    before = [one.assertion(moves.measurement)["value"] or 0.0 for one in nominal]
    due = moves.expected - (sum(before) / len(before) if moves.is_level else 0.0)
    expected = f"{due:+.4g} {moves.unit}".strip()
    if found is None:
        return [row.fault, moves.measurement, moves.truth, expected, "not measured", "", outcomes, "WRONG"], False
    shift, u = found
    near = abs(shift - due) <= max(0.15 * abs(due), 2 * u)
    is_right = near and u <= 0.1 * abs(due) and _as_asked(row.fault, moves.measurement, faulty)
    cells = [row.fault, moves.measurement, moves.truth, expected, f"{shift:+.4g}", f"{u:.2g}", outcomes]
    return [*cells, "moves as expected" if is_right else "WRONG"], is_right


def _stayed(
    row: FaultRow, name: str, nominal: Sequence[VirtualOutcome], faulty: Sequence[VirtualOutcome]
) -> tuple[list[str], bool]:
    outcomes = _outcomes(name, faulty)
    found = _shift(name, nominal, faulty)
    if found is None:
        return [row.fault, name, "none", "0", "not measured", "", outcomes, "WRONG"], False
    shift, u = found
    # The measurement's own u is what a reader of one report would compare a change with.
    own_u = max(one.assertion(name)["u"] or 0.0 for one in faulty)
    is_right = abs(shift) <= 2 * max(u, own_u) and abs(shift) <= 0.1 * _half_width(faulty[0].assertion(name))
    cells = [row.fault, name, "none", "0", f"{shift:+.2g}", f"{u:.2g}", outcomes]
    return [*cells, "stays" if is_right else "WRONG"], is_right


def _half_width(assertion: Mapping[str, Any]) -> float:
    lower, upper = assertion["tolerance"]["lower"], assertion["tolerance"]["upper"]
    if lower is None or upper is None:
        # A single bound at nought has no width of its own; two u alone then say whether anything moved.
        return abs(float(upper if lower is None else lower)) or math.inf
    return float(upper - lower) / 2

"""What all reports say in the same words: values with their uncertainty, the robot and its faults, tallies.

Texts of robots, files and operators are untrusted: `visible` makes control characters harmless by writing them out,
and every report escapes for its own form what is left.
"""

from __future__ import annotations

import unicodedata

from hil.judge.rounding import plain_number, rounded_pair, with_unit
from hil.judge.verdict import CONFIDENCE, spoken_confidence
from hil.outcomes import Outcome
from hil.results import AssertionResult, Route, RunResult, SuiteResult, UnjudgedResult

NOT_MEASURED = "–"
NO_TOLERANCE = "Told, not judged."
NOTHING_SHOWN = "No assertion was made, so that this run shows nothing of the robot."
NUMBERS_BY = {
    Route.TELEMETRY: "the robot's telemetry",
    Route.OPERATOR: "the operator",
    Route.BOTH: "the robot's telemetry and the operator, joined where they agree",
}
# Control and format characters (which include those that turn the direction of writing), surrogates, separators.
_INVISIBLE = {"Cc", "Cf", "Cs", "Zl", "Zp"}


def visible(text: str) -> str:
    """Return `text` in one line, with every character that could act on a terminal written out as an escape."""
    return "".join(_escaped(char) if unicodedata.category(char) in _INVISIBLE else char for char in text)


def _escaped(char: str) -> str:
    return " " if char in "\t\n\r" else char.encode("unicode_escape", "surrogatepass").decode("ascii")


def spoken_value(assertion: AssertionResult | UnjudgedResult) -> str:
    """Return value ± U with the unit, `3 in 10` for counted things, a dash where nothing was measured."""
    if assertion.value is None:
        return NOT_MEASURED
    if assertion.is_count:
        return f"{plain_number(assertion.value)} in {assertion.n}"
    unit = visible(assertion.unit)
    if assertion.expanded is None:
        return with_unit(plain_number(assertion.value), unit)
    value, expanded = rounded_pair(assertion.value, assertion.expanded)
    odd = "" if assertion.confidence == CONFIDENCE else f" ({spoken_confidence(assertion.confidence)})"
    return with_unit(f"{value} ± {expanded}", unit) + odd


def spoken_robot(run: RunResult) -> str:
    """Return which robot it was, and whether it was one."""
    robot = run.robot
    serial = f", serial {robot.serial}" if robot.serial else ""
    kind = "virtual robot" if robot.is_virtual else "robot"
    return visible(f"{kind} {robot.name}{serial}, {robot.robot_class} class")


def spoken_faults(run: RunResult) -> str:
    """Return the faults given to the virtual robot, or `none`."""
    return visible(", ".join(run.faults)) or "none"


def spoken_tally(tally: dict[Outcome, int]) -> str:
    """Return how many verdicts there are of each outcome that occurs: `12 passed, 1 failed`."""
    return ", ".join(f"{count} {outcome.value}" for outcome, count in tally.items() if count) or "nothing judged"


def spoken_outcome(suite: SuiteResult) -> str:
    """Return what came of a suite; where only a part of it was skipped, how much, so that it does not read as all."""
    tally = suite.tally()
    is_part = suite.outcome is Outcome.SKIPPED and any(n for outcome, n in tally.items() if outcome.is_good)
    return f"skipped in part: {spoken_tally(tally)}" if is_part else suite.outcome.value


def spoken_lines(run: RunResult) -> list[str]:
    """Return, port by port, how many lines came well, came broken and did not come."""
    return [visible(f"{c.port}: {c.good} good, {c.bad} bad, {c.lost} lost") for c in run.lines]


def spoken_times(run: RunResult) -> str:
    """Return the robot's time, the user's time and the ratio between them."""
    if run.robot_s is None or run.ratio is None:
        return f"{run.wall_s:.1f} s"
    return f"{run.wall_s:.1f} s for {run.robot_s:.1f} s of the robot's own time (ratio {run.ratio:.3f})"


def spoken_start(run: RunResult) -> str:
    """Return date and time of the start to the second, with the zone."""
    return run.started.strftime("%Y-%m-%d %H:%M:%S %Z").strip()

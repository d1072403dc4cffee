"""What a run gave, as frozen values: a run holds suites, a suite cases, a case assertions.

Values only: `hil.reports` draws them and writes them as JSON. The outcome of a case, a suite and a run is the worst of
what it holds and is never stored beside it, so that it cannot disagree. A number that was not measured is None, never
0 and never nan. A run on the virtual robot is marked as such here, and faults are refused for a real robot.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum

from hil.judge.verdict import CONFIDENCE, Rule
from hil.outcomes import EXIT_STATUS, Outcome, worst

FORMAT_VERSION = 1
_EXIT_INTERRUPTED = 130
_WITHOUT_ASSERTIONS = (Outcome.ERROR, Outcome.SKIPPED)  # what can come of a case or run beside its assertions


class Route(Enum):
    """Where the numbers of a run came from."""

    TELEMETRY = "telemetry"
    OPERATOR = "operator"
    BOTH = "both"  # joined where they agree, and reported where they do not


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """A tolerance as it was applied: the notation, and its limits in the measurement's unit; infinite where open."""

    text: str
    lower: float = -math.inf
    upper: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class PartResult:
    """What one of two routes said of a measurement, in the assertion's unit; `outcome` is its verdict alone."""

    source: str
    value: float
    u: float
    dof: float
    n: int
    outcome: Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class AssertionResult:
    """A measurement held against a tolerance, and what came of it.

    `value`, `u` (standard uncertainty), `expanded` (U, at the probability `confidence`) and the limits are in `unit`;
    each is None where it does not exist. `dof` are degrees of freedom, infinite where u is known and not estimated. `n`
    is how many samples the value rests on, or in how many trials `value` events were counted. `source` is who or what
    gave the number, `why` the reason for the tolerance, `reason` the reason for the outcome. `parts` are what each of
    two routes said, where both measured; they may disagree, and the value is then None.
    """

    suite: str
    case: str
    measurement: str
    unit: str
    tolerance: Limits
    rule: Rule
    outcome: Outcome
    reason: str
    value: float | None = None
    u: float | None = None
    dof: float = math.inf
    n: int = 0
    is_count: bool = False
    expanded: float | None = None
    confidence: float = CONFIDENCE
    p_conformance: float | None = None
    source: str = ""
    why: str = ""
    notes: tuple[str, ...] = ()
    parts: tuple[PartResult, ...] = ()

    def __post_init__(self) -> None:
        """Refuse numbers that are none, and an outcome without a reason."""
        for name in ("value", "u", "expanded", "p_conformance"):
            number = getattr(self, name)
            if number is not None and not math.isfinite(number):
                raise ValueError(f"{name} of {self.measurement} is {number!r}; what was not measured is None")
        if not self.reason:
            raise ValueError(f"the outcome of {self.measurement} needs a reason")


@dataclass(frozen=True, slots=True, kw_only=True)
class UnjudgedResult:
    """A measurement that no tolerance is held against: told, kept, and nothing follows from it.

    The fields are those of `AssertionResult`; `reason` says why there is no value, and is empty where there is one.
    Where robot and person both measured, each is a result of its own.
    """

    suite: str
    case: str
    measurement: str
    unit: str = ""
    reason: str = ""
    value: float | None = None
    u: float | None = None
    dof: float = math.inf
    n: int = 0
    is_count: bool = False
    expanded: float | None = None
    confidence: float = CONFIDENCE
    source: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a measurement with neither a value nor a reason."""
        if (self.value is None) != bool(self.reason):
            raise ValueError(f"{self.measurement} needs a value, or the reason why it has none")


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseResult:
    """What came of a case; `trouble` (error or skipped, with its reason) is what befell it beside its assertions.

    `measured` is what was measured besides, without a tolerance.
    """

    name: str
    title: str
    assertions: tuple[AssertionResult, ...] = ()
    measured: tuple[UnjudgedResult, ...] = ()
    trouble: Outcome | None = None
    reason: str = ""
    repeats: int = 1
    robot_s: float | None = None
    wall_s: float = 0.0
    notes: tuple[str, ...] = ()
    surfaces: tuple[str, ...] = ()  # of its rounds, in order, where it was repeated over surfaces

    def __post_init__(self) -> None:
        """Refuse a trouble that is none or has no reason."""
        _check_trouble(self.trouble, self.reason, self.name)

    @property
    def outcome(self) -> Outcome:
        """The worst of the assertions and of what befell the case; skipped where nothing was asserted."""
        return worst((*_maybe(self.trouble), *(assertion.outcome for assertion in self.assertions)))


@dataclass(frozen=True, slots=True, kw_only=True)
class SuiteResult:
    """What came of a suite."""

    name: str
    title: str
    cases: tuple[CaseResult, ...] = ()

    @property
    def outcome(self) -> Outcome:
        """The worst of the cases."""
        return worst(case.outcome for case in self.cases)

    @property
    def assertions(self) -> tuple[AssertionResult, ...]:
        """All assertions, case by case."""
        return tuple(assertion for case in self.cases for assertion in case.assertions)

    def tally(self) -> dict[Outcome, int]:
        """Return how many verdicts there are of each outcome, counted as in a run."""
        return _tally(self.cases)


@dataclass(frozen=True, slots=True, kw_only=True)
class RobotUnderTest:
    """Which robot it was; `is_virtual` says that it was none."""

    name: str
    serial: str
    robot_class: str
    is_virtual: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceFile:
    """The file with all that crossed the ports, beside the run's own file, and the SHA-256 of its content."""

    file: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineCounts:
    """Lines or frames of one port: passed their check, did not pass it, and missing by their sequence numbers."""

    port: str
    good: int = 0
    bad: int = 0
    lost: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayOf:
    """The run whose trace was measured and judged again, and the version of hil that made it."""

    run: str
    tool_version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Environment:
    """The conditions of ISO 18646-2:2019 that a report states; None where nobody stated them."""

    temperature_c: float | None = None
    humidity_percent: float | None = None
    illuminance_lux: float | None = None
    floor_friction: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedFile:
    """A file that was loaded into the robot with the settings in it: its name and the SHA-256 of its content."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingRead:
    """A setting of the firmware as it was read back before the run and after it, in its unit; None: not read."""

    name: str
    unit: str
    lowest: float
    highest: float
    before: float | None = None
    after: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResult:
    """One execution of suites on one robot.

    `started` carries its zone. `faults` are the faults given to the virtual robot, as written. `trouble` (error or
    skipped, with its reason) is what befell the run beside its suites. `robot_s` is the time that passed for the
    robot, None where it has no clock. `settings` are those read back from the firmware, `loaded` is the file with
    settings that it carries.
    """

    run_id: str
    started: datetime
    tool_version: str
    robot: RobotUnderTest
    route: Route
    suites: tuple[SuiteResult, ...] = ()
    faults: tuple[str, ...] = ()
    seed: int | None = None
    trouble: Outcome | None = None
    reason: str = ""
    is_interrupted: bool = False
    trace: TraceFile | None = None
    robot_s: float | None = None
    wall_s: float = 0.0
    lines: tuple[LineCounts, ...] = ()
    environment: Environment = field(default_factory=Environment)
    settings: tuple[SettingRead, ...] = ()
    loaded: LoadedFile | None = None
    notes: tuple[str, ...] = ()
    replay_of: ReplayOf | None = None
    format_version: int = FORMAT_VERSION

    def __post_init__(self) -> None:
        """Refuse faults on a real robot, a date without a zone, and a trouble that is none."""
        if self.faults and not self.robot.is_virtual:
            raise ValueError("only the virtual robot can have faults")
        if self.started.tzinfo is None:
            raise ValueError("the start of a run needs its time zone")
        _check_trouble(self.trouble, self.reason, "the run")

    @property
    def outcome(self) -> Outcome:
        """The worst of the suites and of what befell the run; skipped where nothing was run.

        An interrupted run is at best skipped: what did not come to its turn was not shown.
        """
        befell = (*_maybe(self.trouble), *_maybe(Outcome.SKIPPED if self.is_interrupted else None))
        return worst((*befell, *(suite.outcome for suite in self.suites)))

    @property
    def exit_status(self) -> int:
        """What the command line returns for this run."""
        return _EXIT_INTERRUPTED if self.is_interrupted else EXIT_STATUS[self.outcome]

    @property
    def ratio(self) -> float | None:
        """Wall time as a share of the robot's own time; None where that is not known."""
        return self.wall_s / self.robot_s if self.robot_s else None

    @property
    def cases(self) -> Iterator[CaseResult]:
        """All cases, suite by suite."""
        return (case for suite in self.suites for case in suite.cases)

    @property
    def shows_nothing(self) -> bool:
        """Whether no assertion was made at all: all were skipped, or there was none."""
        return all(one.outcome is Outcome.SKIPPED for case in self.cases for one in case.assertions)

    def tally(self) -> dict[Outcome, int]:
        """Return how many verdicts there are of each outcome.

        A case counts by its assertions, and by itself where it has none. What befell a case or the run counts once more
        only where no verdict below it says so already.
        """
        count = _tally(self.cases)
        for one in _maybe(self.trouble):
            count[one] = count[one] or 1
        return count


def _tally(cases: Iterable[CaseResult]) -> dict[Outcome, int]:
    """Return how many verdicts of each outcome cases hold; see `RunResult.tally`."""
    count: Counter[Outcome] = Counter()
    for case in cases:
        told = [assertion.outcome for assertion in case.assertions]
        count.update(told or (case.outcome,))
        count.update(one for one in _maybe(case.trouble) if told and one not in told)
    return {outcome: count[outcome] for outcome in Outcome}


def _maybe(outcome: Outcome | None) -> tuple[Outcome, ...]:
    return () if outcome is None else (outcome,)


def _check_trouble(trouble: Outcome | None, reason: str, where: str) -> None:
    if trouble is None:
        return
    if trouble not in _WITHOUT_ASSERTIONS:
        raise ValueError(f"{where}: {trouble.value} comes of assertions only")
    if not reason:
        raise ValueError(f"{where}: {trouble.value} needs a reason")

"""How a measurement is laid out: how many drives, legs and turns it rests on, how long they are, who reads it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from hil.measure.model import ElementKind, PathElement, Robot
from hil.plan.durations import drive_time_s, legs_of, sequence_of
from hil.plan.reporting import Reporting
from hil.spec.suite_values import Case, DriveStep, Observe, Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A measurement's layout over all rounds of its case.

    `curve_mm` is the longest stretch that shows a curve (driven blind, or else the longest straight), `shortest_mm` and
    `longest_mm` are lengths of straights. `straights`, `half_turns`, `quarter_turns` and `drives` are totals, `places`
    the turns of one path. `lap_s` is the time of the longest drive.
    """

    robot: Robot
    pitch_mm: float
    speed_mm_s: float
    drives: int
    rounds: int
    straights: int
    half_turns: int
    quarter_turns: int
    places: int
    curve_mm: float
    shortest_mm: float
    longest_mm: float
    lap_s: float
    observations: tuple[Observe, ...]
    reporting: Reporting

    @property
    def spacing_mm(self) -> float:
        """How far apart two reports of a straight are."""
        return self.speed_mm_s * self.reporting.period_s


def design_of(
    case: Case,
    robot: Robot,
    names: Sequence[str],
    *,
    by_person: bool,
    reporting: Reporting | None = None,
    is_whole: bool = False,
) -> Design:
    """Return the layout of a measurement of the drives (or answers) called `names`; all of them without a name.

    `reporting` is how the robot reports them, `is_whole` that all rounds are made, and not as few as suffice.
    """
    steps = sequence_of(case, by_person=by_person)
    everything = [step for step in (*case.setup, *steps) if isinstance(step, DriveStep)]
    drives = [step for step in everything if step.name in names] or everything
    repeat = case.rounds(by_person=by_person)
    rounds = repeat.at_most if is_whole else repeat.at_least
    straights = [leg for step in drives for leg in legs_of(step.path) if leg[0].kind is ElementKind.AHEAD]
    lengths = [sum(element.cells for element in leg) for leg in straights] or [1]
    blind = [element.cells for leg in straights for element in leg if element.tracking == "none"]
    pitch = case.course.pitch_mm
    return Design(
        robot=robot,
        pitch_mm=pitch,
        speed_mm_s=min((step.speed_mm_s or robot.speed_mm_s for step in drives), default=robot.speed_mm_s),
        drives=rounds * sum(step.times for step in drives),
        rounds=rounds,
        straights=rounds * sum(step.times * _count(step.path, 0) for step in drives),
        half_turns=rounds * sum(step.times * _count(step.path, 2) for step in drives),
        quarter_turns=rounds * sum(step.times * _count(step.path, 1) for step in drives),
        places=max((_count(step.path, 1) + _count(step.path, 2) for step in drives), default=1),
        curve_mm=pitch * max(blind or lengths),
        shortest_mm=pitch * min(lengths),
        longest_mm=pitch * max(lengths),
        lap_s=max(
            (drive_time_s(step.path, pitch, step.speed_mm_s or robot.speed_mm_s) for step in drives), default=1.0
        ),
        observations=_observations(steps, names),
        reporting=reporting or Reporting(),
    )


def _observations(steps: Sequence[Step], names: Sequence[str]) -> tuple[Observe, ...]:
    """Return the readings that are named, or all of them where none is."""
    everything = tuple(step for step in steps if isinstance(step, Observe))
    return tuple(step for step in everything if step.name in names) or everything


def _count(path: Sequence[PathElement], quarters: int) -> int:
    """Return how many legs of a path turn by so many quarters (0: straights)."""
    return sum(abs(leg[0].kind.quarters_right) == quarters for leg in legs_of(path))

"""The study of routes: one robot behind several ports, measured by its telemetry and by a person, must be one robot.

Every virtual robot file that is asked for is driven on the same seeds by every route. For each seed and fault a
measurement may be passed by one route and undecided by another, but never passed by one and failed by another; and what
a fault must fail is failed by all of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from hil.cli.many_runs import VirtualOutcome, VirtualRun

# The same robot in truth, behind a port with numbered requests, a console, and a port that only prints.
ROBOTS = ("virtual", "virtual-menu", "virtual-prints")
ROUTES = ("telemetry", "operator")
NOMINAL = ""
# Each fault with the measurements that every route must fail. A wheel base of 4 % is 7 deg of a half turn, a reset that
# is switched off leaves the slope at 0 where 1 is asked.
MUST_FAIL: Mapping[str, tuple[str, ...]] = {
    NOMINAL: (),
    "wheel-mismatch=1 %": ("wheel_mismatch",),
    "wheel-base=4 %": ("half_turn_error", "turn_error"),
    "front-reset=off": ("reset_slope",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to measure a robot: which virtual robot file, and by which route."""

    robot: str
    route: str

    @property
    def title(self) -> str:
        """The way as the head of a column."""
        return f"{self.robot.removeprefix('virtual-')}\n{self.route}"


def ways_of(robots: Sequence[str], routes: Sequence[str]) -> tuple[Way, ...]:
    """Return every robot by every route."""
    return tuple(Way(robot=robot, route=route) for robot in robots for route in routes)


def runs_of(ways: Sequence[Way], seeds: Sequence[int]) -> list[VirtualRun]:
    """Return the runs of a study: every fault on every seed by every way."""
    return [
        VirtualRun(seed=seed, robot=way.robot, route=way.route, faults=(fault,) if fault else ())
        for fault in MUST_FAIL
        for seed in seeds
        for way in ways
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What the ways said of one measurement of one robot. `outcomes` and `reasons` are in the order of the ways."""

    fault: str
    seed: int
    measurement: str
    outcomes: tuple[str, ...]
    reasons: tuple[str, ...]

    @property
    def is_opposite(self) -> bool:
        """Whether one way passed what another one failed."""
        return {"passed", "failed"} <= set(self.outcomes)

    @property
    def is_missed(self) -> bool:
        """Whether a way did not fail what this fault must fail."""
        return self.measurement in MUST_FAIL[self.fault] and set(self.outcomes) != {"failed"}


def compared(ways: Sequence[Way], outcomes: Sequence[VirtualOutcome]) -> Iterator[Comparison]:
    """Yield the comparisons of a study's runs, which stand in the order of `runs_of`."""
    for at in range(0, len(outcomes), len(ways)):
        together = outcomes[at : at + len(ways)]
        found = [{str(one["measurement"]): one for one in run.assertions()} for run in together]
        names = dict.fromkeys(name for one in found for name in one)
        for name in names:
            said = [one.get(name, {"outcome": "not made", "reason": ""}) for one in found]
            yield Comparison(
                fault=together[0].run.faults[0] if together[0].run.faults else NOMINAL,
                seed=together[0].run.seed,
                measurement=name,
                outcomes=tuple(str(one["outcome"]) for one in said),
                reasons=tuple(str(one["reason"]) for one in said),
            )

"""The rounds of a case: how often its sequences are gone through by a route, and after which the results are looked at.

By both routes the robot's sequence comes first, all of its rounds, and then the person's; results are looked at once,
at the end, since before that one of the two has nothing to say. Where the person has no sequence and reads where the
robot's asks for it, the rounds are the same ones by every route.
"""

from __future__ import annotations

from dataclasses import dataclass

from hil.judge.repeats import Looks, looks
from hil.results import Route
from hil.spec.suite_values import Case, Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """One round: its number among all of the case (from 0), whose sequence it is, the steps, and its surface."""

    number: int
    by_person: bool
    steps: tuple[Step, ...]
    surface: str = ""  # where the case is repeated over surfaces


def rounds_of(case: Case, route: Route) -> tuple[Round, ...]:
    """Return the rounds of a case by a route, as many as are made at most."""
    whose = [False] * case.repeat.at_most if route is not Route.OPERATOR else []
    if case.operator_sequence if route is Route.BOTH else route is Route.OPERATOR and case.has_person_route:
        whose += [True] * case.rounds(by_person=True).at_most
    return tuple(
        Round(
            number=number,
            by_person=by_person,
            steps=case.steps(by_person=by_person),
            surface=_surface(case, whose[:number].count(by_person), by_person=by_person),
        )
        for number, by_person in enumerate(whose)
    )


def _surface(case: Case, number: int, *, by_person: bool) -> str:
    """Return the surface of a sequence's round, "" where it is not repeated over surfaces."""
    return case.surfaces[number] if case.rounds(by_person=by_person).over_surfaces else ""


def surfaces_of(case: Case, route: Route, done: int) -> tuple[str, ...]:
    """Return the surfaces of the first `done` rounds, in order; none where the case is not repeated over surfaces."""
    return tuple(one.surface for one in rounds_of(case, route)[:done] if one.surface)


def looks_of(case: Case, route: Route) -> Looks:
    """Return after how many rounds the results are looked at."""
    if route is Route.BOTH:
        most = len(rounds_of(case, route))
        return looks(most, most)
    repeat = case.rounds(by_person=route is Route.OPERATOR)
    return looks(repeat.at_least, repeat.at_most)

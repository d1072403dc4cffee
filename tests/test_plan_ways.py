"""The plan for robots that report in other ways: seldom, without a clock, without a cable, and by both routes."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from hil.catalogue import Catalogue, shipped
from hil.plan import Plan, build_plan
from hil.plan.durations import OBSERVING_S, PLACING_S, PLUGGING_S, STARTING_S
from hil.plan.lines import plan_lines
from hil.plan.reporting import reporting_of, stream_period_s
from hil.plan.resolution import Ability, Resolution
from hil.results import Route
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol, load_robot, load_suite
from hil.spec.robot_values import RobotFile
from hil.spec.suite_values import Collect, DriveStep, Observe, Place, Retether, Suite, Untether
from hil.wire.dialect import Dialect

HEAD = """\
suite: ways
title: Ways to report
why: to see what a plan makes of them
course: corridor-six
cases:
"""
LEGS = """\
  legs:
    title: Straights
    setup:
      - place: {at: start}
    sequence:
      - drive: {path: "ahead 5 by both, about left, ahead 5 by both, about right", front: counts, as: legs, times: 6}
    measure:
      offset: {method: straight.lateral_offset, of: legs}
      distance: {method: straight.leg_distance, of: legs}
    assert:
      - {measurement: offset, tolerance: 0 ± 5 mm, why: as in straight-line}
      - {measurement: distance, tolerance: 0 ± 5 mm, why: as in straight-line}
"""


@pytest.fixture
def dialects() -> dict[str, Dialect]:
    return {name: load_protocol(path) for name, path in shipped(Kind.PROTOCOL).items()}


def robot(name: str) -> RobotFile:
    return load_robot(shipped(Kind.ROBOT)[name])


@pytest.fixture
def suite(tmp_path: Path) -> Callable[[str], Suite]:
    def make(cases: str) -> Suite:
        path = tmp_path / "ways.suite.yaml"
        path.write_text(HEAD + cases)
        return load_suite(path, Catalogue(tmp_path))

    return make


def shipped_suite(name: str) -> Suite:
    return load_suite(shipped(Kind.SUITE)[name], Catalogue())


def found(plan: Plan, name: str) -> Resolution:
    return next(r for case in plan.cases for r in case.resolutions if r.measurement == name)


def with_period(dialect: Dialect, period_s: float) -> Dialect:
    """Return a protocol that prints its main message so often."""
    first, *others = dialect.messages
    return replace(dialect, messages=(replace(first, period_s=period_s), *others))


def test_a_robot_that_prints_reports_at_its_own_period_and_one_that_is_asked_as_often_as_its_line_carries(
    dialects: dict[str, Dialect],
) -> None:
    printing = robot("virtual-prints").programs["run"]
    assert reporting_of(printing, dialects["plain-prints"]).period_s == 0.042  # `every: 42 ms` in its protocol file
    # 10 bits a byte (8N1): at 9600 baud a line of 39 bytes takes 40.6 ms, so that 20 ms cannot be kept (derived).
    hurried = with_period(dialects["plain-prints"], 0.020)
    assert reporting_of(printing, hurried).period_s == pytest.approx(39 * 10 / 9600)
    asked = robot("virtual").programs["main"]
    assert reporting_of(asked, dialects["tagged-lines"]).period_s == stream_period_s(dialects["tagged-lines"])


def test_a_line_of_9600_baud_shows_less_than_one_of_115200(dialects: dict[str, Dialect]) -> None:
    """Uncertainties of fits go with the root of the number of samples, 42 ms / 8 ms here (least squares)."""
    suites = [shipped_suite("straight-line")]
    fast = build_plan(suites, robot("virtual"), dialects)
    slow = build_plan(suites, robot("virtual-prints"), dialects)
    for name in ("lateral_offset", "half_turn_error", "wheel_mismatch"):
        ratio = found(slow, name).parts["sensors"] / found(fast, name).parts["sensors"]
        assert ratio == pytest.approx(math.sqrt(42 / 8), rel=1e-6)
    assert found(slow, "leg_distance").parts["gaps between reports"] > 0.2
    assert found(fast, "leg_distance").parts["gaps between reports"] < 0.001


def test_without_a_clock_lap_times_are_as_good_as_the_hosts(dialects: dict[str, Dialect]) -> None:
    """Evenly late by up to 16 ms: 16 / sqrt(12) ms for one moment, two moments to a lap, half of the laps to a mean."""
    laps = found(build_plan([shipped_suite("u-turn")], robot("virtual-prints"), dialects), "lap_time_asymmetry")
    mean = 2.0 / math.sqrt(12)  # of six laps by each wall: sqrt(2) for two moments, sqrt(2 / 12) for two means
    own = laps.parts["host's clock"] / mean
    assert own == pytest.approx(laps.parts["sampling"] / mean * 16 / 42)
    with_clock = found(build_plan([shipped_suite("u-turn")], robot("virtual"), dialects), "lap_time_asymmetry")
    assert "host's clock" not in with_clock.parts


def test_reports_too_far_apart_show_no_wall_ends(dialects: dict[str, Dialect], suite: Callable[[str], Suite]) -> None:
    seldom = {**dialects, "plain-prints": with_period(dialects["plain-prints"], 0.1)}
    plan = build_plan([suite(LEGS)], robot("virtual-prints"), seldom)
    assert found(plan, "distance").ability is Ability.CANNOT
    assert "its reports come 30 mm apart, and wall ends show up to 19 mm" in found(plan, "distance").text
    assert found(plan, "offset").ability is Ability.CAN
    assert any("every 100 ms, which is 30.0 mm of way; it tells no time" in line for line in plan_lines(plan))


def test_where_the_cable_comes_off_is_planned_as_it_is_run(
    dialects: dict[str, Dialect], suite: Callable[[str], Suite]
) -> None:
    """The order is that of the trace in end_to_end/test_programs_and_cables.py."""
    (case,) = build_plan([suite(LEGS)], robot("virtual-logger"), dialects).cases
    assert [type(planned.step) for planned in case.steps] == [Place, Untether, DriveStep, Retether, Collect]
    assert case.person_s == pytest.approx(180.0 + PLACING_S + 6 * STARTING_S + 2 * PLUGGING_S)
    plan = build_plan([suite(LEGS)], robot("virtual"), dialects)
    assert not [one for one in plan.cases[0].steps if isinstance(one.step, Untether | Retether | Collect)]


def test_a_drive_that_is_decided_by_those_before_has_their_log_taken_over_first(dialects: dict[str, Dialect]) -> None:
    plan = build_plan([shipped_suite("straight-line")], robot("virtual-logger"), dialects)
    blind = next(case for case in plan.cases if case.case.name == "blind-legs")
    order = [type(one.step) for one in blind.sequence if not isinstance(one.step, Place)]
    assert order == 3 * [Untether, DriveStep, Retether, Collect]
    drives = [one for one in blind.sequence if isinstance(one.step, DriveStep)]
    assert "the log is taken over" in drives[-1].note  # eight times, each of which waits for those before
    assert drives[-1].person_s == pytest.approx(8 * STARTING_S + 7 * 2 * PLUGGING_S)


def test_a_person_who_measures_alone_takes_the_cable_off_once(dialects: dict[str, Dialect]) -> None:
    plan = build_plan([shipped_suite("straight-line")], robot("virtual-logger"), dialects, route=Route.OPERATOR)
    assert sum(case.count(Untether) for case in plan.cases) == 1
    assert sum(case.count(Retether, Collect) for case in plan.cases) == 0
    assert sum("in the first round only" in line for line in plan_lines(plan)) == 1


def test_by_both_routes_there_is_one_plan_with_one_heading_and_one_total(dialects: dict[str, Dialect]) -> None:
    suites = [shipped_suite("u-turn")]
    plans = {route: build_plan(suites, robot("virtual"), dialects, route=route) for route in Route}
    both = plans[Route.BOTH]
    lines = plan_lines(both)
    assert lines[0].endswith("measured by telemetry and then by the operator")
    assert sum(line.startswith(("Plan for", "In all:")) for line in lines) == 2
    assert both.robot_s == pytest.approx(plans[Route.TELEMETRY].robot_s + plans[Route.OPERATOR].robot_s)
    # The course is built once and the robot set up once.
    assert both.person_s < plans[Route.TELEMETRY].person_s + plans[Route.OPERATOR].person_s
    (case,) = both.cases
    assert [part.by_person for part in case.parts] == [False, True]
    assert case.readings == plans[Route.OPERATOR].cases[0].readings
    assert "  then the robot measures, 6 times:" in lines
    assert any(line.startswith("  then the person measures, ") for line in lines)
    for result in case.parts[0].resolutions:
        assert f"  - by the robot, {result.text}" in lines


def test_by_both_routes_a_person_who_reads_along_adds_readings_and_no_drives(
    dialects: dict[str, Dialect], suite: Callable[[str], Suite]
) -> None:
    along = LEGS.replace("times: 6}", "times: 6}\n      - observe: {what: offset, as: where, instrument: ruler}")
    (case,) = build_plan([suite(along)], robot("virtual"), dialects, route=Route.BOTH).cases
    assert case.count(DriveStep) == 1
    assert case.count(Observe) == 1
    assert case.person_s == pytest.approx(180.0 + PLACING_S + OBSERVING_S)

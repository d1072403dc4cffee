"""Everything a person can read, read by the virtual person: from the step to the assertion, and what was not seen."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.catalogue import Catalogue
from hil.engine.run import carry_out
from hil.engine.run_order import RunOrder
from hil.outcomes import Outcome
from hil.results import Route
from hil.spec.kinds import Kind
from hil.spec.loading import load_robot, load_suite

from .conftest import Said

STOPS = """\
suite: by-eye
title: One stop, read in every way
why: A person sees more than a ruler shows.
course: corridor-six
cases:
  stop:
    title: A stop between two walls
    program: driving
    repeat: 4
    sequence:
      - place: {at: start}
      - drive: {path: ahead 3 by both, front: counts, as: leg}
      - observe: {what: lap time, as: lap-time}
      - observe: {what: contacts, as: contacts}
      - observe: {what: clearance left, as: clearance-left, instrument: calliper}
      - observe: {what: clearance right, as: clearance-right, instrument: calliper}
      - observe: {what: angle, as: square}
      - observe: {what: angle, as: offsets, instrument: two offsets, apart: 80 mm}
      - observe: {what: along, as: along, mark: the middle of the fourth cell}
      - observe: {what: light, as: light}
      - observe: {what: display, as: battery, unit: V}
    measure:
      offset: {operator_method: observation.lateral_offset, operator_of: [leg]}
      angle_by_square: {operator_method: general.mean, operator_of: [leg], answer: square}
      angle_by_offsets: {operator_method: general.mean, operator_of: [leg], answer: offsets}
      past_the_mark: {operator_method: general.mean, operator_of: [leg], answer: along}
      lap_time: {operator_method: general.mean, operator_of: [leg], answer: lap-time}
      contacts: {operator_method: observation.contacts, operator_of: [leg]}
      light: {operator_method: general.mean, operator_of: [leg], answer: light}
      battery: {operator_method: general.mean, operator_of: [leg], answer: battery}
    assert:
      - {measurement: offset, tolerance: 0 ± 5 mm, why: common practice}
      - {measurement: angle_by_square, tolerance: 0 ± 2 deg, why: common practice}
      - {measurement: angle_by_offsets, tolerance: 0 ± 2 deg, why: common practice}
      - {measurement: past_the_mark, tolerance: 0 ± 5 mm, why: common practice}
      - {measurement: lap_time, tolerance: 1.95 ± 0.3 s, why: three cells at 0.3 m/s}
      - {measurement: contacts, tolerance: "= 0", why: a robot that touches is not keeping the middle}
      - {measurement: light, tolerance: 1 ± 0.1, why: it stands ready}
      - {measurement: battery, tolerance: 7.8 ± 0.3 V, why: it was charged}
"""

BOWS = """\
suite: bows
title: The bow of a blind path
why: For robots that leave a mark on the floor.
course: corridor-six
cases:
  bow:
    title: Three blind cells
    program: driving
    repeat: 6
    sequence:
      - place: {at: start}
      - drive: {path: ahead 2 by both, front: counts, as: lead}
      - drive: {path: ahead 3 blind, front: counts, as: blind}
      - observe: {what: bow, as: bow, over: 500 mm, instrument: calliper, u: 0.5 mm}
    measure:
      wheel_mismatch: {operator_method: observation.wheel_mismatch_by_bow, operator_of: [blind]}
      curvature: {operator_method: observation.curvature_by_bow, operator_of: [blind]}
    assert:
      - {measurement: wheel_mismatch, tolerance: 0 ± 0.5 %, why: three blind cells are carried}
      - {measurement: curvature, tolerance: 0 ± 0.07 1/m, why: the same on a wheel base of 70 mm}
"""


@pytest.fixture
def read(hil: Callable[..., Said], tmp_path: Path) -> Callable[..., dict[str, dict[str, Any]]]:
    """Run a suite by the operator's route and return its assertions by name."""

    def run(suite: str, *words: str) -> dict[str, dict[str, Any]]:
        (tmp_path / "read.suite.yaml").write_text(suite)
        said = hil("run", tmp_path / "read.suite.yaml", "--virtual", "--route", "operator", "--json", *words)
        [case] = json.loads(said.out)["suites"][0]["cases"]
        return {one["measurement"]: one for one in case["assertions"]}

    return run


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_a_nominal_robot_passes_by_everything_a_person_can_read(read: Callable[..., Any]) -> None:
    found = read(STOPS)
    assert {name: (one["outcome"], one["reason"]) for name, one in found.items() if one["outcome"] != "passed"} == {}
    assert {one["source"] for one in found.values()} == {"virtual person"}
    # The same angle by both instruments, within their uncertainties.
    square, offsets = found["angle_by_square"], found["angle_by_offsets"]
    assert offsets["unit"] == "deg"
    assert abs(square["value"] - offsets["value"]) < 3 * math.hypot(square["u"], offsets["u"])
    # Two offsets good to 0.5 mm each, 80 mm apart, four times: sqrt(2) 0.5/80 rad/sqrt(4) (plane geometry).
    assert offsets["u"] >= math.degrees(math.sqrt(2) * 0.5 / 80) / 2 * 0.99
    # A trapezoid of speed: s/v + v/a, with 540 mm, 0.3 m/s and 2 m/s2 (textbook kinematics).
    assert found["lap_time"]["value"] == pytest.approx(0.54 / 0.3 + 0.3 / 2, abs=0.3)
    assert found["light"]["value"] == 1.0


@pytest.mark.whole
def test_a_nominal_robot_passes_by_the_bow_of_its_path(read: Callable[..., Any]) -> None:
    assert {one["outcome"] for one in read(BOWS).values()} == {"passed"}


def test_a_larger_wheel_is_failed_by_the_bow_of_its_path(read: Callable[..., Any]) -> None:
    found = read(BOWS, "--fault", "wheel-mismatch=1 %")
    assert {one["outcome"] for one in found.values()} == {"failed"}
    assert found["wheel_mismatch"]["value"] == pytest.approx(1.0, abs=0.25)  # kappa = eps/b, closed form


@pytest.mark.parametrize("suite", [STOPS, BOWS], ids=["stops", "bows"])
def test_what_the_person_could_not_see_is_undecided_and_said(tmp_path: Path, suite: str) -> None:
    catalogue = Catalogue()
    (tmp_path / "read.suite.yaml").write_text(suite)
    order = RunOrder(
        robot=load_robot(catalogue.find(Kind.ROBOT, "virtual"), catalogue),
        suites=(load_suite(tmp_path / "read.suite.yaml", catalogue),),
        virtual=True,
        runs=tmp_path / "runs",
        route=Route.OPERATOR,
        unseen=1.0,
    )
    result, _ = carry_out(order, catalogue, io.StringIO())
    assertions = result.suites[0].assertions
    assert {one.outcome for one in assertions} == {Outcome.UNDECIDED}
    assert all("The person could not see: " in one.reason for one in assertions)
    assert result.trouble is None

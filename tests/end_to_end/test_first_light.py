"""The whole job on the virtual robot: three suites, three seeds, a wrong robot, files that others can read."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from lxml import etree

from hil.catalogue import Catalogue
from hil.measure.evidence import Evidence
from hil.measure.methods import METHODS, Parameters
from hil.measure.segments import spans
from hil.measure.series import evidence_from
from hil.measure.trace import Mark, MarkKind, TraceRecord
from hil.reports.run_json import run_schema
from hil.spec.kinds import Kind
from hil.spec.loading import load_course, load_protocol, load_robot
from hil.store.calibrations import read_calibrations
from hil.store.trace import TraceReader

from .conftest import Said

XSD = Path(__file__).parent.parent / "reports" / "junit-10.xsd"
REPORTED = {"suite", "case", "measurement", "value", "unit", "u", "dof", "n", "tolerance", "rule", "p_conformance"}
REPORTED |= {"outcome", "reason", "source"}


def only_folder(root: Path) -> Path:
    [folder] = root.iterdir()
    return folder


@pytest.mark.whole
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nominal_robot_passes_the_three_suites(hil: Callable[..., Said], tmp_path: Path, seed: int) -> None:
    said = hil("run", "--virtual", "--seed", seed, "--json", "--runs", tmp_path / "runs", "--junit", tmp_path / "j.xml")
    result = json.loads(said.out)
    jsonschema.Draft7Validator(run_schema()).validate(result)
    assertions = [a for suite in result["suites"] for case in suite["cases"] for a in case["assertions"]]
    assert {a["measurement"]: a["outcome"] for a in assertions if a["outcome"] != "passed"} == {}
    assert said.status == 0
    assert len(assertions) == 28
    assert all(set(a) >= REPORTED for a in assertions)
    assert {a["source"] for a in assertions} == {"virtual robot"}
    assert result["robot"]["virtual"] is True
    assert "virtual robot" in said.err  # the table is on standard error beside --json, and says what it was
    folder = only_folder(tmp_path / "runs")
    assert (folder / "run.json").read_text().strip() == said.out.strip()
    schema = etree.XMLSchema(etree.parse(XSD))
    schema.assertValid(etree.parse(tmp_path / "j.xml"))
    assert "virtual" in (folder / "report.md").read_text()


def test_wheel_that_is_larger_is_caught_for_what_it_is(hil: Callable[..., Said], tmp_path: Path) -> None:
    said = hil(
        "run", "--virtual", "straight-line", "--fault", "wheel-mismatch=1 %", "--json", "--runs", tmp_path / "runs"
    )
    result = json.loads(said.out)
    outcomes = {
        a["measurement"]: a for suite in result["suites"] for case in suite["cases"] for a in case["assertions"]
    }
    assert said.status == 1
    assert outcomes["wheel_mismatch"]["outcome"] == "failed"
    assert outcomes["wheel_mismatch"]["value"] == pytest.approx(1.0, abs=0.15)  # kappa = eps/b, closed form
    assert outcomes["half_turn_error"]["outcome"] == "passed"  # a pivot does not see it, to first order
    assert result["faults"] == ["wheel-mismatch=1 %"]


def recorded_case(folder: Path, case: str, course: str) -> Evidence:
    """Decode one case of a run again from its trace, as anybody can who has the folder."""
    catalogue = Catalogue()
    robot = load_robot(catalogue.find(Kind.ROBOT, "virtual")).robot
    robot = replace(robot, calibrations=read_calibrations(folder / "calibration.json").sensors)
    kept: list[TraceRecord] = []
    within = False
    with TraceReader(folder / "trace.sqlite") as reader:
        for record in reader:
            if isinstance(record, Mark) and record.step == "case":
                within = record.kind is MarkKind.BEGIN and record.name == case
            if within:
                kept.append(record)
    dialect = load_protocol(catalogue.find(Kind.PROTOCOL, "tagged-lines"))
    return evidence_from(kept, dialect, robot, load_course(catalogue.find(Kind.COURSE, course)), case)


@pytest.mark.whole
def test_same_legs_and_turns_without_the_robots_events(hil: Callable[..., Said], tmp_path: Path) -> None:
    assert hil("run", "--virtual", "u-turn/laps", "--seed", 4, "--runs", tmp_path / "runs").status == 0
    evidence = recorded_case(only_folder(tmp_path / "runs"), "laps", "u-shape")
    silent = replace(evidence, drives=tuple(replace(drive, events=()) for drive in evidence.drives))
    for told, seen in zip(evidence.drives, silent.drives, strict=True):
        by_events, by_counts = spans(told, evidence.robot), spans(seen, evidence.robot)
        assert [(span.kind, span.elements, span.start) for span in by_events] == [
            (span.kind, span.elements, span.start) for span in by_counts
        ]
        begins = np.array([[span.begin_s, span.end_s] for span in by_events])
        # The robot stands 60 ms between moves; where in that rest the boundary lies is nobody's to say.
        assert np.abs(begins - [[span.begin_s, span.end_s] for span in by_counts]).max() < 0.1
    for name in ("tracking.offset_right_wall", "turn.quarter_turn_error", "tracking.exit_offset"):
        parameters = Parameters(of=("right-wall", "left-wall"))
        told, seen = (METHODS[name].run(one, parameters) for one in (evidence, silent))
        assert abs(told.value - seen.value) < math.hypot(told.u, seen.u), name


def test_run_without_a_robot_is_refused_and_never_green(hil: Callable[..., Said], tmp_path: Path) -> None:
    said = hil("run", "--runs", tmp_path / "runs")
    assert said.status == 2
    assert "no robot is named" in said.sentence
    assert not (tmp_path / "runs").exists()


def test_forgotten_port_is_refused(hil: Callable[..., Said], real_robot: Path, tmp_path: Path) -> None:
    said = hil("run", "--robot", real_robot, "--runs", tmp_path / "runs")
    assert said.status == 2
    assert "no port is named" in said.sentence


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["no-such-suite", "--virtual"], "no-such-suite"),
        (["straight-lin", "--virtual"], "straight-line"),
        (["straight-line/no-case", "--virtual"], "blind-legs, tracked-legs"),
        (["--virtual", "--fault", "wheel-missmatch=1 %"], "did you mean wheel-mismatch"),
        (["--virtual", "--fault", "wheel-mismatch=1"], "wheel-mismatch"),
        (["--virtual", "--fault", "grip=0.3", "--fault", "grip=0.4"], "grip"),
        (["--robot", "virtual", "--port", "loop://", "--fault", "grip=0.3"], "only be given to the virtual robot"),
        (["--virtual", "--port", "loop://"], "--port"),
    ],
)
def test_wrong_usage_is_one_sentence(hil: Callable[..., Said], tmp_path: Path, words: list[str], told: str) -> None:
    said = hil("run", *words, "--runs", tmp_path / "runs")
    assert said.status == 2
    assert told in said.err
    assert not (tmp_path / "runs").exists()


def test_robot_file_of_another_protocol_is_told_by_name(
    hil: Callable[..., Said], real_robot: Path, tmp_path: Path
) -> None:
    real_robot.write_text(real_robot.read_text().replace("protocol: tagged-lines", "protocol: tagged-line"))
    said = hil("run", "--robot", real_robot, "--port", "loop://", "--runs", tmp_path / "runs")
    assert said.status == 2
    assert "tagged-lines" in said.err


def test_answers_that_are_wrong_are_all_told_before_anything_moves(hil: Callable[..., Said], tmp_path: Path) -> None:
    answers = tmp_path / "answers.yaml"
    answers.write_text("answers:\n  offset: [1 mm, 99999 kg]\n  angle: [much]\n  bogus: [1]\n")
    words = ("straight-line/tracked-legs", "--virtual", "--route", "operator", "--answers", answers)
    said = hil("run", *words, "--runs", tmp_path / "runs")
    assert said.status == 2
    assert all(told in said.sentence for told in ("'offset': kg", "'angle': 'much'", "nothing asks for 'bogus'"))
    assert not (tmp_path / "runs").exists()


def test_calibration_of_a_sensor_that_the_robot_has_not_is_refused(hil: Callable[..., Said], tmp_path: Path) -> None:
    calibration = tmp_path / "c.json"
    calibration.write_text('{"format": 1, "sensors": {}}')
    assert hil("run", "u-turn", "--virtual", "--calibration", tmp_path / "no.json").status == 2
    calibration.write_text("{}")
    said = hil("run", "u-turn", "--virtual", "--calibration", calibration, "--runs", tmp_path / "runs")
    assert said.status == 2
    assert "it has no 'sensors'" in said.sentence

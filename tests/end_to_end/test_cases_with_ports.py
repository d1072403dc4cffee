"""Whole cases in which the port, the program or the cable plays a part, on the virtual robots."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.catalogue import Catalogue
from hil.measure.trace import Mark, MarkKind
from hil.spec.kinds import Kind
from hil.store.trace import TraceReader

from .conftest import Said

HEAD = """\
suite: own
title: Cases with ports
why: the port plays a part
course: COURSE
cases:
"""


@pytest.fixture
def run(hil: Callable[..., Said], tmp_path: Path) -> Callable[..., tuple[Said, Any, Path]]:
    def call(robot: str | Path, cases: str, course: str = "corridor-six") -> tuple[Said, Any, Path]:
        (tmp_path / "own.suite.yaml").write_text(HEAD.replace("COURSE", course) + cases)
        said = hil(
            "run", tmp_path / "own.suite.yaml", "--virtual", "--robot", robot, "--json", "--runs", tmp_path / "runs"
        )
        assert (tmp_path / "runs").exists(), said.err
        [folder] = (tmp_path / "runs").iterdir()
        return said, json.loads(said.out), folder

    return call


def asserted(result: Any) -> dict[str, Any]:
    return {
        one["measurement"]: one for suite in result["suites"] for case in suite["cases"] for one in case["assertions"]
    }


def marks_of(folder: Path) -> list[Mark]:
    with TraceReader(folder / "trace.sqlite") as reader:
        return [record for record in reader if isinstance(record, Mark)]


@pytest.fixture
def logger(tmp_path: Path) -> Path:
    """The robot that keeps a log, with its cable left on where nothing takes it off."""
    text = Catalogue().find(Kind.ROBOT, "virtual-logger").read_text()
    assert "cable: no" in text
    path = tmp_path / "logger.robot.yaml"
    path.write_text(text.replace("cable: no", "cable: yes"))
    return path


LEG = 'front: counts, path: "ahead 5 by both, about left, ahead 5 by both, about right"'
WITH_AND_WITHOUT = f"""\
  with:
    title: Cable in place
    setup: [{{place: {{at: start}}}}]
    sequence:
      - drive: {{{LEG}, as: heard}}
    measure:
      heard: {{method: straight.lateral_offset, of: heard}}
    assert: [{{measurement: heard, tolerance: 0 ± 5 mm, why: as in straight-line}}]
  without:
    title: No cable, but for one drive in between
    setup: [{{place: {{at: start}}}}]
    sequence:
      - untether: Lay it aside.
      - drive: {{{LEG}, as: unheard}}
      - retether: {{}}
      - drive: {{{LEG}, as: between}}
      - untether: Lay it aside.
      - drive: {{{LEG}, as: unheard}}
      - retether: {{}}
      - collect: log
    measure:
      unheard: {{method: straight.lateral_offset, of: unheard}}
      between: {{method: straight.lateral_offset, of: between}}
    assert:
      - {{measurement: unheard, tolerance: 0 ± 5 mm, why: as in straight-line}}
      - {{measurement: between, tolerance: 0 ± 5 mm, why: as in straight-line}}
"""


@pytest.mark.whole
def test_log_that_has_the_drives_with_the_cable_too_is_given_to_those_without(
    run: Callable[..., tuple[Said, Any, Path]], logger: Path
) -> None:
    said, result, folder = run(logger, WITH_AND_WITHOUT)
    assert said.status == 0, said.err
    found = asserted(result)
    assert found["unheard"]["n"] == 2 * found["between"]["n"]
    what = [mark.fields["what"] for mark in marks_of(folder) if mark.step == "port"]
    assert what == ["opened", "closed", "back", "closed", "back"]


STANDS = """\
  stands:
    title: Stands where it was placed last
    program: sensing
    setup: [{place: {at: start}}, {pause: {for: 200 ms}}]
    sequence:
      - place: {cell: [0, 1], heading: north}
      - pause: {for: 300 ms, as: standing}
    measure:
      left: {method: general.spread, of: standing, channel: wall.left}
    assert:
      - {measurement: left, tolerance: <= 12 count, why: the start cell has no wall on its left and this one has}
"""


def test_what_was_said_before_it_was_placed_is_not_of_the_place(run: Callable[..., tuple[Said, Any, Path]]) -> None:
    said, result, _ = run("virtual", STANDS)
    assert said.status == 0, (said.err, asserted(result))


BY_GOALS = """\
  boards:
    title: Boards
    sequence:
      - place: {at: start}
      - tell: {say: Take any board off., board: {cell: [0, 3], side: north, thickness: 0 mm}}
      - drive: {path: PATH, front: wall, as: there, times: 3}
      - tell: {say: Lay the board of 10 mm., board: {cell: [0, 3], side: north, thickness: 10 mm}}
      - drive: {path: PATH, front: wall, as: there, times: 3}
      - tell: {say: Take the board off again., board: {cell: [0, 3], side: north, thickness: 0 mm}}
    measure:
      slope: {method: front_wall.reset_slope, of: [there]}
    assert: [{measurement: slope, tolerance: 1.0 ± 0.3, why: as in front-wall-reset}]
  open:
    title: No wall
    course: corner-open
    sequence:
      - place: {at: start}
      - drive: {path: PATH, front: wall, as: open, times: 2}
    measure:
      false: {method: front_wall.false_resets, of: [open]}
    assert: [{measurement: false, tolerance: "= 0", why: as in front-wall-reset}]
""".replace(
    "PATH", '"ahead 3 by both, right, ahead 3 by both, about right, ahead 3 by both, left, ahead 3 by both, about left"'
)
BY_GOALS = BY_GOALS.replace("false:", "resets:").replace("measurement: false", "measurement: resets")


def test_robot_that_goes_to_cells_is_measured_at_a_wall_ahead(run: Callable[..., tuple[Said, Any, Path]]) -> None:
    said, result, folder = run("virtual-shuttle", BY_GOALS, "corner")
    found = asserted(result)
    assert found["slope"]["value"] == pytest.approx(1.0, abs=0.2), said.err
    assert found["slope"]["n"] == 6
    assert found["resets"]["value"] == 0
    begun = [mark for mark in marks_of(folder) if mark.step == "drive" and mark.kind is MarkKind.BEGIN]
    assert all(sum(mark.fields["goals"]) == len(mark.fields["path"]) for mark in begun)

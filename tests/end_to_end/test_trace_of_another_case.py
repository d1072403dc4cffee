"""A trace is played to the cases it was recorded in, driven alike; to another it shows nothing, and nothing passes."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from .conftest import Said

HEAD = """\
suite: SUITE
title: A corridor
why: to be recorded, and to be played to others
course: corridor-six
cases:
"""
READ = """\
  CASE:
    title: Where it stands by a ruler
    setup:
      - place: {PLACE}
    sequence:
      - drive: {path: "PATH", front: counts, as: out}
      - observe: {what: offset, as: offset, instrument: ruler}
    measure:
      offset: {method: straight.lateral_offset, of: out, operator_method: observation.lateral_offset}
    assert:
      - {measurement: offset, tolerance: 0 ± 15 mm, why: wide enough for any good robot}
"""
OWN = {"SUITE": "own", "CASE": "there", "PLACE": "at: start", "PATH": "ahead 4 by both"}
OTHERS = {
    "another suite": {"SUITE": "other"},
    "another case": {"CASE": "elsewhere"},
    "another place": {"PLACE": "cell: [0, 1], heading: north"},
    "another path": {"PATH": "ahead 5 by both"},
}


def written(folder: Path, words: dict[str, str]) -> Path:
    text = HEAD + READ
    for word, value in words.items():
        text = text.replace(word, value)
    path = folder / f"{words['SUITE']}.suite.yaml"
    path.write_text(text)
    return path


def outcomes(said: Said) -> list[str]:
    result: dict[str, Any] = json.loads(said.out)
    return [one["outcome"] for suite in result["suites"] for case in suite["cases"] for one in case["assertions"]]


# What is asked of a robot by command is compared with the trace too; one that a person starts shows the rest alone.
@pytest.mark.parametrize("robot", [pytest.param("virtual", marks=pytest.mark.whole), "virtual-prints"])
@pytest.mark.parametrize("route", [pytest.param("telemetry", marks=pytest.mark.whole), "operator"])
def test_what_was_recorded_in_a_case_passes_in_no_other(
    hil: Callable[..., Said], tmp_path: Path, robot: str, route: str
) -> None:
    suite = written(tmp_path, OWN)
    made = hil("run", suite, "--virtual", "--robot", robot, "--route", route, "--json", "--runs", tmp_path / "made")
    assert outcomes(made) == ["passed"], made.err
    (run,) = (tmp_path / "made").iterdir()
    again = hil("run", suite, "--port", f"trace:{run}", "--json", "--runs", tmp_path / "played")
    assert (again.status, outcomes(again)) == (0, ["passed"])
    for name, words in OTHERS.items():
        folder = tmp_path / name.replace(" ", "-")
        folder.mkdir()
        other = written(folder, {**OWN, **words})
        said = hil("run", other, "--port", f"trace:{run}", "--json", "--runs", tmp_path / "played")
        assert said.status in (3, 4), name
        assert "passed" not in outcomes(said), name

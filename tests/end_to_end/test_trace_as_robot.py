"""A trace in place of a robot: the whole engine on it gives the numbers that the robot gave."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from .conftest import Said


def assertions_of(result: dict[str, Any]) -> list[dict[str, Any]]:
    return [a for suite in result["suites"] for case in suite["cases"] for a in case["assertions"]]


@pytest.mark.whole
@pytest.mark.parametrize(
    "words",
    [
        ("u-turn", "straight-line/tracked-legs", "--virtual"),
        ("front-wall-reset", "--virtual", "--route", "operator"),
    ],
    ids=["telemetry", "operator"],
)
def test_a_run_on_a_trace_gives_the_numbers_of_the_trace(
    hil: Callable[..., Said], tmp_path: Path, words: tuple[str, ...]
) -> None:
    made = json.loads(hil("run", *words, "--json", "--runs", tmp_path / "made").out)
    [run] = (tmp_path / "made").iterdir()
    said = hil("run", "--port", f"trace:{run}", "--json", "--runs", tmp_path / "played")
    played = json.loads(said.out)
    assert said.status == made["exit_status"] == 0
    assert assertions_of(played) == assertions_of(made)
    assert played["robot"] == made["robot"]
    assert any(run.name in note and "no robot moved" in note for note in played["notes"])
    # What was played is a run of its own, which can be judged again and played again.
    [second] = (tmp_path / "played").iterdir()
    assert assertions_of(json.loads(hil("replay", second, "--json").out)) == assertions_of(made)


@pytest.mark.whole
def test_a_suite_that_the_trace_was_not_driven_for_gets_no_answer(hil: Callable[..., Said], tmp_path: Path) -> None:
    hil("run", "straight-line/tracked-legs", "--virtual", "--runs", tmp_path / "made")
    [run] = (tmp_path / "made").iterdir()
    began_s = time.monotonic()
    said = hil("run", "u-turn/laps", "--port", f"trace:{run}", "--json", "--runs", tmp_path / "played")
    assert said.status == 3
    assert "was asked here, and not" in json.loads(said.out)["reason"]
    assert time.monotonic() - began_s < 20.0


def test_a_port_that_names_no_run_is_refused(hil: Callable[..., Said], tmp_path: Path) -> None:
    said = hil("run", "--port", f"trace:{tmp_path}", "--runs", tmp_path / "runs")
    assert said.status == 2
    assert "this names no run" in said.sentence

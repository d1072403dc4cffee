"""What a robot cannot do is left out with its reason before anything moves for it, and the rest of the run goes on."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from .conftest import Said


@pytest.mark.parametrize(
    ("robot", "reason"),
    [
        ("virtual-prints", "the protocol plain-prints has no block message 'log' (it has none)."),
        ("virtual-menu", "the program 'main' is driven by command, which needs it;"),
    ],
)
def test_a_case_without_the_cable_is_skipped_on_a_robot_that_cannot_do_it(
    hil: Callable[..., Said], tmp_path: Path, robot: str, reason: str
) -> None:
    said = hil("run", "--virtual", "--robot", robot, "untethered/without-cable", "--json", "--runs", tmp_path)
    assert said.status == 4, said.err
    (case,) = json.loads(said.out)["suites"][0]["cases"]
    assert case["outcome"] == "skipped"
    assert reason in case["reason"]


def test_a_run_in_which_nothing_is_asserted_is_no_success(hil: Callable[..., Said], tmp_path: Path) -> None:
    said = hil("run", "--virtual", "standing-look", "--route", "operator", "--runs", tmp_path)
    assert said.status == 4, said.err
    assert said.sentence == "hil: no assertion was made, so that this run shows nothing of the robot."
    assert "outcome     skipped" in said.out
    (folder,) = tmp_path.iterdir()
    again = hil("replay", folder)
    assert again.status == 4
    assert "No assertion was made" in again.out

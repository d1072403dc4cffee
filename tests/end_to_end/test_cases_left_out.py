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

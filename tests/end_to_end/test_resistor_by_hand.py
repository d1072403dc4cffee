"""A resistor across the battery in somebody's hands at a terminal: Ctrl-C while it is on must not leave it there."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from hil.catalogue import Catalogue
from hil.spec.kinds import Kind

from .typist import ServedRobot, Typist


@pytest.mark.parametrize(
    "prompt", ["while it is on", pytest.param("at the prompt to take it off", marks=pytest.mark.whole)]
)
def test_ctrl_c_with_the_resistor_on_tells_to_take_it_off_at_once(tmp_path: Path, prompt: str) -> None:
    text = Catalogue().find(Kind.ROBOT, "virtual").read_text()
    text = text.replace("robot: virtual\n", "robot: maple\n").replace("virtual: yes\n", "virtual: no\n")
    (tmp_path / "maple.robot.yaml").write_text(text)
    words = ("run", "supply/resistance", "--robot", "maple.robot.yaml", "--route", "operator", "--port")
    with ServedRobot(folder=tmp_path) as robot, Typist(*words, robot.port, folder=tmp_path) as person:
        for _ in range(8):
            asked = person.see(
                "Type yes to go on: ", "Press Enter when it is done", r"unloaded \[V\]: ", r"loaded \[V\]: "
            )
            if asked == 3 and prompt == "while it is on":
                break
            person.type(("yes", "", "7.9 V", "7.7 V")[asked])
            if asked == 3:
                assert person.see("Take the resistor off the battery. It is hot.") == 0
                assert person.see("Press Enter when it is done") == 0
                break
        assert person.interrupt() == 130
        assert person.see("Take the resistor off the battery at once. It is hot.") == 0
    [run] = (tmp_path / "runs").iterdir()
    notes = json.loads((run / "run.json").read_text())["notes"]
    assert any("a resistor was still across the battery; it was told to be taken off" in note for note in notes)
    assert "- 7.9 V" in (run / "answers.yaml").read_text()

"""Settings of the firmware: read before the first case and after the last, every change said, the same in a replay."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.measure.trace import Mark
from hil.store.trace import TraceReader
from hil.transports import Transport
from hil.wire.dialect import Dialect, Verdict
from hil.wire.link import Link
from hil.wire.received import Commanded

from .conftest import Peer, Said, Scripted

Call = Callable[..., Said]

SUITE = """\
suite: short
title: One straight
why: to see what a run does around its cases
course: corridor-six
cases:
  ahead:
    title: One straight, with another wheel base
    setup:
      - place: {at: start}
      - set: {wheel-base: 70500}
    sequence:
"""

DRIVE = """\
      - drive: {path: "ahead 5 by both", front: counts, as: legs}
    measure:
      speed_ratio: {method: straight.wheel_mismatch, of: [legs]}
    assert:
      - {measurement: speed_ratio, tolerance: 0 ± 50 %, why: as in straight-line}
"""
REST = """\
      - pause: {for: 0.2 s, as: rest}
    measure:
      battery: {method: general.mean, channel: supply.battery, of: [rest]}
    assert:
      - {measurement: battery, tolerance: 7.8 ± 0.5 V, why: a pack that was charged}
"""


class Tuned(Scripted):
    """A robot with settings: one drifts when another is set, one is refused, one is no number, one is out of range."""

    def __init__(self, dialect: Dialect, manner: str = "stays") -> None:
        super().__init__(dialect, manner)
        self.answers = {"wheel-left": "28000", "track-left": "0", "front-window": "many", "acceleration": "9000"}
        self.kept: dict[str, str] = {"wheel-base": "70000"}

    def _obey(self, far: Transport, link: Link, command: Commanded) -> None:
        name = str(command.values.get("name", ""))
        if command.tag is None or command.repeated or command.action not in ("get", "set"):
            super()._obey(far, link, command)
        elif command.action == "set":
            self.kept[name] = str(int(float(str(command.values["value"]))))
            far.write(link.reply(command.tag, Verdict.ACCEPTED, self.kept[name]))
        elif name == "track-left" and "set" in self.heard:
            far.write(link.reply(command.tag, Verdict.ACCEPTED, "120"))
        elif name in self.answers or name in self.kept:
            far.write(link.reply(command.tag, Verdict.ACCEPTED, self.kept.get(name) or self.answers[name]))
        else:
            far.write(link.reply(command.tag, Verdict.REFUSED, "unknown-name"))


@pytest.fixture
def suite(tmp_path: Path) -> Path:
    path = tmp_path / "short.suite.yaml"
    path.write_text(SUITE + REST)
    return path


@pytest.fixture
def run_on(
    hil: Call, real_robot: Path, suite: Path, tmp_path: Path, serving: Callable[[Peer], Peer]
) -> Callable[[Peer], dict[str, Any]]:
    """Run the suite on a peer and return run.json."""

    def run(peer: Peer) -> dict[str, Any]:
        answers = tmp_path / "answers.yaml"
        answers.write_text("answers: {}\n")
        words = ("run", suite, "--robot", real_robot, "--port", serving(peer).port, "--unattended")
        said = hil(*words, "--answers", answers, "--runs", tmp_path / "runs", "--json")
        result: dict[str, Any] = json.loads(said.out)
        return result

    return run


def test_every_change_and_all_that_was_not_read_or_is_out_of_range_is_said(
    run_on: Callable[[Peer], dict[str, Any]], dialect: Dialect, hil: Call, tmp_path: Path
) -> None:
    result = run_on(Tuned(dialect))
    notes = result["notes"]
    assert "track-left was 0 um before the run and 120 um after it." in notes
    assert "acceleration is 9000 mm/s2, outside of the 200 to 8000 mm/s2 that the robot file allows." in notes
    for when in ("before the run", "after it"):
        assert (
            f"The settings wheel-right, track-right, front-trigger could not be read {when}: the robot refused 'get': "
            "unknown-name." in notes
        )
        assert any(f"front-window could not be read {when}: the robot answered 'many'" in note for note in notes)
    read = {one["name"]: (one["before"], one["after"]) for one in result["settings"]}
    assert read["wheel-left"] == (28000, 28000)
    assert read["track-left"] == (0, 120)
    assert read["wheel-right"] == (None, None)
    # What the suite itself has changed was given back.
    assert read["wheel-base"] == (70000, 70000)
    assert not any("wheel-base" in note for note in notes)
    [folder] = (tmp_path / "runs").iterdir()
    report = (folder / "report.md").read_text()
    assert "| track-left | 0 um | 120 um | -20000..20000 um | **changed** |" in report
    again = json.loads(hil("replay", folder, "--json").out)
    assert again["settings"] == result["settings"]
    assert [note for note in again["notes"] if note in notes] == notes


def test_a_run_that_ends_early_does_not_know_whether_settings_changed(
    run_on: Callable[[Peer], dict[str, Any]], dialect: Dialect, suite: Path
) -> None:
    suite.write_text(SUITE + DRIVE)
    result = run_on(Tuned(dialect, "stops itself"))
    assert result["outcome"] == "error"
    assert "The settings were not read back at the end, so whether they changed is not known." in result["notes"]
    read = {one["name"]: (one["before"], one["after"]) for one in result["settings"]}
    assert read["track-left"] == (0, None)


def test_settings_stand_in_the_trace_before_the_first_case_and_after_the_last(
    hil: Call, suite: Path, tmp_path: Path
) -> None:
    said = hil("run", suite, "--virtual", "--json", "--runs", tmp_path / "runs")
    result = json.loads(said.out)
    assert {(one["before"], one["after"]) for one in result["settings"] if one["name"] == "wheel-base"} == {
        (70000, 70000)
    }
    assert not any("wheel-base" in note for note in result["notes"])
    [folder] = (tmp_path / "runs").iterdir()
    with TraceReader(folder / "trace.sqlite") as reader:
        steps = [(one.step, one.name) for one in reader if isinstance(one, Mark) and one.step in ("settings", "case")]
    assert steps == [("settings", "before"), ("case", "ahead"), ("case", "ahead"), ("settings", "after")]
    played = json.loads(hil("run", "--port", f"trace:{folder}", "--json", "--runs", tmp_path / "again").out)
    assert played["settings"] == result["settings"]


def test_a_robot_without_settings_has_none_in_its_results(hil: Call, suite: Path, tmp_path: Path) -> None:
    suite.write_text(SUITE.replace("      - set: {wheel-base: 70500}\n", "") + REST)
    said = hil("run", suite, "--virtual", "--robot", "virtual-prints", "--json", "--runs", tmp_path / "runs")
    assert "settings" not in json.loads(said.out)
    [folder] = (tmp_path / "runs").iterdir()
    assert "## Settings" not in (folder / "report.md").read_text()

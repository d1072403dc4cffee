"""Robots that carry several programs, drive without a cable, or go to cells: one suite each, on the virtual ones."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.measure.trace import Mark, MarkKind, PortEntry
from hil.store.trace import TraceReader

from .conftest import Said

LEGS = """\
  legs:
    title: Straights
    program: driving
    setup:
      - place: {at: start}
    sequence:
      - drive: {path: "ahead 5 by both, about left, ahead 5 by both, about right", front: counts, as: legs}
    measure:
      offset: {method: straight.lateral_offset, of: legs}
    assert:
      - {measurement: offset, tolerance: 0 ± 5 mm, why: as in straight-line}
"""
LOOKS = """\
  looks-NUMBER:
    title: What the sensors say
    program: sensing
    setup:
      - place: {at: start}
    sequence:
      - pause: {for: 500 ms, as: look}
    measure:
      left: {method: general.mean, of: look, channel: wall.left}
    assert:
      - {measurement: left, tolerance: 10..1000 count, why: neither near the noise nor at the converter's end}
"""
HEAD = """\
suite: mixed
title: Programs and cables
why: each robot is made to do it in its own way
course: corridor-six
cases:
"""


@pytest.fixture
def run(hil: Callable[..., Said], tmp_path: Path) -> Callable[..., tuple[Said, Any, Path]]:
    def call(robot: str, *cases: str) -> tuple[Said, Any, Path]:
        suite = tmp_path / "mixed.suite.yaml"
        suite.write_text(HEAD + "".join(cases))
        said = hil("run", suite, "--virtual", "--robot", robot, "--json", "--runs", tmp_path / "runs")
        assert (tmp_path / "runs").exists(), said.err
        [folder] = (tmp_path / "runs").iterdir()
        return said, json.loads(said.out), folder

    return call


def trace_of(folder: Path) -> tuple[tuple[PortEntry, ...], list[Mark]]:
    with TraceReader(folder / "trace.sqlite") as reader:
        return reader.ports, [record for record in reader if isinstance(record, Mark)]


def test_programs_are_changed_once_and_results_stand_in_the_suites_order(
    run: Callable[..., tuple[Said, Any, Path]],
) -> None:
    looks = [LOOKS.replace("NUMBER", str(number)) for number in (1, 2)]
    said, result, folder = run("virtual-prints", looks[0], LEGS, looks[1])
    assert said.status == 0, said.err
    assert [case["name"] for case in result["suites"][0]["cases"]] == ["looks-1", "legs", "looks-2"]
    ports, marks = trace_of(folder)
    assert [port.program for port in ports] == ["sense", "run"]
    cases = [mark.name for mark in marks if mark.step == "case" and mark.kind is MarkKind.BEGIN]
    assert cases == ["looks-1", "looks-2", "legs"]
    loads = [mark for mark in marks if mark.step == "load"]
    assert [(mark.kind, mark.name) for mark in loads] == [(MarkKind.BEGIN, "run"), (MarkKind.END, "run")]
    assert loads[0].fields["before"] == "sense"
    told = [(mark.fields["what"], mark.fields["program"]) for mark in marks if mark.step == "port"]
    assert told == [("opened", "sense"), ("closed", "sense"), ("opened", "run")]


def test_cable_is_taken_off_for_the_drives_and_the_log_is_collected(
    run: Callable[..., tuple[Said, Any, Path]],
) -> None:
    said, result, folder = run("virtual-logger", LEGS)
    assert said.status == 0, said.err
    ports, marks = trace_of(folder)
    assert len({port.name for port in ports}) == 2  # it came back under another name
    order = [
        str(mark.fields.get("what", mark.step)) if mark.step == "port" else f"{mark.step} {mark.kind.value}"
        for mark in marks
        if mark.step in ("port", "drive", "collect")
    ]
    assert order == ["opened", "closed", "drive begin", "drive end", "back", "collect begin", "collect end"]
    assert result["time"]["robot_s"] is None  # nobody heard it drive


def test_robot_that_goes_to_cells_says_what_it_really_drove(run: Callable[..., tuple[Said, Any, Path]]) -> None:
    said, result, folder = run("virtual-shuttle", LEGS.replace("as: legs}", "as: legs, times: 2}"))
    assert said.status == 0, said.err
    _, marks = trace_of(folder)
    drives = [mark.fields["path"] for mark in marks if mark.step == "drive" and mark.kind is MarkKind.BEGIN]
    there_and_back = [["ahead", 5, "both"], ["about left", 0, "none"], ["ahead", 5, "both"]]
    assert drives == [there_and_back, [["about left", 0, "none"], *there_and_back]]
    changes = [(mark.name, mark.fields["value"]) for mark in marks if mark.step == "set"]
    assert changes[:2] == [("follow", 3), ("stop-by", 0)]
    assert {name for name, _ in changes[2:]} == {"follow", "stop-by"}  # given back, once each
    assert len(changes) == 4
    [case] = result["suites"][0]["cases"]
    assert sum("was driven as" in note for note in case["notes"]) == 2

"""Settings changed by a case: the robot drives by them, and has its own back afterwards."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.measure.trace import Mark
from hil.store.trace import TraceReader

from .conftest import Said

SUITE = """\
suite: told-otherwise
title: A robot that is told a wrong wheel base
why: a setting that is given back leaves no trace in the next case
course: corridor-six
cases:
  wrong:
    title: Half turns with a wheel base that is 4 % too small
    setup:
      - place: {at: start}
      - set: {wheel-base: 67200}
    sequence: &steps
"""
TURNS = """\
      - drive: {path: "ahead 5 by both, about left, ahead 5 by both, about right", front: counts, as: legs, times: 5}
    measure:
      half_turn_error: {method: turn.half_turn_error, of: [legs]}
    assert:
      - {measurement: half_turn_error, tolerance: 0 ± 3 deg, why: as in straight-line}
"""
AFTER = """\
  after:
    title: The same with its own
    setup:
      - place: {at: start}
    sequence:
"""


def test_setting_is_driven_by_and_given_back(hil: Callable[..., Said], tmp_path: Path) -> None:
    suite = tmp_path / "told.suite.yaml"
    suite.write_text(SUITE.replace("sequence: &steps", "sequence:") + TURNS + AFTER + TURNS)
    said = hil("run", suite, "--virtual", "--json", "--runs", tmp_path / "runs")
    assert said.status == 1, said.err
    cases = {case["name"]: case["assertions"][0] for case in json.loads(said.out)["suites"][0]["cases"]}
    # Turned by counts for a base of 0.96 b: 180 * 0.96 - 180, differential drive.
    assert cases["wrong"]["value"] == pytest.approx(-7.2, abs=0.8)
    assert cases["wrong"]["outcome"] == "failed"
    assert cases["after"]["outcome"] == "passed"
    [folder] = (tmp_path / "runs").iterdir()
    with TraceReader(folder / "trace.sqlite") as reader:
        marks = [record for record in reader if isinstance(record, Mark) and record.step == "set"]
    assert [mark.fields.get("value") for mark in marks] == [67200, 70000]


def test_setting_the_firmware_refuses_is_the_benchs_trouble(hil: Callable[..., Said], tmp_path: Path) -> None:
    suite = tmp_path / "told.suite.yaml"
    text = SUITE.replace("sequence: &steps", "sequence:").replace("67200", "1")
    suite.write_text(text + TURNS)
    said = hil("run", suite, "--virtual", "--runs", tmp_path / "runs")
    assert said.status == 3
    assert "refused 'set': out-of-range" in said.sentence

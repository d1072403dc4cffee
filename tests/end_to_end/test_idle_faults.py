"""A fault that never acted in a run is named in its result, since the run has shown nothing of it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from .conftest import Said

LATE = "The fault port-lost-at=900 s never acted in this run: the port had not been open for so long."
RETURNS = "The fault port-returns=1 s never acted in this run: no port that went away came back by it."
STOOD = "The fault wheel-mismatch=1 % never acted in this run: nothing was driven."


@pytest.mark.whole
def test_faults_that_wait_for_what_never_comes_are_named_in_the_result(
    hil: Callable[..., Said], tmp_path: Path
) -> None:
    faults = ("port-lost-at=900 s", "port-returns=1 s", "wheel-mismatch=1 %", "sensor-gain-left=0.95")
    given = [word for fault in faults for word in ("--fault", fault)]
    said = hil("run", "--virtual", "standing-look", *given, "--json", "--runs", tmp_path)
    notes = json.loads(said.out)["notes"]
    assert [note for note in notes if note.startswith("The fault ")] == [LATE, RETURNS, STOOD]
    (folder,) = tmp_path.iterdir()
    again = json.loads(hil("replay", folder, "--json").out)["notes"]
    assert {LATE, RETURNS, STOOD} <= set(again)


@pytest.mark.whole
def test_faults_that_acted_are_not(hil: Callable[..., Said], tmp_path: Path) -> None:
    # 0.1 % of the bytes of a drive, of which there are some thousands.
    faults = ("wheel-mismatch=0.3 %", "lost-bytes=0.1 %", "loop-pause=5 ms")
    given = [word for fault in faults for word in ("--fault", fault)]
    said = hil("run", "--virtual", "straight-line/tracked-legs", *given, "--json", "--runs", tmp_path)
    assert not [note for note in json.loads(said.out)["notes"] if note.startswith("The fault ")]

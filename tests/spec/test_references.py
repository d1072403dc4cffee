"""What a measurement refers to must be there: steps, readings, sensors; one that is not is told with its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.catalogue import shipped
from hil.spec.kinds import Kind

from .changed_files import sentences, suite_of

SENSORS = (
    "wall.front, wall.front.left, wall.front.right, wall.left, wall.left.diagonal, wall.right or wall.right.diagonal"
)


@pytest.mark.parametrize(
    ("suite", "old", "new", "where", "expected", "near"),
    [
        (
            "supply",
            "sag, rest: resting, load: cruising",
            "sag, rest: restin, load: cruising",
            "cases.battery.measure.sag_cruise.rest: found 'restin'",
            "the name of a step ('as') (cruising, racing or resting)",
            "resting",
        ),
        (
            "supply",
            "in: rail-loaded",
            "in: rail_loaded",
            "cases.rail.measure.duty.in: found 'rail_loaded'",
            "the name of a step ('as') (rail-loaded or rail-resting)",
            "rail-loaded",
        ),
        (
            "straight-line",
            "in: tracked",
            "in: track",
            "cases.tracked-legs.measure.duty.in: found 'track'",
            "the name of a step ('as') (tracked)",
            "tracked",
        ),
        (
            "wall-sensors",
            "sensor: wall.left}",
            "sensor: wall.lefft}",
            "cases.light.measure.left_responds.sensor: found 'wall.lefft'",
            f"a wall sensor ({SENSORS})",
            "wall.left",
        ),
    ],
)
def test_what_is_not_there_is_told_where_it_is_named(
    tmp_path: Path, suite: str, old: str, new: str, where: str, expected: str, near: str
) -> None:
    text = shipped(Kind.SUITE)[suite].read_text(encoding="utf-8")
    said = f"{where}, expected {expected} (did you mean {near}?)"
    assert sentences(suite_of, tmp_path, text, old, new) == [said]

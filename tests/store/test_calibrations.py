"""Calibrations as a file: back as they were, and every kind of wrong file refused with a sentence."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from hil.errors import UsageError
from hil.measure.model import SensorCalibration
from hil.store.calibrations import KeptCalibrations, read_calibrations, write_calibrations

LEFT = SensorCalibration(
    channel="wall.left",
    surface="matt-white",
    gain=1.5e6,
    exponent=1.98,
    offset_mm=1.7,
    covariance=((1e-3, 2e-4, 1e-3), (2e-4, 5e-5, 3e-4), (1e-3, 3e-4, 4e-2)),
    noise=0.01,
    residual_mm=0.2,
    span_mm=(30.0, 119.0),
    n=350,
    source="jig",
)


def test_calibrations_come_back_as_they_were(tmp_path: Path) -> None:
    write_calibrations(tmp_path / "c.json", {"wall.left": LEFT})
    assert read_calibrations(tmp_path / "c.json").sensors == {"wall.left": LEFT}


def test_the_file_of_an_older_run_without_surfaces_is_still_read(tmp_path: Path) -> None:
    write_calibrations(tmp_path / "c.json", {"wall.left": LEFT})
    content = json.loads((tmp_path / "c.json").read_text())
    older = {"format": 1, "model": content["model"], "sensors": content["sensors"]}
    (tmp_path / "c.json").write_text(json.dumps(older))
    assert read_calibrations(tmp_path / "c.json") == KeptCalibrations(sensors={"wall.left": LEFT})


def test_those_of_surfaces_come_back_with_where_they_are_from(tmp_path: Path) -> None:
    kept = KeptCalibrations(
        sensors={"wall.left": LEFT}, surfaces={"grey": {"wall.left": LEFT}}, sources={"grey": "record of yesterday"}
    )
    write_calibrations(tmp_path / "c.json", kept)
    assert read_calibrations(tmp_path / "c.json") == kept


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("nothing", "it is not JSON"),
        ("null", "it has no 'sensors'"),
        ("{}", "it has no 'sensors'"),
        ('{"sensors": {}, "format": 99}', "its format is 99 and not 2"),
        ('{"sensors": {"wall.left": 3}, "format": 1}', "the entry of wall.left cannot be used: it is no set"),
        ('{"sensors": {"wall.left": {}}, "format": 1}', "missing or unknown"),
    ],
)
def test_file_that_holds_none_is_refused_with_a_reason(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "c.json"
    path.write_text(text)
    with pytest.raises(UsageError, match="the calibrations cannot be used") as refused:
        read_calibrations(path)
    assert told in str(refused.value)


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("gain", -5, "gain and exponent are above zero"),
        ("covariance", [[1, 2], [3, 4]], "three by three"),
        ("covariance", [[1, 2, 3], [4, float("nan"), 6], [7, 8, 9]], "three by three finite numbers"),
    ],
)
def test_number_that_cannot_be_is_refused(tmp_path: Path, name: str, value: object, told: str) -> None:
    path = tmp_path / "c.json"
    write_calibrations(path, {"wall.left": LEFT})
    content = json.loads(path.read_text())
    content["sensors"]["wall.left"][name] = value
    path.write_text(json.dumps(content))
    with pytest.raises(UsageError, match=told):
        read_calibrations(path)

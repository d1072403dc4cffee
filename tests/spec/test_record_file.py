"""Record files: written and read back the same, and every mistake of a hand in them told at its line."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from hil.errors import FileMistakes
from hil.measure.model import SensorCalibration
from hil.results import Environment, LoadedFile
from hil.spec.record_file import load_record, record_text
from hil.spec.record_values import Record, Validity, Value, why_stale

TAKEN = datetime(2026, 5, 2, 18, 30, tzinfo=UTC)
SENSOR = SensorCalibration(
    channel="wall.left",
    surface="matt-grey",
    gain=2_275_480.05,
    exponent=2.0875,
    offset_mm=-5.03,
    covariance=((0.14, 0.025, 0.98), (0.025, 0.0048, 0.18), (0.98, 0.18, 7.0)),
    noise=0.0104,
    residual_mm=0.27,
    span_mm=(44.0, 119.0),
    n=436,
    source="jig",
)
RECORD = Record(
    robot="maple",
    serial="no 17: #1",
    surface="matt-grey",
    taken=TAKEN,
    tool="0.1.0",
    run="2026-05-02-183000-maple",
    trace="ab" * 32,
    seed=7,
    firmware='maple "2" {x}',
    battery_v=7.8020000000000005,
    environment=Environment(temperature_c=21.5, illuminance_lux=300.0),
    sensors={"wall.left": SENSOR},
    values={
        "spread": Value(value=14.8, unit="%", u=0.58, of="wall-sensors/curves"),
        "count": Value(value=3.0, unit="", u=0.0, run="2026-04-01-120000-maple"),
    },
    numbers={"wall.left.set": 550.0, "wall.left.at.49.5": 540.25},
    settings={"track-left": -120.0},
    loaded=LoadedFile(name="walls.h", sha256="cd" * 32),
    remark="taken under the new lamp: brighter",
)


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "matt-grey.record.yaml"
    path.write_text(text)
    return path


@pytest.mark.parametrize("record", [RECORD, replace(RECORD, surface="", seed=None, sensors={}, loaded=None, remark="")])
def test_a_record_is_read_back_as_it_was_written(tmp_path: Path, record: Record) -> None:
    assert load_record(written(tmp_path, record_text(record))) == record


def test_what_is_written_is_yaml_with_the_names_that_it_says() -> None:
    # Against another reader of YAML than the one that checks: the plain one, which builds what the text says.
    plain = YAML(typ="safe", pure=True).load(record_text(RECORD))
    assert plain["numbers"] == {"wall.left.set": 550, "wall.left.at.49.5": 540.25}
    assert type(plain["numbers"]["wall.left.set"]) is int
    assert plain["sensors"]["wall.left"]["covariance"][0] == [0.14, 0.025, 0.98]
    assert plain["serial"] == "no 17: #1"
    assert YAML(typ="safe", pure=True).load(record_text(replace(RECORD, surface="")))["record"] == "bench"


@settings(deadline=None, max_examples=40)
@given(
    number=st.floats(allow_nan=False, allow_infinity=False),
    text=st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zl", "Zp"]), min_size=1, max_size=40),
)
def test_any_number_and_any_printable_text_come_back(
    tmp_path_factory: pytest.TempPathFactory, number: float, text: str
) -> None:
    said = text.strip()
    if not said or not said.isprintable():
        return
    record = replace(RECORD, numbers={"one": number}, remark=said)
    again = load_record(written(tmp_path_factory.mktemp("record"), record_text(record)))
    assert (again.numbers["one"], again.remark) == (number, said)


def test_a_number_that_is_none_is_never_written() -> None:
    with pytest.raises(ValueError, match="no number for a record"):
        record_text(replace(RECORD, numbers={"one": math.nan}))


MISTAKES = [
    ('serial: "no 17: #1"\n', "", "expected text"),
    ("gain: 2275480.05", "gain: -1", "gain"),
    ("gain: 2275480.05", "gain: .nan", "gain"),
    ("span_mm: [44.0, 119.0]", "span_mm: [119.0, 44.0]", "expected the shorter distance first, as in [39, 129]"),
    ("[0.14, 0.025, 0.98]", "[-0.14, 0.025, 0.98]", "a symmetric matrix with variances in its diagonal"),
    ("[0.14, 0.025, 0.98]", "[0.14, 0.125, 0.98]", "a symmetric matrix with variances in its diagonal"),
    ("[0.14, 0.025, 0.98]", "[0.14, 0.025]", "covariance"),
    # No correlation is above 1: 0.025 squared is more than 0.14 times 0.0001 (JCGM 100:2008, 5.2.2).
    ("[0.025, 0.0048, 0.18]", "[0.025, 0.0001, 0.18]", "a symmetric matrix with variances in its diagonal"),
    ("2026-05-02T18:30:00+00:00", "2026-05-02T18:30:00", "a date with its time and zone"),
    ("2026-05-02T18:30:00+00:00", "yesterday", "a date with its time and zone"),
    ("numbers:\n", "numbrs:\n", "did you mean numbers?"),
    ("seed: 7 ", "seed: seven ", "seed"),
]


@pytest.mark.parametrize(("found", "instead", "told"), MISTAKES)
def test_every_mistake_is_told_with_its_line(tmp_path: Path, found: str, instead: str, told: str) -> None:
    text = record_text(RECORD)
    assert text.count(found) == 1
    with pytest.raises(FileMistakes) as refused:
        load_record(written(tmp_path, text.replace(found, instead)))
    assert told in str(refused.value)
    assert "matt-grey.record.yaml:" in str(refused.value)


def stale(record: Record, **more: object) -> str:
    now = {"now": TAKEN, "firmware": record.firmware, "battery_v": record.battery_v, "seed": record.seed}
    return why_stale(record, validity=Validity(), **{**now, **more})  # type: ignore[arg-type]


def test_a_record_holds_while_robot_battery_and_age_are_as_they_were() -> None:
    assert stale(RECORD) == ""
    assert stale(RECORD, now=TAKEN + timedelta(days=30)) == ""
    assert stale(RECORD, battery_v=RECORD.battery_v * 1.09) == ""  # type: ignore[operator]
    assert stale(RECORD, firmware="", battery_v=None) == ""  # a robot that tells neither is taken at its file's word


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"seed": 8}, "it is of the virtual robot of seed 7"),
        ({"seed": None}, "it is of the virtual robot of seed 7"),
        ({"now": TAKEN + timedelta(days=31)}, "it is 31 days old, and records are good for 30 days"),
        (
            {"now": TAKEN - timedelta(hours=1)},
            "it is dated 2026-05-02 18:30, which is yet to come; is the machine's clock right?",
        ),
        ({"firmware": "maple 3"}, "it was taken with the firmware 'maple \"2\" {x}', and the robot now says 'maple 3'"),
        (
            {"battery_v": 6.9},
            "it was taken at 7.80 V of battery, which is now at 6.90 V (records are good for 10% of difference)",
        ),
    ],
)
def test_a_record_that_does_not_hold_says_why(change: dict[str, object], reason: str) -> None:
    assert stale(RECORD, **change) == reason


def test_a_real_robots_record_is_none_of_a_virtual_one() -> None:
    assert stale(replace(RECORD, seed=None), seed=7) == "it is of a real robot"

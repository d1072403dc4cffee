"""`hil records`, the options of the bench, and what `hil check` foretells: what a user sees of records.

The records of these tests are written by the program's own writer; what the firmware gets is held against the grammar
of C: identifiers (C11, 6.4.2.1), integer constants (6.4.4.1) and comments, which do not nest (6.4.9).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from hil.catalogue import shipped
from hil.cli.bench_options import environment_of, records_beside
from hil.cli.main import main
from hil.errors import UsageError
from hil.measure.model import SensorCalibration
from hil.results import Environment
from hil.spec.kinds import Kind
from hil.spec.record_values import Record, Value
from hil.spec.robot_values import SettingsText
from hil.spec.settings_text import Setting, fill, settings_file_text
from hil.store.records import write_record

Hil = Callable[..., tuple[int, str, str]]
DEFINE = re.compile(r"#define [A-Za-z_][A-Za-z0-9_]* -?\d+(\.\d+)?  /\*(?:(?!\*/).)*\*/")
SENSOR = SensorCalibration(
    channel="wall.left",
    surface="matt-grey",
    gain=2.2e6,
    exponent=2.0,
    offset_mm=5.0,
    covariance=((0.1, 0.0, 0.0), (0.0, 0.1, 0.0), (0.0, 0.0, 0.1)),
    noise=0.01,
    residual_mm=0.3,
    span_mm=(44.0, 119.0),
    n=400,
    source="jig",
)


def record(surface: str = "matt-grey", days: float = 1, **more: object) -> Record:
    made = Record(
        robot="mine",
        serial="V-0001",
        surface=surface,
        taken=datetime.now(UTC) - timedelta(days=days),
        tool="0.1.0",
        run="2026-05-02-183000-mine",
        trace="ab" * 32,
        sensors={"wall.left": replace(SENSOR, surface=surface)},
        values={"spread": Value(value=14.8, unit="%", u=0.58, of="wall-sensors/curves")},
        numbers={
            "wall.left.at.100": 137.0,
            "wall.left.threshold": 89.0,
            "wall.left.set": 550.0,
            "wall.left.at.50": 529,
        },
        environment=Environment(temperature_c=21.0),
    )
    return replace(made, **more)  # type: ignore[arg-type]


@pytest.fixture
def hil(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Hil:
    """Call the command line in a folder of its own with a real robot's file in it, and return what it said."""
    monkeypatch.chdir(tmp_path)
    text = shipped(Kind.ROBOT)["virtual"].read_text()
    text = text.replace("robot: virtual\n", "robot: mine\n").replace("virtual: yes\n", "virtual: no\n")
    Path("mine.robot.yaml").write_text(text)

    def call(*words: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main(words)
        written = capsys.readouterr()
        return int(left.value.code or 0), written.out, written.err

    return call


def with_settings_file(form: str) -> None:
    path = Path("mine.robot.yaml")
    path.write_text(f"{path.read_text()}\nsettings_file: {form}\n")


# Looking at them


def test_a_bench_without_records_says_what_would_write_some(hil: Hil) -> None:
    status, out, _ = hil("records", "list")
    assert (status, out) == (
        0,
        "There are no records in records. A run of the suite wall-sensors that passes writes some.\n",
    )


def test_every_record_is_listed_with_its_age_and_whether_it_holds(hil: Hil) -> None:
    folder = Path("records")
    write_record(folder, record(days=3))
    write_record(folder, record("white", days=40))
    write_record(folder, record("", days=0.1, seed=7, sensors={}, numbers={}))
    damaged = write_record(folder, record("red"))
    damaged.write_text("record: red\n")
    copied = folder / "018" / "white.record.yaml"
    copied.parent.mkdir()
    copied.write_text((folder / "V-0001" / "white.record.yaml").read_text())
    status, out, _ = hil("records", "list")
    rows = [re.split(r"  +", line) for line in out.splitlines()]
    assert status == 0
    assert rows[0] == ["robot", "surface", "age", "run", "holds"]
    by_place = {(row[0], row[1]): row[2:] for row in rows[1:]}
    assert by_place["V-0001", "matt-grey"] == ["3 days old", "2026-05-02-183000-mine", "yes"]
    assert by_place["V-0001", "white"][2] == "no: it is 40 days old, and records are good for 30 days"
    assert by_place["V-0001.seed-7", "bench"] == ["2 h old", "2026-05-02-183000-mine", "yes"]
    assert by_place["V-0001", "red"][0].startswith("cannot be read: ")
    assert by_place["018", "white"][2].startswith("no: it belongs at V-0001/white.record.yaml")


def test_one_record_is_shown_with_all_that_it_holds(hil: Hil) -> None:
    write_record(Path("records"), record(days=3))
    write_record(Path("records"), record())
    status, out, _ = hil("records", "show", "V-0001", "matt-grey")
    assert status == 0
    assert "sensor       wall.left: gain 2.2e+06, exponent 2.000" in out
    assert "value        spread: 14.80 (u 0.58) %, wall-sensors/curves" in out
    assert "room         21 °C" in out
    assert re.search(r"^earlier      records/V-0001/earlier/matt-grey-", out, re.MULTILINE)


def test_a_record_that_is_not_there_is_told_with_those_that_are(hil: Hil) -> None:
    write_record(Path("records"), record())
    status, _, err = hil("records", "show", "V-0001", "white")
    assert status == 2
    assert err == "hil: records: there is no record of V-0001 on white; expected one of matt-grey.\n"
    assert "'hil records list'" in hil("records", "show", "V-0002", "white")[2]


def test_of_several_virtual_robots_one_is_asked_for(hil: Hil) -> None:
    for seed in (1, 2):
        write_record(Path("records"), record(seed=seed))
    status, _, err = hil("records", "show", "V-0001", "matt-grey")
    assert status == 2
    assert "expected one of V-0001.seed-1, V-0001.seed-2" in err
    assert "seed 2" in hil("records", "show", "V-0001.seed-2", "matt-grey")[1]


# Writing them for a firmware


def test_the_numbers_of_a_surface_are_lines_of_c_with_their_source_above(hil: Hil) -> None:
    write_record(Path("records"), record())
    status, out, err = hil("records", "text", "matt-grey", "--robot", "mine.robot.yaml")
    assert (status, err) == (0, "")
    head, *lines = out.splitlines()
    assert re.fullmatch(
        r"/\* Settings of mine \(V-0001\) for walls of matt-grey, written on [\d-]+ [\d:]+ by hil from the record of "
        r"[\d-]+ [\d:]+, run 2026-05-02-183000-mine\. \*/",
        head,
    )
    assert all(DEFINE.fullmatch(line) for line in lines)
    assert [line.split()[1:3] for line in lines] == [
        ["WALL_LEFT_SET", "550"],
        ["WALL_LEFT_THRESHOLD", "89"],
        ["WALL_LEFT_AT_50", "529"],
        ["WALL_LEFT_AT_100", "137"],
    ]


def test_the_robot_file_says_how_the_numbers_are_written(hil: Hil) -> None:
    write_record(Path("records"), record())
    with_settings_file(
        '{name: walls.txt, line: "{name} = {value} {unit}", '
        'first: "[{surface}] {record}", last: "end of {robot}, {date}"}'
    )
    assert hil("records", "text", "matt-grey", "--robot", "mine.robot.yaml", "--out", "walls.txt")[0] == 0
    lines = Path("walls.txt").read_text().splitlines()
    assert re.fullmatch(r"\[matt-grey\] record of .*, run 2026-05-02-183000-mine", lines[0])
    assert lines[1:3] == ["wall.left.set = 550 count", "wall.left.threshold = 89 count"]
    assert re.fullmatch(r"end of mine \(V-0001\), [\d-]+ [\d:]+", lines[-1])


def test_a_head_that_names_no_record_gets_one_above_it(hil: Hil) -> None:
    write_record(Path("records"), record())
    with_settings_file('{name: walls.txt, line: "{name} {value}", first: "[walls]"}')
    out = hil("records", "text", "matt-grey", "--robot", "mine.robot.yaml")[1]
    assert out.startswith("# Settings of mine (V-0001) for walls of matt-grey, written on ")
    assert out.splitlines()[1:3] == ["[walls]", "wall.left.set 550"]


def test_a_record_that_does_not_hold_is_written_only_where_that_is_asked_for(hil: Hil) -> None:
    write_record(Path("records"), record(days=40))
    status, out, err = hil("records", "text", "matt-grey", "--robot", "mine.robot.yaml")
    assert (status, out) == (2, "")
    assert "is not used: it is 40 days old, and records are good for 30 days" in err
    assert "--old" in err
    status, out, err = hil("records", "text", "matt-grey", "--robot", "mine.robot.yaml", "--old")
    assert status == 0
    assert "WALL_LEFT_SET" in out
    assert err == (
        "hil: the record of 'matt-grey' was used all the same: it is 40 days old, and records are good for 30 days.\n"
    )


@pytest.mark.parametrize(
    "line",
    ["{value.__class__}", "{value!r}", "{value:>999999999}", "{value[0]}", "{}", "{0}", "{name:{value}}", "{secret}"],
)
def test_a_template_that_reaches_for_more_than_its_fields_is_a_mistake(hil: Hil, line: str) -> None:
    write_record(Path("records"), record())
    with_settings_file(f'{{name: walls.h, line: "{line}"}}')
    status, out, err = hil("records", "text", "matt-grey", "--robot", "mine.robot.yaml")
    assert (status, out) == (2, "")
    assert "settings_file.line: found the field {" in err
    with pytest.raises(ValueError, match="nothing is filled in for"):
        fill(line, {"value": "1", "name": "a"})


def test_what_is_filled_in_is_never_a_template_and_ends_no_comment() -> None:
    form = SettingsText(name="walls.h", first="/* {robot} {record} */")
    text = settings_file_text(
        form,
        [Setting(name="wall.left.set", value=550.0, meaning="a */ b\n{value}")],
        robot="{value.__class__}",
        surface="white",
        date=datetime(2026, 5, 2, tzinfo=UTC),
        record="run */ #include\n\\",
    )
    head, line = text.splitlines()
    assert head == "/* {value.__class__} run * / #include  */"
    assert DEFINE.fullmatch(line)
    assert line.endswith("/*  a * / b {value} */")


def test_two_names_that_become_one_word_of_c_are_refused() -> None:
    both = [Setting(name="wall.left", value=1.0), Setting(name="wall-left", value=2.0)]
    around = {"robot": "mine", "surface": "white", "record": "r", "date": datetime(2026, 5, 2, tzinfo=UTC)}
    with pytest.raises(UsageError, match="are both written as WALL_LEFT"):
        settings_file_text(SettingsText(name="walls.h"), both, **around)  # type: ignore[arg-type]
    text = settings_file_text(SettingsText(name="walls.txt", line="{name} {value}"), both, **around)  # type: ignore[arg-type]
    assert text.splitlines()[1:] == ["wall.left 1", "wall-left 2"]


# What a run is told of the bench


def test_conditions_of_the_room_are_read_in_their_units() -> None:
    assert environment_of(("temperature=21.5 degC", "humidity=45 %", "light=300 lux", "friction=0.8")) == Environment(
        temperature_c=21.5, humidity_percent=45.0, illuminance_lux=300.0, floor_friction=0.8
    )
    # 0 degC is 273.15 K (SI brochure, 9th edition, 2.3.1) and 32 degF.
    assert environment_of(("temperature=294.15 K",)).temperature_c == pytest.approx(21.0)
    assert environment_of(("temperature=69.8 °F",)).temperature_c == pytest.approx(21.0)
    assert environment_of(("light=0.3 klx",)).illuminance_lux == pytest.approx(300.0)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("temperature=21", "is no temperature in degC, degF or K"),
        ("temperature=-300 degC", "there is no room with temperature -300 degC; expected -40 to 60 degC"),
        ("humidity=120 %", "expected 0 to 100 %"),
        ("light=300", "has no unit"),
        ("light=300 mm", "cannot be expressed"),
        ("light=nan lux", "is not a number with a unit"),
        ("friction=-1", "expected 0 to 2"),
        ("weather=fine", "that is no condition of the room; expected one of temperature="),
        ("humidity", "that is no condition of the room"),
    ],
)
def test_a_condition_that_cannot_be_is_refused(hil: Hil, text: str, told: str) -> None:
    status, _, err = hil("run", "--virtual", "--environment", text)
    assert status == 2
    assert told in err
    assert f"--environment {text}" in err


def test_a_condition_given_twice_is_refused(hil: Hil) -> None:
    status, _, err = hil("run", "--virtual", "--environment", "humidity=40 %", "--environment", "humidity=50 %")
    assert status == 2
    assert "this condition is given twice" in err


def test_records_lie_beside_the_runs() -> None:
    assert records_beside(Path("runs")) == Path("records")
    assert records_beside(Path("/bench/runs")) == Path("/bench/records")
    assert records_beside(Path("..")) == Path("..").resolve().parent / "records"


@pytest.mark.parametrize("other", [("--records", "elsewhere"), ("--old-records",)])
def test_no_records_and_some_are_a_contradiction(hil: Hil, other: tuple[str, ...]) -> None:
    status, _, err = hil("run", "--virtual", "--no-records", *other)
    assert status == 2
    assert "no records are to be used, and yet some are" in err


def test_another_file_with_settings_than_the_robot_file_names_is_refused(hil: Hil) -> None:
    with_settings_file("{name: walls.h}")
    Path("wals.h").write_text("#define A 1\n")
    words = ("run", "u-turn", "--robot", "mine.robot.yaml", "--port", "loop://")
    status, _, err = hil(*words, "--settings-file", "wals.h")
    assert status == 2
    assert "expected a file with the name walls.h, as the robot file says" in err
    assert "cannot be read (No such file or directory)" in hil(*words, "--settings-file", "walls.h")[2]
    Path("walls.h").write_text("")
    assert "the file with settings is empty" in hil(*words, "--settings-file", "walls.h")[2]


@pytest.mark.parametrize("name", ["bench", "Bench"])
def test_no_surface_is_called_as_the_bench_s_own_record(hil: Hil, name: str) -> None:
    status, _, err = hil("run", "wall-sensors", "--virtual", "--surface", name)
    assert status == 2
    assert "that is no name of a surface" in err
    course = shipped(Kind.COURSE)["u-shape"].read_text().replace("surface: matt-white", f"surface: {name}")
    Path("own.course.yaml").write_text(course)
    suite = shipped(Kind.SUITE)["wall-sensors"].read_text()
    Path("own.suite.yaml").write_text(re.sub(r"^surfaces: \[[\w-]+", f"surfaces: [{name}", suite, flags=re.MULTILINE))
    status, _, err = hil("check", "own.course.yaml", "own.suite.yaml")
    assert status == 2
    assert err.count("expected another name of a surface, since 'bench' is the record of what belongs to none") == 2


# What is foretold


def test_a_check_says_which_records_a_run_would_go_by(hil: Hil) -> None:
    folder = Path("records")
    words = ("check", "u-turn", "--robot", "mine.robot.yaml")
    assert (
        "  matt-white: there is no record of the surface 'matt-white' for V-0001; distances to walls would not"
        in (hil(*words)[1])
    )
    write_record(folder, record("matt-white", days=40))
    assert "  matt-white: the record of the surface 'matt-white' is not used: it is 40 days old" in hil(*words)[1]
    write_record(folder, record("matt-white"))
    write_record(folder, record("red"))
    lines = hil(*words)[1].splitlines()
    at = lines.index("Records of the surfaces (records):")
    assert re.fullmatch(r"  matt-white: record of [\d-]+ [\d:]+ from the run 2026-05-02-183000-mine", lines[at + 1])
    assert lines[at + 2].endswith("from the run 2026-05-02-183000-mine, beside these")
    assert "Records of the surfaces" not in hil(*words, "--route", "operator")[1]


def test_a_record_of_a_sensor_that_the_robot_has_not_is_told(hil: Hil) -> None:
    sensors = {"wall.up": replace(SENSOR, channel="wall.up", surface="matt-white")}
    write_record(Path("records"), record("matt-white", sensors=sensors))
    out = hil("check", "u-turn", "--robot", "mine.robot.yaml")[1]
    assert "the record of the surface 'matt-white' is of wall.up, which the robot has not" in out


def test_a_settings_file_of_a_run_is_known_by_its_digest(hil: Hil, tmp_path: Path) -> None:
    from hil.cli.bench_options import loaded_file
    from hil.spec.loading import load_robot

    path = tmp_path / "walls.h"
    path.write_bytes(b"#define WALL_LEFT_SET 550\n")
    loaded = loaded_file(path, load_robot(Path("mine.robot.yaml")))
    assert (loaded.name, loaded.sha256) == ("walls.h", hashlib.sha256(path.read_bytes()).hexdigest())


def test_a_robot_file_says_how_long_its_records_hold(hil: Hil) -> None:
    write_record(Path("records"), record("matt-white", days=20))
    words = ("check", "u-turn", "--robot", "mine.robot.yaml")
    assert "  matt-white: record of " in hil(*words)[1]
    path = Path("mine.robot.yaml")
    text = path.read_text()
    path.write_text(f"{text}\nrecords: {{age: 14 days}}\n")
    assert "it is 20 days old, and records are good for 14 days" in hil(*words)[1]
    assert "records are good for 14 days" in hil("records", "text", "matt-white", "--robot", "mine.robot.yaml")[2]
    path.write_text(f"{text}\nrecords: {{age: 3 weeks, battery: 150 %}}\n")
    status, _, err = hil(*words)
    assert status == 2
    assert "records.battery: found '150 %', expected a tolerance of at least 0 and below 100 %" in err
    assert err.count("records.") == 1

"""The bench's records on the disk: found again by robot and surface, refused with a reason, and never lost."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from hil.errors import FileMistakes
from hil.spec.record_file import load_record, record_text
from hil.spec.record_values import Record, Value
from hil.store import records as store
from hil.store.records import (
    NO_RECORD,
    Circumstances,
    earlier_in,
    folder_of,
    path_of,
    pick_record,
    records_in,
    with_standing_values,
    write_record,
)

TAKEN = datetime(2026, 5, 2, 18, 30, tzinfo=UTC)
RECORD = Record(
    robot="maple",
    serial="017",
    surface="matt-grey",
    taken=TAKEN,
    tool="0.1.0",
    run="2026-05-02-183000-maple",
    trace="ab" * 32,
    firmware="maple 2",
    battery_v=7.8,
    numbers={"wall.left.set": 550.0},
)
NOW = Circumstances(serial="017", now=TAKEN + timedelta(days=1))
LATER = replace(RECORD, taken=TAKEN + timedelta(days=2), run="2026-05-04-183000-maple")


def test_a_record_is_found_by_robot_and_surface(tmp_path: Path) -> None:
    path = write_record(tmp_path, RECORD)
    assert path == tmp_path / "017" / "matt-grey.record.yaml"
    assert pick_record(tmp_path, "matt-grey", NOW).record == RECORD
    assert list(records_in(tmp_path)) == [path]


def test_what_belongs_to_no_surface_is_the_bench_s_own(tmp_path: Path) -> None:
    path = write_record(tmp_path, replace(RECORD, surface=""))
    assert path.name == "bench.record.yaml"
    picked = pick_record(tmp_path, "", NOW)
    assert picked.record is not None
    assert picked.record.surface == ""


def test_each_seed_of_a_virtual_robot_has_records_of_its_own(tmp_path: Path) -> None:
    write_record(tmp_path, replace(RECORD, seed=7))
    assert folder_of(tmp_path, "017", 7).name == "017.seed-7"
    assert pick_record(tmp_path, "matt-grey", replace(NOW, seed=7)).record is not None
    for seed in (8, None):
        assert pick_record(tmp_path, "matt-grey", replace(NOW, seed=seed)).reason.startswith(NO_RECORD)


def test_a_serial_that_would_climb_stays_in_the_folder(tmp_path: Path) -> None:
    path = write_record(tmp_path / "records", replace(RECORD, serial="../../elsewhere"))
    assert path.resolve().is_relative_to((tmp_path / "records").resolve())


def test_serial_numbers_that_look_alike_as_names_of_files_share_no_folder(tmp_path: Path) -> None:
    serials = ("a-b", "a/b", "a b", "ж", "я", "x" * 90 + "1", "x" * 90 + "2", "unnamed")
    for serial in serials:
        write_record(tmp_path, replace(RECORD, serial=serial))
    assert len(records_in(tmp_path)) == len(serials)
    for serial in serials:
        picked = pick_record(tmp_path, RECORD.surface, replace(NOW, serial=serial))
        assert picked.record == replace(RECORD, serial=serial)


@pytest.mark.parametrize("name", ["null", "Null", "NULL", "yes", "on", "inf", "e1"])
def test_a_name_that_means_something_in_yaml_is_read_back_as_a_name(tmp_path: Path, name: str) -> None:
    value = Value(value=1.0, unit="V", u=0.1)
    record = replace(RECORD, robot=name, surface=name, numbers={name: 1.0}, settings={name: 2.5}, values={name: value})
    assert load_record(write_record(tmp_path, record)) == record


@pytest.mark.parametrize(
    ("record", "now", "reason"),
    [
        (RECORD, replace(NOW, now=TAKEN + timedelta(days=40)), "it is 40 days old, and records are good for 30 days"),
        (RECORD, replace(NOW, firmware="maple 3"), "it was taken with the firmware 'maple 2'"),
        (RECORD, replace(NOW, battery_v=6.8), "it was taken at 7.80 V of battery, which is now at 6.80 V"),
        (replace(RECORD, seed=7), NOW, "it is of the virtual robot of seed 7"),
        (replace(RECORD, serial="018"), NOW, "the file matt-grey.record.yaml is of 018 on matt-grey"),
        (replace(RECORD, surface="white"), NOW, "the file matt-grey.record.yaml is of 017 on white"),
    ],
)
def test_a_record_that_does_not_fit_is_refused_with_its_reason(
    tmp_path: Path, record: Record, now: Circumstances, reason: str
) -> None:
    path = path_of(tmp_path, "017", "matt-grey")
    path.parent.mkdir(parents=True)
    path.write_text(record_text(record))  # also where somebody copied a file to another's place
    picked = pick_record(tmp_path, "matt-grey", now)
    assert picked.record is None
    assert picked.reason.startswith("the record of the surface 'matt-grey' is not used: ")
    assert reason in picked.reason


def test_an_old_record_serves_where_that_is_wanted_and_its_reason_stays(tmp_path: Path) -> None:
    write_record(tmp_path, RECORD)
    picked = pick_record(tmp_path, "matt-grey", replace(NOW, now=TAKEN + timedelta(days=40)), is_old_good=True)
    assert picked.record == RECORD
    assert picked.reason == "it is 40 days old, and records are good for 30 days"


def test_a_damaged_record_is_told_and_kept_when_another_is_written(tmp_path: Path) -> None:
    path = write_record(tmp_path, RECORD)
    damaged = path.read_bytes()[:100] + b"\x00\xff"
    path.write_bytes(damaged)
    with pytest.raises(FileMistakes):
        pick_record(tmp_path, "matt-grey", NOW)
    assert load_record(write_record(tmp_path, LATER)) == LATER
    assert [one.read_bytes() for one in earlier_in(path.parent, "matt-grey")] == [damaged]


def test_an_earlier_record_is_kept_beside_the_new_one_under_its_date(tmp_path: Path) -> None:
    path = write_record(tmp_path, RECORD)
    assert write_record(tmp_path, LATER) == path
    assert load_record(path) == LATER
    [earlier] = earlier_in(path.parent, "matt-grey")
    assert (earlier.parent.name, earlier.name) == ("earlier", "matt-grey-2026-05-02-183000.record.yaml")
    assert load_record(earlier) == RECORD
    assert list(records_in(tmp_path)) == [path]


def test_two_records_of_one_second_are_both_kept(tmp_path: Path) -> None:
    for remark in ("one", "two", "three"):
        path = write_record(tmp_path, replace(RECORD, remark=remark))
    assert load_record(path).remark == "three"
    assert sorted(load_record(one).remark for one in earlier_in(path.parent, "matt-grey")) == ["one", "two"]


def test_writing_the_same_again_changes_nothing(tmp_path: Path) -> None:
    path = write_record(tmp_path, RECORD)
    write_record(tmp_path, RECORD)
    assert list(earlier_in(path.parent, "matt-grey")) == []


def test_a_record_of_an_earlier_run_does_not_take_the_place_of_a_later_one(tmp_path: Path) -> None:
    path = write_record(tmp_path, LATER)
    aside = write_record(tmp_path, RECORD)
    assert load_record(path) == LATER
    assert list(earlier_in(path.parent, "matt-grey")) == [aside]
    assert load_record(aside) == RECORD


def test_a_record_of_a_clock_that_ran_ahead_does_not_stand_in_the_way_of_later_ones(tmp_path: Path) -> None:
    ahead = replace(RECORD, taken=TAKEN + timedelta(days=900))
    path = write_record(tmp_path, ahead)
    assert write_record(tmp_path, RECORD, now=TAKEN + timedelta(hours=1)) == path
    assert load_record(path) == RECORD
    assert [load_record(one) for one in earlier_in(path.parent, "matt-grey")] == [ahead]


def test_values_of_the_bench_are_joined_with_those_that_stand(tmp_path: Path) -> None:
    def of(name: str, days: int) -> Record:
        value = Value(value=1.0, unit="", u=0.1, of=f"{name}/case")
        return replace(RECORD, surface="", taken=TAKEN + timedelta(days=days), values={name: value})

    write_record(tmp_path, of("encoders", 0))
    path = write_record(tmp_path, of("supply", 1), joins=True)
    assert set(load_record(path).values) == {"encoders", "supply"}


def test_a_kill_between_two_files_leaves_a_record_and_doubles_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_record(tmp_path, RECORD)

    def killed(path: Path, text: str) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(store, "write_whole", killed)
        with pytest.raises(KeyboardInterrupt):
            write_record(tmp_path, LATER)
    assert load_record(path) == RECORD
    write_record(tmp_path, LATER)
    assert load_record(path) == LATER
    assert [load_record(one) for one in earlier_in(path.parent, "matt-grey")] == [RECORD]


def test_a_half_written_file_is_no_record(tmp_path: Path) -> None:
    path = write_record(tmp_path, RECORD)
    (path.parent / f".{path.name}.part").write_text("record: matt")
    assert list(records_in(tmp_path)) == [path]
    assert pick_record(tmp_path, "matt-grey", NOW).record == RECORD


def test_what_one_suite_found_of_the_bench_stays_when_another_finds_more(tmp_path: Path) -> None:
    duty, ripple = Value(value=50.1, unit="%", u=0.2), Value(value=0.4, unit="%", u=0.1)
    period = Value(value=1000.0, unit="us", u=0.5)
    duty, ripple = replace(duty, of="encoders/driven"), replace(ripple, of="encoders/driven")
    encoders = replace(RECORD, surface="", values={"duty_left": duty, "ripple_left": ripple})
    write_record(tmp_path, with_standing_values(tmp_path, encoders))
    timing = replace(LATER, surface="", values={"period": period, "ripple_left": replace(ripple, value=0.5)})
    path = write_record(tmp_path, with_standing_values(tmp_path, timing))
    assert load_record(path).values == {
        "duty_left": replace(duty, run=RECORD.run),
        "ripple_left": replace(ripple, value=0.5),  # measured again
        "period": period,
    }
    third = replace(LATER, taken=LATER.taken + timedelta(days=1), surface="", run="third", values={})
    assert with_standing_values(tmp_path, third).values["duty_left"].run == RECORD.run  # and not of the run between
    assert with_standing_values(tmp_path, encoders).values == encoders.values  # a later one gives nothing to an earlier
    path.write_text("damaged")
    assert with_standing_values(tmp_path, third) == third


def test_measurements_of_one_name_by_two_cases_stand_beside_each_other(tmp_path: Path) -> None:
    runs = [
        replace(
            RECORD,
            surface="",
            taken=TAKEN + timedelta(days=day),
            run=f"run-{day}",
            values={"jitter": Value(value=float(day), unit="%", u=0.1, of=of)},
        )
        for day, of in enumerate(("encoders/driven", "loop-timing/quiet", "encoders/driven"))
    ]
    for run in runs:
        path = write_record(tmp_path, with_standing_values(tmp_path, run))
    values = load_record(path).values
    assert {name: (one.value, one.of, one.run) for name, one in values.items()} == {
        "jitter": (2.0, "encoders/driven", ""),
        "quiet.jitter": (1.0, "loop-timing/quiet", "run-1"),
    }

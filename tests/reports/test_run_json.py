"""`run.json`: what is written is read back the same, and fits the schema in the package."""

import copy
import json
from dataclasses import replace

import jsonschema
import pytest

from hil.errors import UsageError
from hil.outcomes import Outcome
from hil.reports.run_json import run_from_json, run_schema, run_to_json, run_to_object
from hil.results import LoadedFile, SettingRead


@pytest.fixture
def validator():
    return jsonschema.Draft7Validator(run_schema())


def test_the_schema_is_one_of_draft_07(validator):
    jsonschema.Draft7Validator.check_schema(run_schema())
    assert run_schema()["$schema"] == "http://json-schema.org/draft-07/schema#"


def test_a_run_is_read_back_as_it_was_written(virtual_run, real_run):
    for run in (virtual_run, real_run, replace(real_run, is_interrupted=True, seed=None, suites=())):
        assert run_from_json(run_to_json(run)) == run


def test_results_fit_the_schema(virtual_run, real_run, validator):
    stopped = replace(real_run, suites=(), trouble=Outcome.ERROR, reason="There is no such port.")
    for run in (virtual_run, real_run, stopped):
        validator.validate(json.loads(run_to_json(run)))


def test_settings_and_the_loaded_file_are_read_back_and_older_runs_have_neither(real_run, validator):
    read = SettingRead(name="track-left", unit="um", lowest=-20000.0, highest=20000.0, before=0.0, after=None)
    run = replace(real_run, settings=(read,), loaded=LoadedFile(name="walls.h", sha256="ab" * 32))
    validator.validate(json.loads(run_to_json(run)))
    assert run_from_json(run_to_json(run)) == run
    assert not {"settings", "loaded"} & set(run_to_object(real_run))  # as before there were any
    bad = run_to_object(run)
    bad["loaded"]["sha256"] = "short"
    assert not validator.is_valid(bad)


def test_an_assertion_carries_all_that_is_needed_to_judge_it_again(virtual_run):
    first = run_to_object(virtual_run)["suites"][0]["cases"][0]["assertions"][0]
    assert {
        "suite", "case", "measurement", "value", "unit", "u", "dof", "n", "tolerance", "rule", "p_conformance",
        "outcome", "reason", "source",
    } <= set(first)  # fmt: skip
    assert first["tolerance"] == {"text": "0 ± 0.5 %", "lower": -0.5, "upper": 0.5}


def test_infinities_are_null(real_run, virtual_run):
    spread = run_to_object(virtual_run)["suites"][0]["cases"][1]["assertions"][0]
    assert spread["tolerance"] == {"text": "<= 1.5 deg", "lower": None, "upper": 1.5}
    text = run_to_json(virtual_run) + run_to_json(real_run)
    assert "Infinity" not in text
    assert "NaN" not in text


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("outcome",), "perfect"),
        (("exit_status",), 5),
        (("format_version",), 2),
        (("unknown",), 1),
        (("robot", "virtual"), "yes"),
        (("robot", "virtual"), False),  # with faults: only the virtual robot can have any
        (("trace", "sha256"), "short"),
        (("time", "wall_s"), -1),
        (("lines", 0, "lost"), 1.5),
        (("suites", 0, "cases", 0, "assertions", 0, "u"), -0.1),
        (("suites", 0, "cases", 0, "assertions", 0, "value"), "0.03"),
        (("suites", 0, "cases", 0, "assertions", 0, "p_conformance"), 1.5),
        (("suites", 0, "cases", 0, "assertions", 0, "reason"), ""),
        (("suites", 0, "cases", 0, "assertions", 0, "rule"), "strict"),
        (("suites", 0, "cases", 0, "trouble"), "failed"),
    ],
)
def test_wrong_results_do_not_fit_the_schema(virtual_run, validator, path, value):
    data = copy.deepcopy(run_to_object(virtual_run))
    place = data
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        validator.validate(data)


def test_a_missing_entry_does_not_fit_the_schema_and_is_named_when_read(virtual_run, validator):
    data = run_to_object(virtual_run)
    del data["suites"][0]["cases"][0]["assertions"][0]["u"]
    with pytest.raises(jsonschema.ValidationError):
        validator.validate(data)
    with pytest.raises(UsageError) as caught:
        run_from_json(json.dumps(data), where="runs/7/run.json")
    assert str(caught.value) == (
        "runs/7/run.json: the entry 'u' is missing; expected the result of a run in format version 1."
    )


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", '{"format_version": 2}', '{"format_version": NaN}', "[" * 9999]
)
def test_what_is_no_run_is_refused_with_a_sentence(text):
    with pytest.raises(UsageError, match=r"^run\.json: .*expected"):
        run_from_json(text)

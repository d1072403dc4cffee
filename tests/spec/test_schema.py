"""The JSON Schemas: draft-07 itself, the shipped files, and what an editor must refuse."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from jsonschema import Draft7Validator

from hil.catalogue import shipped
from hil.spec.document import read_source
from hil.spec.kinds import Kind
from hil.spec.schema import schema_of

FILES = [(kind, path) for kind in Kind for path in shipped(kind).values()]


@pytest.mark.parametrize("kind", list(Kind), ids=lambda kind: kind.value)
def test_the_schema_is_a_schema_of_draft_07(kind: Kind) -> None:
    schema = schema_of(kind)
    assert schema["$schema"] == "http://json-schema.org/draft-07/schema#"
    Draft7Validator.check_schema(schema)
    assert "$defs" not in json.dumps(schema)


@pytest.mark.parametrize(("kind", "path"), FILES, ids=[path.name for _, path in FILES])
def test_shipped_files_conform_to_their_schemas(kind: Kind, path: Path) -> None:
    _, root = read_source(path, path.name)
    assert root is not None
    assert [error.message for error in Draft7Validator(schema_of(kind)).iter_errors(root.plain())] == []


def test_an_unknown_key_and_a_step_of_two_kinds_do_not_conform() -> None:
    _, root = read_source(shipped(Kind.SUITE)["straight-line"], "")
    assert root is not None
    valid = Draft7Validator(schema_of(Kind.SUITE)).is_valid
    plain = root.plain()
    assert not valid(plain | {"titel": "x"})
    case = next(iter(plain["cases"].values()))
    case["setup"].append({"tell": "x", "pause": "1 s"})
    assert not valid(plain)


@pytest.mark.parametrize(
    ("name", "path", "value"),
    [
        ("letter-menu", "console/ehco", "yes"),
        ("letter-menu", "console/menus/kept/exit", "q"),
        ("letter-menu", "blocks/log/footer", "end"),
        ("letter-menu", "commands/get/menue", "settings"),
        ("plain-prints", "boot/reset_on_open", "no"),
        ("plain-prints", "host_clock/delay", "16 ms"),
        ("plain-prints", "messages/glance/evry", "42 ms"),
        ("plain-prints", "messages/glance/fields/wall.left/optional", "maybe"),
        ("plain-readings", "messages/readings/pairs/between", 1),
    ],
)
def test_what_ports_that_print_and_consoles_say_is_known_to_the_editor(name: str, path: str, value: object) -> None:
    _, root = read_source(shipped(Kind.PROTOCOL)[name], "")
    assert root is not None
    plain = root.plain()
    valid = Draft7Validator(schema_of(Kind.PROTOCOL)).is_valid
    assert valid(plain)
    *parents, last = path.split("/")
    here = plain
    for part in parents:
        here = here[part]
    here[last] = value
    assert not valid(plain)


@pytest.mark.parametrize("change", [{"can": ["flying"]}, {"maze_logic": {"abuot": "left"}}, {"cable": "perhaps"}])
def test_what_programs_say_is_known_to_the_editor(change: dict[str, object]) -> None:
    _, root = read_source(shipped(Kind.ROBOT)["virtual-shuttle"], "")
    assert root is not None
    plain = root.plain()
    plain["programs"]["main"] |= change
    assert not Draft7Validator(schema_of(Kind.ROBOT)).is_valid(plain)


@pytest.mark.parametrize(
    "step",
    [
        {
            "observe": {
                "what": "angle",
                "as": "a",
                "instrument": "two offsets",
                "apart": "80 mm",
                "resolution": "0.5 mm",
            }
        },
        {"observe": {"what": "bow", "as": "b", "instrument": "calliper", "over": "540 mm", "u": "0.5 mm"}},
        {"observe": {"what": "along", "as": "c", "mark": "the tape at the third post"}},
        {"observe": {"what": "display", "as": "d", "unit": "V"}},
        {"observe": {"what": "light", "as": "e"}},
        {"load": "sensing"},
        {"untether": "Lay the cable aside."},
        {"retether": {}},
        {"collect": "log"},
    ],
    ids=lambda step: next(iter(step.values()))["what"] if "observe" in step else next(iter(step)),
)
def test_the_steps_of_a_person_and_of_a_cable_are_known_to_the_editor(step: dict[str, object]) -> None:
    _, root = read_source(shipped(Kind.SUITE)["straight-line"], "")
    assert root is not None
    plain = root.plain()
    valid = Draft7Validator(schema_of(Kind.SUITE)).is_valid
    case = next(iter(plain["cases"].values()))
    case["sequence"].append(step)
    assert valid(plain)
    [(word, told)] = step.items()
    case["sequence"][-1] = {word: {**(told if isinstance(told, dict) else {}), "colour": "red"}}
    assert not valid(plain)

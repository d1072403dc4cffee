"""JSON Schemas (draft-07) of the files, made from the models, for completion and checking in editors.

A schema says less than the loaders do: units, references between parts and the drawing are checked by these alone.
"""

from __future__ import annotations

from typing import Any

from hil.spec.checking import FilePart
from hil.spec.course_file import CourseFile
from hil.spec.kinds import Kind
from hil.spec.protocol_file import ProtocolFile
from hil.spec.robot_file import RobotFilePart
from hil.spec.suite_file import SuiteFile

_MODELS: dict[Kind, type[FilePart]] = {
    Kind.PROTOCOL: ProtocolFile,
    Kind.ROBOT: RobotFilePart,
    Kind.COURSE: CourseFile,
    Kind.SUITE: SuiteFile,
}


def schema_of(kind: Kind) -> dict[str, Any]:
    """Return the JSON Schema of a kind of file, as plain values for `json.dumps`."""
    schema = _in_draft_07(_MODELS[kind].model_json_schema(by_alias=True))
    assert isinstance(schema, dict)  # noqa: S101  (a model's schema is an object)
    schema.pop("title", None)
    head = {"$schema": "http://json-schema.org/draft-07/schema#", "title": f"{kind.value} file of hil"}
    return head | schema


def _in_draft_07(part: Any) -> Any:
    """Rename what draft-07 calls otherwise: definitions stand under another key."""
    if isinstance(part, dict):
        return {("definitions" if key == "$defs" else key): _in_draft_07(value) for key, value in part.items()}
    if isinstance(part, list):
        return [_in_draft_07(value) for value in part]
    if isinstance(part, str) and part.startswith("#/$defs/"):
        return part.replace("#/$defs/", "#/definitions/", 1)
    return part

"""How the records of a trace lie in its SQLite file: tables, layouts, and the form of marks and answers.

Layout 2: `record(seq, t_ns, kind, port, body)` holds bytes for chunks (kind 0 in, 1 out) and JSON text for marks (2)
and answers (3); `port(id, name, url, protocol, digest, virtual, program)`; `meta(key, value)`, values as JSON.

Layout 1, which is still read: ports have no `program`, answers neither `how` nor `corrects`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from hil.measure.trace import AnswerGiven, Chunk, Direction, Json, Mark, MarkKind, PortEntry, TraceRecord

# "HILT": how SQLite files of this kind are told from others.
APPLICATION_ID = 0x48494C54
LAYOUT = 2
OLDEST_LAYOUT = 1

TABLES = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE port (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, url TEXT NOT NULL, protocol TEXT NOT NULL,
                   digest TEXT NOT NULL, virtual INTEGER NOT NULL, program TEXT NOT NULL);
CREATE TABLE record (seq INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, kind INTEGER NOT NULL, port INTEGER,
                     body BLOB NOT NULL);
"""

IN, OUT, MARK, ANSWER = range(4)
KINDS = {Direction.IN: IN, Direction.OUT: OUT}
_DIRECTIONS = {IN: Direction.IN, OUT: Direction.OUT}

_Types = Mapping[str, type | tuple[type, ...]]
_MARK_FIELDS: _Types = {"kind": str, "step": str, "name": str, "fields": dict}
_FIRST_ANSWER_FIELDS: _Types = {
    "name": str,
    "value": (int, float),
    "unit": str,
    "u": (int, float),
    "case": str,
    "repeat": int,
    "source": str,
    "said": str,
}
_ANSWER_FIELDS: Mapping[int, _Types] = {
    1: _FIRST_ANSWER_FIELDS,
    2: {**_FIRST_ANSWER_FIELDS, "how": dict, "corrects": bool},
}
_PORT_COLUMNS: Mapping[int, tuple[str, ...]] = {
    1: ("name", "url", "protocol", "digest", "virtual"),
    2: ("name", "url", "protocol", "digest", "virtual", "program"),
}


def as_json(value: Json) -> str:
    """Return the one text that a value has in a trace."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def mark_body(mark: Mark) -> str:
    """Return the body of a mark."""
    return as_json({"kind": mark.kind, "step": mark.step, "name": mark.name, "fields": mark.fields})


def answer_body(answer: AnswerGiven) -> str:
    """Return the body of an answer."""
    return as_json({name: getattr(answer, name) for name in _ANSWER_FIELDS[LAYOUT]})


def port_columns(layout: int) -> tuple[str, ...]:
    """Return the columns of the port table that describe a port, in the order in which they enter a digest."""
    return _PORT_COLUMNS[layout]


def port_row(entry: PortEntry, layout: int = LAYOUT) -> list[Json]:
    """Return a port's values in the order of `port_columns`."""
    return [getattr(entry, column) for column in _PORT_COLUMNS[layout]]


def port_of(row: Sequence[Any], layout: int) -> PortEntry:
    """Return the port of a row in the order of `port_columns`."""
    values = dict(zip(_PORT_COLUMNS[layout], row, strict=True))
    texts = {name: str(value) for name, value in values.items() if name != "virtual"}
    return PortEntry(**texts, virtual=bool(values["virtual"]))


def record_of(
    t_ns: int, kind: int, port: int | None, body: bytes | str, ports: Mapping[int, PortEntry], layout: int
) -> TraceRecord:
    """Build the record of a row; raise ValueError, TypeError or KeyError for one that no writer has written."""
    if not isinstance(t_ns, int):
        raise TypeError(f"a time that is no number: {t_ns!r}")
    if kind in _DIRECTIONS:
        if port is None or not isinstance(body, bytes):
            raise TypeError("a chunk without port or bytes")
        return Chunk(t_ns=t_ns, port=ports[port].name, direction=_DIRECTIONS[kind], data=body)
    if kind == MARK:
        values = _checked(json.loads(body), _MARK_FIELDS)
        return Mark(t_ns=t_ns, **(values | {"kind": MarkKind(values["kind"])}))
    if kind == ANSWER:
        return AnswerGiven(t_ns=t_ns, **_checked(json.loads(body), _ANSWER_FIELDS[layout]))
    raise ValueError(f"a record of unknown kind {kind}")


def _checked(values: Any, types: _Types) -> dict[str, Any]:
    """Return the fields of a mark or an answer; raise TypeError unless they are exactly those it must have."""
    if not isinstance(values, dict) or values.keys() != types.keys():
        raise TypeError(f"a record without its fields {', '.join(types)}")
    for name, wanted in types.items():
        if not isinstance(values[name], wanted):
            raise TypeError(f"a record whose {name} is {values[name]!r:.40}")
    return values

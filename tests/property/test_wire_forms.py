"""What holds for any bytes where lines have options, pairs, blocks or a console's manners.

The grammars are written out here a second time, as plain expressions beside the protocols' descriptions; a line with
one byte changed is refused, or it is in the grammar too and says what the changed text says.
"""

from __future__ import annotations

import itertools
import re
import runpy
from collections.abc import Iterable, Mapping
from pathlib import Path

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from hil.errors import WireError
from hil.quantities import counted
from hil.wire.console import MOST_TRIMMINGS
from hil.wire.dialect import Dialect, FieldSpec, FieldType, PairsForm, Verdict
from hil.wire.fields import Value
from hil.wire.link import End, Link
from hil.wire.pairs import Pairs
from hil.wire.received import BlockBegun, BlockEnded, Commanded, Noise, Received, Replied, Telemetry
from hil.wire.template import Template

WIRE = Path(__file__).parents[1] / "wire"
LETTER_MENU: Dialect = runpy.run_path(str(WIRE / "letter_menu.py"))["LETTER_MENU"]
PLAIN_PRINTS: Dialect = runpy.run_path(str(WIRE / "plain_ports.py"))["PLAIN_PRINTS"]
PLAIN_READINGS: Dialect = runpy.run_path(str(WIRE / "plain_ports.py"))["PLAIN_READINGS"]
DIALECTS = [LETTER_MENU, PLAIN_PRINTS, PLAIN_READINGS]

LINES = [
    b"t 1000 0 0 612 598 41 51 49 53",
    b"t 1000 0 0 612 598 41",
    b"s 5000 7.64 41.2 -40.5 1003 0x1F",
    b"* 5001 straight 0",
    b"* 7000 resting",
    b"k 1020 12 12 612 598 41",
    b"log of 2",
    b"end of log",
    b"map of 1",
    b"row 1 9,3",
    b"ok",
    b"no: busy",
    b"letter menu ready",
    b"see 612 598 41 went 12034 -12030",
    b"volts 7.64 dark 51 49 53",
    b"now n=1A left=612 left0=51 right=598 front=41 bat=7.64 is=sensing",
    b"ready to run",
    b"x",
    b"s",
    b"q",
    b".",
    b"p wheel-base 69500",
]
PIECES = [b"\r", b"\n", b"\r\n", b"> ", b"settings> ", b"kept>", b"\x1b[", b"\x1b[32m", b"\x1b]0;", b"\x1b", b"z" * 300]
streams = st.lists(
    st.sampled_from([line + b"\r\n" for line in LINES]) | st.sampled_from([*LINES, *PIECES]) | st.binary(max_size=12),
    max_size=14,
).map(b"".join)
cutting = st.lists(st.integers(0, 10_000), max_size=8)


def cut(data: bytes, cuts: Iterable[int]) -> list[bytes]:
    edges = [0, *sorted(c % (len(data) + 1) for c in cuts), len(data)]
    return [data[a:b] for a, b in itertools.pairwise(edges)]


def ready(dialect: Dialect, end: End) -> Link:
    """A link that waits for all that it can wait for: an answer, echoes, prompts."""
    link = Link(dialect, end)
    if end is End.HOST and dialect.commands:
        link.start("alive", {}, 0.0)
        link.start("set", {"name": "wheel-base", "value": 69500}, 0.0)
    return link


@given(st.sampled_from(DIALECTS), st.sampled_from(End), streams, cutting)
def test_any_bytes_in_any_chunks_say_the_same_and_never_raise(
    dialect: Dialect, end: End, data: bytes, cuts: list[int]
) -> None:
    links = [ready(dialect, end) for _ in range(3)]
    chunks = [[data], cut(data, cuts), [data[i : i + 1] for i in range(len(data))]]
    bound = dialect.framing.max_length + MOST_TRIMMINGS + 1
    found: list[list[Received]] = []
    for link, pieces in zip(links, chunks, strict=True):
        found.append([])
        for piece in pieces:
            found[-1] += link.receive(piece)
            assert link.kept_bytes <= bound
    assert found[0] == found[1] == found[2]
    assert links[0].counters == links[1].counters == links[2].counters
    assert links[0].open_block == links[1].open_block == links[2].open_block
    if end is End.HOST:
        assert links[0].next_due_s == links[1].next_due_s == links[2].next_due_s
        dues = [link.due(99.0) for link in links]
        assert dues[0] == dues[1] == dues[2]
    else:
        assert links[0].said_unasked() == links[1].said_unasked() == links[2].said_unasked()
    longest = dialect.framing.max_length + MOST_TRIMMINGS
    assert all(len(item.raw) <= longest for item in found[0] if isinstance(item, Noise))


# The grammars, a second time. A number without a modulus is one of 32 bits.

NUMBER = rb"[0-9]{1,10}"
SIGNED = rb"(?!-0+(?:[^0-9]|$))-?[0-9]{1,10}"
DECIMAL = rb"-?[0-9]{1,10}(?:\.[0-9]{1,9})?"
HEX = rb"[0-9A-F]{1,10}"
EVENTS = rb"straight|arrived|turning|turned|squared|left-edge|right-edge|cell|resting|tripped|bumped"
GRAMMARS = {
    "columns": rb"t N I I N N N(?: N N N)?",
    "status": rb"s N D D D N 0xH",
    "happened": rb"\* N (?:E)(?: [A-Za-z0-9._+:,/-]+)?",
    "glance": rb"see N N N went I I",
    "supply": rb"volts D(?: dark N N N)?",
}
KINDS = {b"N": NUMBER, b"I": SIGNED, b"D": DECIMAL, b"H": HEX, b"E": EVENTS}
EXPRESSIONS = {
    name: re.compile(re.sub(rb"[NIDHE](?![a-z])", lambda match: KINDS[match[0]], grammar))
    for name, grammar in GRAMMARS.items()
}
GOOD = {
    "columns": [LINES[0], LINES[1], b"t 4294967295 32767 -32768 1 2 3"],
    "status": [LINES[2], b"s 1 0.0 -0.00 3 4 0x0"],
    "happened": [LINES[3], LINES[4]],
    "glance": [LINES[13]],
    "supply": [LINES[14], b"volts 7.6"],
}


def in_range(name: str, line: bytes) -> bool:
    """Whether the numbers of a line of the grammar lie in their ranges: 32 bits, and 16 bits for the counts."""
    words = [word.removeprefix(b"0x") for word in line.split(b" ")]
    if name == "status":
        return int(words[6], 16) < 2**32 and all(abs(float(word)) < 2**32 for word in words[1:6])
    places = {"columns": (2, 3), "glance": (5, 6)}.get(name, ())
    numbers = {index: float(word) for index, word in enumerate(words) if re.fullmatch(rb"-?[0-9]+(\.[0-9]+)?", word)}
    if name == "happened":
        numbers = {1: float(words[1])}
    return all(
        -32768 <= number <= 32767 if index in places else abs(number) < 2**32 for index, number in numbers.items()
    )


good_lines = st.sampled_from([(name, line) for name, lines in GOOD.items() for line in lines])
changes = st.tuples(st.sampled_from(["put", "drop", "swap"]), st.integers(0, 99), st.integers(0x20, 0x7E))
near_misses = st.one_of(
    changes, st.tuples(st.just("put"), st.integers(0, 99), st.sampled_from(list(b"0123456789 -.x=")))
)


def changed(line: bytes, change: tuple[str, int, int]) -> bytes:
    what, place, byte = change
    at = place % len(line)
    if what == "drop":
        return line[:at] + line[at + 1 :]
    return line[:at] + bytes([byte]) + line[at + (what == "swap") :]


@settings(max_examples=400)
@given(good_lines, near_misses)
def test_line_with_one_byte_changed_is_taken_exactly_where_the_grammar_has_it(
    good: tuple[str, bytes], change: tuple[str, int, int]
) -> None:
    name, line = good
    dialect = PLAIN_PRINTS if name in ("glance", "supply") else LETTER_MENU
    assert EXPRESSIONS[name].fullmatch(line)
    assert not isinstance(Link(dialect, End.HOST).receive(line + b"\r\n")[0], Noise)
    near = changed(line, change)
    assume(near.strip(b"> ") == near)  # a prompt in front of a line is not part of it
    items = Link(dialect, End.HOST).receive(near + b"\r\n")
    in_grammar = any(one.fullmatch(near) and in_range(key, near) for key, one in EXPRESSIONS.items())
    assert [isinstance(item, Noise) for item in items] == [not in_grammar]


def pairs_of(line: bytes) -> dict[bytes, bytes] | None:
    """What a line of `plain-readings` says, by splitting; None where it is not of its grammar."""
    if not line.startswith(b"now "):
        return None
    kinds = dict.fromkeys([b"left", b"left0", b"right", b"right0", b"front", b"front0"], NUMBER)
    kinds |= {b"n": HEX, b"bat": DECIMAL, b"is": rb"sensing|low"}
    found: dict[bytes, bytes] = {}
    for piece in line[4:].split(b" "):
        key, equals, value = piece.partition(b"=")
        if not equals or key in found or key not in kinds or not re.fullmatch(kinds[key], value):
            return None
        if kinds[key] in (NUMBER, DECIMAL) and abs(float(value)) >= 2**32:
            return None
        if key == b"n" and int(value, 16) > 255:
            return None
        found[key] = value
    return found if {b"n", b"left", b"right", b"front", b"bat", b"is"} <= found.keys() else None


PAIRS = [b"n=1A", b"left=612", b"left0=51", b"right=598", b"front=41", b"front0=53", b"bat=7.64", b"is=sensing"]


@settings(max_examples=300)
@given(st.permutations(PAIRS), st.none() | near_misses)
def test_pairs_are_taken_exactly_where_the_grammar_has_them(
    order: list[bytes], change: tuple[str, int, int] | None
) -> None:
    line = b"now " + b" ".join(order)
    assert pairs_of(line) is not None
    near = line if change is None else changed(line, change)
    expected = pairs_of(near)
    items = Link(PLAIN_READINGS, End.HOST).receive(near + b"\r\n")
    assert [isinstance(item, Telemetry) for item in items] == [expected is not None]
    if expected is not None and isinstance(items[0], Telemetry):
        assert items[0].values["wall.left"] == int(expected[b"left"])
        assert items[0].values["sequence"] == int(expected[b"n"], 16)
        assert ("wall.left.dark" in items[0].values) is (b"left0" in expected)


# Templates: what is not refused when it is built can be taken apart in one way only.

VALUES: dict[FieldType, list[Value]] = {
    FieldType.UNSIGNED: [0, 7, 12],
    FieldType.SIGNED: [-1, 0, 12],
    FieldType.HEX: [0, 10, 0xAB],
    FieldType.DECIMAL: [-1.5, 0.0, 12.0],
    FieldType.WORD: ["a", "a-1", "7"],
    FieldType.TEXT: ["", " a", "7,8"],
}
kinds = st.sampled_from(list(VALUES))
literals = st.sampled_from(["", " ", ",", "-", "a", "7", ".", ", "])


@st.composite
def templates(draw: st.DrawFn) -> Template:
    specs, text = list[FieldSpec](), draw(st.sampled_from(["", "a", "t "]))
    for index in range(draw(st.integers(1, 4))):
        kind, between = draw(kinds), draw(st.sampled_from(["", "", ",", "-", " "]))
        repeats = "" if kind is FieldType.TEXT else between
        specs.append(FieldSpec(name=f"f{index}", type=kind, repeated_by=repeats, places=1))
        part = f"{draw(literals)}{{f{index}}}{draw(literals)}"
        text += f"[{part}]" if draw(st.booleans()) else part
    try:
        return Template(text, specs)
    except WireError:
        assume(False)
        raise


@settings(max_examples=150)
@given(templates())
def test_no_two_sets_of_values_are_written_alike(template: Template) -> None:
    choices: list[list[Value | None]] = []
    needs = {name for name in template.names if f"{{{name}}}" in re.sub(r"\[[^\]]*\]", "", template.text)}
    for one in template.fields:
        values: list[Value] = VALUES[one.spec.type]
        if one.spec.repeated_by:
            values = [(values[0],), (values[1], values[2]), tuple(values)]  # type: ignore[assignment]
        choices.append([*values, *([] if one.name in needs else [None])])
    seen: dict[bytes, Mapping[str, Value]] = {}
    for combination in itertools.product(*choices):
        values_of = {name: v for name, v in zip(template.names, combination, strict=True) if v is not None}
        line = template.format(values_of)
        assert line not in seen
        seen[line] = values_of
        assert template.parse(line) == values_of
        assert template.parse(line + b"\x00") is None
        assert re.fullmatch(template.pattern.encode(), line)


joints = st.sampled_from([" ", ", ", ";", ": ", "=", "- ", "a"])


@settings(max_examples=100)
@given(joints, joints, st.lists(kinds, min_size=1, max_size=3), st.data())
def test_pairs_that_are_not_refused_come_back_in_any_order(
    equals: str, between: str, types: list[FieldType], data: st.DataObject
) -> None:
    specs = [FieldSpec(name=f"k{i}", type=kind, places=1, optional=i > 0) for i, kind in enumerate(types)]
    try:
        pairs = Pairs(PairsForm(head="h ", equals=equals, between=between), specs)
    except WireError:
        assume(False)
        raise
    values = {spec.name: data.draw(st.sampled_from(VALUES[spec.type])) for spec in specs}
    line = pairs.format(values)
    head = pairs.format({"k0": values["k0"]}).decode()
    others = [pairs.format({"k0": values["k0"], name: values[name]}).decode()[len(head + between) :] for name in values]
    texts = [head.removeprefix("h "), *others[1:]]
    for order in itertools.permutations(texts):
        assert pairs.parse(("h " + between.join(order)).encode()) == values
    assert pairs.parse(line) == values
    assert pairs.parse(line + between.encode()) is None


# Both ends on one cable

noise_lines = st.binary(max_size=30).map(
    lambda data: b"\xff" + data.replace(b"\n", b"").replace(b"\x1b", b"") + b"\r\n"
)
counts = st.integers(-32768, 32767)
samples = st.fixed_dictionaries(
    {
        "time": st.integers(0, 2**32 - 1).map(lambda ms: ms * 1e-3),
        "encoder.left": counts,
        "encoder.right": counts,
        "wall.left": st.integers(0, 1023),
        "wall.right": st.integers(0, 1023),
        "wall.front": st.integers(0, 1023),
    }
)


@given(st.lists(samples, max_size=5), st.lists(st.integers(0, 9), max_size=3), noise_lines, cutting)
def test_blocks_come_back_whole_and_say_so_where_they_do_not(
    rows: list[dict[str, Value]], spoilt: list[int], noise: bytes, cuts: list[int]
) -> None:
    robot, host = Link(LETTER_MENU, End.ROBOT), Link(LETTER_MENU, End.HOST)
    lines = robot.block("log", [robot.row("log", "kept_sample", row) for row in rows])
    gone = {1 + place % len(rows) for place in spoilt} if rows else set()
    data = b"".join(noise if index in gone else line for index, line in enumerate(lines))
    items = [item for piece in cut(data, cuts) for item in host.receive(piece)]
    kept = [row for index, row in enumerate(rows) if index + 1 not in gone]
    assert items[0] == BlockBegun(block="log", count=len(rows))
    taken = [item for item in items if isinstance(item, Telemetry)]
    assert [item.values["encoder.left"] for item in taken] == [row["encoder.left"] for row in kept]
    assert all(item.block == "log" for item in taken)
    assert items[-1] == BlockEnded(
        block="log", rows=len(kept), reason=f"{len(kept)} of {counted(len(rows), 'row')} came" if gone else ""
    )
    assert host.counters.bad_total == len(gone)


asked = st.sampled_from(["identify", "stop", "save", "dump.map", "get", "alive"])


@settings(max_examples=60)
@given(st.lists(asked, min_size=1, max_size=8), cutting, st.booleans())
def test_every_request_on_a_console_is_done_once_and_answered(actions: list[str], cuts: list[int], alive: bool) -> None:
    host, robot = Link(LETTER_MENU, End.HOST), Link(LETTER_MENU, End.ROBOT)
    done, answered = list[str](), list[str]()
    for action in actions:
        out = [host.start(action, {"name": "a"} if action == "get" else {}, 0.0).data]
        while out:
            commanded = [item for item in robot.receive(out.pop(0)) if isinstance(item, Commanded)]
            data = robot.said_unasked()
            for item in commanded:
                done.append(item.action)
                if robot.expects_answer(item.action):
                    data += robot.reply(None, Verdict.ACCEPTED, "5", action=item.action)
            if alive:
                data = b"t 1000 0 0 612 598 41\r\n" + data
            items = [item for piece in cut(data, cuts) for item in host.receive(piece)]
            answered += [item.action for item in items if isinstance(item, Replied)]
            if (due_s := host.next_due_s) is not None and due_s < 0:
                out += [item.data for item in host.due(0.0)]  # type: ignore[union-attr]
        assert host.waiting == ()
    assert done == actions
    assert answered == [action for action in actions if action != "alive"]
    assert host.counters.bad_total == 0

"""What holds for any bytes and any values on the wire: at both ends, in any chunks, with noise around and within."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from hil.spec.loading import load_protocol
from hil.wire.codec import Envelope
from hil.wire.counting import Numbering
from hil.wire.dialect import FieldSpec, FieldType, LineFraming, Verdict
from hil.wire.fields import WORD_CHARACTERS, Value
from hil.wire.lines import LineFramer, Overlong
from hil.wire.link import End, Link
from hil.wire.path import PathWord, decode_path, encode_path
from hil.wire.received import Commanded, Happened, Noise, Received, Replied, Telemetry
from hil.wire.template import Template

FOLDER = Path(__file__).parents[2] / "protocols" / "tagged-lines"
DIALECT = load_protocol(FOLDER / "tagged-lines.protocol.yaml")
GOLDEN = [
    line[18:].encode()
    for line in (FOLDER / "golden.txt").read_text().splitlines()
    if line.startswith(("host", "robot"))
]
LONGEST = DIALECT.framing.max_length

words = st.text(sorted(WORD_CHARACTERS), min_size=1, max_size=20)
texts = st.text([chr(code) for code in range(0x20, 0x7F)], max_size=60)
u32 = st.integers(0, 2**32 - 1)
counts = st.integers(-10 * 65536, 10 * 65536)
times = st.integers(0, 2**33).map(lambda us: us * 1e-6)
motions = st.fixed_dictionaries(
    {
        "time": times,
        "encoder.left": counts,
        "encoder.right": counts,
        "wall.left": u32,
        "wall.right": u32,
        "wall.front": u32,
    }
)
events = st.sampled_from(sorted(next(f for f in DIALECT.messages[2].fields if f.name == "event").choices.values()))
turns: st.SearchStrategy[PathWord] = st.sampled_from(["left", "right", "about left", "about right"]).map(
    lambda word: (word, 0, "none")
)
straights: st.SearchStrategy[PathWord] = st.tuples(
    st.just("ahead"), st.integers(1, 255), st.sampled_from(["none", "left", "right", "both"])
)
paths = st.lists(turns | straights, min_size=1, max_size=20)
# Bytes that look like the real thing come closer to the edges than bytes from anywhere.
streams = st.lists(
    st.binary(max_size=40)
    | st.sampled_from([*GOLDEN, b"\r", b"\n", b"\r\n", b" #", b"x" * LONGEST, b"y" * (LONGEST + 1), b"\0" * 400]),
    max_size=12,
).map(b"".join)


def cut(data: bytes, cuts: Iterable[int]) -> list[bytes]:
    edges = [0, *sorted(c % (len(data) + 1) for c in cuts), len(data)]
    return [data[a:b] for a, b in itertools.pairwise(edges)]


cutting = st.lists(st.integers(0, 10_000), max_size=8)


@given(motions)
def test_telemetry_comes_back_with_its_values_wrapped(values: dict[str, Value]) -> None:
    (item,) = Link(DIALECT, End.HOST).receive(Link(DIALECT, End.ROBOT).telemetry("motion", values))
    assert isinstance(item, Telemetry)
    for name in ("wall.left", "wall.right", "wall.front"):
        assert item.values[name] == values[name]
    for name in ("encoder.left", "encoder.right"):
        assert -32768 <= float(item.values[name]) <= 32767
        assert (float(item.values[name]) - float(values[name])) % 65536 == 0
    assert round(float(item.values["time"]) * 1e6) == round(float(values["time"]) * 1e6) % 2**32


@given(events, times, words)
def test_events_come_back(event: str, time: float, detail: str) -> None:
    (item,) = Link(DIALECT, End.HOST).receive(Link(DIALECT, End.ROBOT).event(event, {"time": time, "detail": detail}))
    assert isinstance(item, Happened)
    assert (item.event, item.detail) == (event, "" if detail == "-" else detail)


@given(words, st.integers(-(2**31), 2**31 - 1), st.sampled_from(Verdict), texts, st.integers(0, 999))
def test_requests_and_answers_come_back(name: str, value: int, verdict: Verdict, answer: str, tag: int) -> None:
    host, robot = Link(DIALECT, End.HOST, first_tag=tag), Link(DIALECT, End.ROBOT)
    pending = host.start("set", {"name": name, "value": value}, 0.0)
    assert robot.receive(pending.data) == [Commanded(action="set", tag=tag, values={"name": name, "value": value})]
    assert host.receive(robot.reply(tag, verdict, answer)) == [
        Replied(tag=tag, action="set", verdict=verdict, answer=answer, values={})
    ]


@given(paths)
def test_paths_come_back(elements: list[PathWord]) -> None:
    assert DIALECT.path is not None
    assert decode_path(DIALECT.path, encode_path(DIALECT.path, elements)) == elements


@given(streams, cutting, st.sampled_from(End))
def test_any_bytes_in_any_chunks_give_the_same_and_never_raise(data: bytes, cuts: list[int], end: End) -> None:
    whole, chunked, single = (Link(DIALECT, end) for _ in range(3))
    expected = whole.receive(data)
    found: list[Received] = []
    for piece in cut(data, cuts):
        found += chunked.receive(piece)
        assert chunked.kept_bytes <= LONGEST + 1
    assert found == expected
    assert [item for byte in data for item in single.receive(bytes([byte]))] == expected
    assert whole.counters == chunked.counters == single.counters
    assert all(len(item.raw) <= LONGEST for item in expected if isinstance(item, Noise))


@given(st.binary(max_size=60), st.sampled_from([b"\r\n", b"\n", b"\r"]), st.integers(1, 10), cutting)
def test_framer_finds_the_lines_that_splitting_finds(data: bytes, ending: bytes, longest: int, cuts: list[int]) -> None:
    """The oracle splits the whole at once, and so knows nothing of chunks."""
    framer = LineFramer(LineFraming(ending=ending, max_length=longest))
    found = [line for piece in cut(data, cuts) for line in framer.feed(piece)]
    *complete, rest = data.split(b"\r" if ending == b"\r" else b"\n")
    trim = (lambda s: s.removeprefix(b"\n")) if ending == b"\r" else (lambda s: s.removesuffix(b"\r"))
    expected = [Overlong(raw=line[:longest]) if len(line) > longest else line for line in map(trim, complete) if line]
    if len(trim(rest)) > longest:
        expected.append(Overlong(raw=trim(rest)[:longest]))
    assert found == expected


@given(motions, streams)
def test_good_line_is_found_behind_any_noise(values: dict[str, Value], noise: bytes) -> None:
    host = Link(DIALECT, End.HOST)
    host.receive(noise + b"\n")
    (item,) = host.receive(Link(DIALECT, End.ROBOT).telemetry("motion", values))
    assert isinstance(item, Telemetry)


@given(st.sampled_from(GOLDEN), st.binary(min_size=1, max_size=30).filter(lambda b: not set(b) & {10, 13}))
def test_bytes_before_or_behind_make_a_line_noise(line: bytes, extra: bytes) -> None:
    for end in End:
        for spoilt in (line + extra, extra + line):
            link = Link(DIALECT, end)
            assert [type(item) for item in link.receive(spoilt + b"\n")] == [Noise]


def flips(line: bytes, *bits: int) -> bytes:
    spoilt = bytearray(line)
    for bit in bits:
        spoilt[bit // 8] ^= 1 << bit % 8
    return bytes(spoilt)


# CRC-16 with the polynomial 1021 finds every error of up to three bits in messages of this length (its Hamming
# distance is 4 up to 32751 bits; from memory). A bit flipped in a hexadecimal digit changes at most two bits of the
# check, so two flips in a line are always found.
def test_every_single_flip_and_every_double_flip_fails_the_check() -> None:
    envelope = Envelope(DIALECT.framing, DIALECT.check)
    line = min((line for line in GOLDEN if line.startswith(b"e")), key=len)
    bits = range(8 * len(line))
    assert envelope.open(line) is not None
    assert all(envelope.open(flips(line, bit)) is None for bit in bits)
    assert all(envelope.open(flips(line, *pair)) is None for pair in itertools.combinations(bits, 2))


@given(st.sampled_from(GOLDEN), st.lists(st.integers(0, 10_000), min_size=1, max_size=2))
def test_flipped_bits_never_pass_the_check(line: bytes, places: list[int]) -> None:
    bits = {place % (8 * len(line)) for place in places}
    assert Envelope(DIALECT.framing, DIALECT.check).open(flips(line, *bits)) is None


specs = st.builds(
    lambda kind, modulus: FieldSpec(name="a", type=kind, modulus=modulus),
    st.sampled_from([FieldType.UNSIGNED, FieldType.SIGNED, FieldType.HEX]),
    st.sampled_from([0, 2, 3, 256, 1000, 65536, 2**32]),
)


@given(specs, st.text("0123456789-ABCF +_", max_size=12) | st.integers(-70_000, 70_000).map(str))
def test_number_is_taken_exactly_where_the_grammar_says(spec: FieldSpec, text: str) -> None:
    """The oracle is written from the grammar's description, character by character, without an expression."""
    digits = text[1:] if spec.type is FieldType.SIGNED and text.startswith("-") else text
    alphabet = "0123456789ABCDEF" if spec.type is FieldType.HEX else "0123456789"
    in_grammar = 1 <= len(digits) <= 10 and all(c in alphabet for c in digits)
    if in_grammar and digits != text and not digits.strip("0"):
        in_grammar = False  # -0
    values = Template("{a}", (spec,)).parse(text.encode())
    if not in_grammar:
        assert values is None
        return
    number = int(text, 16 if spec.type is FieldType.HEX else 10)
    size = spec.modulus or 2**32
    lowest = -(size // 2) if spec.type is FieldType.SIGNED else 0
    assert values == ({"a": number} if lowest <= number < lowest + size else None)


@given(st.lists(st.booleans(), min_size=2, max_size=200), st.integers(0, 65535), st.integers(0, 2**32 - 1))
def test_lost_lines_are_counted_over_every_wrap(kept: list[bool], first: int, start_us: int) -> None:
    numbering = Numbering(65536, 2**32)
    kept[0] = kept[-1] = True
    for index, here in enumerate(kept):
        if here:
            numbering.follow((first + index) % 65536, (start_us + 8000 * index) % 2**32)
    assert (numbering.lost, numbering.restarts) == (kept.count(False), 0)

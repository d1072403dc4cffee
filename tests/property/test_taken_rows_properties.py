"""Whatever comes between the marks of a part as samples and recordings: rows of it, or a sentence, and nothing else."""

from __future__ import annotations

import itertools
import math
import tracemalloc
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from hil.measure.evidence import Evidence
from hil.measure.method import Method, Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Course, Encoder, Heading, Robot
from hil.measure.series import evidence_from
from hil.measure.trace import Chunk, Direction, Json, Mark, MarkKind, TraceRecord
from hil.measure.values import CannotMeasureError
from hil.spec.loading import load_protocol
from hil.wire.checks import find_check
from hil.wire.link import End, Link

FOLDER = Path(__file__).parents[2] / "protocols" / "tagged-lines"
DIALECT = load_protocol(FOLDER / "tagged-lines.protocol.yaml")
COURSE = Course(
    name="bench", pitch_mm=180.0, wall_mm=12.0, columns=1, rows=1, walls=frozenset(), posts=frozenset(),
    surface="white", start=CellPose(x=0, y=0, heading=Heading.NORTH),
)  # fmt: skip
ROBOT = Robot(
    name="drawn", serial="D-1", robot_class="entry", body_width_mm=80.0, body_front_mm=50.0, body_rear_mm=50.0,
    wheel_diameter_left_mm=28.0, wheel_diameter_right_mm=28.0, wheel_base_mm=70.0, counts_per_turn=360.0,
    adc_full_scale=1023, sensors=(), encoder=Encoder(channels=2, cycles_per_turn=90),
)  # fmt: skip
OF_THE_BENCH = [method for name, method in METHODS.items() if name.startswith(("encoder.", "loop."))]
BEGUN: dict[str, Json] = {
    "case": "c", "repeat": 0, "path": [], "front": "counts", "speed_mm_s": 0.0, "start": [0, 0, 0],
    "conditions": {"duty.left": 0.3, "duty.right": 0.3, "turns": 3.0}, "labels": {"wheel": "left"},
}  # fmt: skip

CHECK = find_check("CRC-16/IBM-3740").compute
_HELD_BYTES = 20_000  # counters that grow by a digit, and one line

times = st.integers(0, 2**32 - 1) | st.sampled_from([0, 1, 2**31, 2**32 - 1])
levels = st.integers(0, 15) | st.integers(0, 2**32 - 1)
edge_rows = st.builds(
    lambda wheel, time, level: b"%s %d %X" % (wheel, time, level), st.sampled_from([b"l", b"r"]), times, levels
)
period_rows = st.tuples(times, st.lists(times, min_size=1, max_size=64)).map(
    lambda row: b"p %d %s" % (row[0], b",".join(b"%d" % one for one in row[1]))
)
sampled = st.builds(
    lambda time, *sides: b"v 7 %d " % time + b" ".join(b",".join(b"%X" % one for one in side) for side in sides),
    times, st.lists(levels, min_size=1, max_size=64), st.lists(levels, min_size=1, max_size=64),
)  # fmt: skip
headers = st.tuples(st.sampled_from([b"edges", b"ticks"]), st.integers(0, 2**32 - 1)).map(lambda head: b"%s %d" % head)
ends = st.sampled_from([b"end of edges", b"end of ticks"])
told = st.tuples(times, levels).map(lambda row: b"m 1 %d %d 3 4 5 6" % row)
bodies = edge_rows | period_rows | sampled | headers | ends | told


@st.composite
def lines(draw: st.DrawFn) -> bytes:
    """A line with the check that belongs to it, or with a byte changed, or bytes of any kind."""
    body = draw(bodies)
    line = body + b" #" + (b"%04X" % CHECK(body)) + b"\r\n"
    if draw(st.integers(0, 9)):
        return line
    at = draw(st.integers(0, len(line) - 1))
    return line[:at] + draw(st.binary(max_size=3)) + line[at + 1 :]


def _evidence(pieces: list[bytes], ends_at: int) -> Evidence:
    records: list[TraceRecord] = []
    for at, piece in enumerate(pieces):
        if at == ends_at // 2:
            records.append(Mark(t_ns=at * 10**7, kind=MarkKind.BEGIN, step="drive", name="part", fields=BEGUN))
        if at == ends_at:
            records.append(Mark(t_ns=at * 10**7, kind=MarkKind.END, step="drive", name="part", fields={"case": "c"}))
        records.append(Chunk(t_ns=at * 10**7, port="main", direction=Direction.IN, data=piece))
    return evidence_from(records, DIALECT, ROBOT, COURSE, "c")


def _parameters(method: Method) -> Parameters:
    """Return the parameters that a method cannot do without, and the first of the words that it may be given."""
    words = {one.name: one.choices[0] for one in method.parameters if one.is_word and one.choices}
    numbers = {one.name: 3.0 for one in method.parameters if not one.is_word and one.default is None}
    return Parameters(of=("part",), words=words, numbers=numbers)


@settings(max_examples=40)
@given(st.lists(lines() | st.binary(max_size=60), max_size=16), st.integers(0, 16))
def test_any_lines_between_the_marks_of_a_part_give_rows_of_one_length_and_measurements_or_reasons(
    pieces: list[bytes], ends_at: int
) -> None:
    evidence = _evidence(pieces, ends_at)
    told = sum(map(len, pieces))
    for drive in evidence.drives:
        for samples in drive.samples.values():
            assert {len(values) for values in samples.values.values()} <= {len(samples.host_s)}
            assert len(samples.host_s) <= told  # no line becomes more rows than it has bytes
    for method in OF_THE_BENCH:
        try:
            found = method.run(evidence, _parameters(method))
        except CannotMeasureError:
            continue
        assert found.is_count or (math.isfinite(found.value) and found.u >= 0), method.name


def test_what_a_host_holds_of_a_recording_without_an_end_does_not_grow_with_what_is_sent() -> None:
    link = Link(DIALECT, End.HOST)
    bodies = [b"edges 4294967295", b"l 1 3", b"r 2 F", b"ticks 3", b"p 5 1000,1001", b"v 7 9 1,2,3 1,2", b"x" * 300]
    pieces = [body + b" #%04X\r\n" % CHECK(body) for body in bodies] + [b"\0\xff" * 40, b"l 9"]

    def send(times: int) -> int:
        for piece in itertools.chain.from_iterable(itertools.repeat(pieces, times)):
            link.receive(piece)
        return tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    try:
        begun = send(1600)  # a few counters are kept of the latest lines
        assert send(400) - begun < _HELD_BYTES
    finally:
        tracemalloc.stop()
    assert link.kept_bytes <= DIALECT.framing.max_length + 2

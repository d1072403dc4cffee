"""Recordings, samples and loop periods in a trace: which part of a case they are of, and when each was taken."""

from __future__ import annotations

import numpy as np
import pytest

from hil.catalogue import data_folder
from hil.measure.evidence import Evidence
from hil.measure.series import LIVE_ENDED, SET_ASIDE, evidence_from
from hil.measure.taken_rows import past_time_s
from hil.measure.trace import Chunk, Mark
from hil.measure.unwrapping import RobotClock
from hil.spec.loading import load_protocol
from hil.wire.dialect import Dialect
from hil.wire.link import End, Link

WRAP_S = 2**32 / 1e6  # of the protocol's clock, in us with 32 bits


@pytest.fixture(scope="module")
def dialect() -> Dialect:
    return load_protocol(data_folder() / "protocols" / "tagged-lines" / "tagged-lines.protocol.yaml")


class Bench:
    """Lines written by the robot's end of a link, and marks as the engine makes them."""

    def __init__(self, dialect: Dialect, time_s: float = 10.0) -> None:
        self.link, self.time_s, self.host_ns = Link(dialect, End.ROBOT), time_s, 0
        self.records: list[Chunk | Mark] = []

    def wait(self, seconds: float) -> None:
        self.time_s += seconds
        self.host_ns += round(seconds * 1e9)

    def say(self, data: bytes) -> None:
        self.records.append(Chunk(t_ns=self.host_ns, port="main", direction="in", data=data))

    def motion(self, left: int = 0) -> None:
        values = {"encoder.left": left, "encoder.right": 0, "wall.left": 1, "wall.right": 1, "wall.front": 1}
        self.say(self.link.telemetry("motion", {"time": self.time_s % WRAP_S, **values}))

    def mark(self, kind: str, name: str, step: str = "drive", **fields: object) -> None:
        begun = {"repeat": 0, "path": [], "front": "counts", "speed_mm_s": 0.0, "start": [0, 0, 0]}
        told = {"case": "c", **(begun if kind == "begin" else {}), **fields}
        self.records.append(Mark(t_ns=self.host_ns, kind=kind, step=step, name=name, fields=told))

    def edges(self, *rows: tuple[str, float, int], lost: int = 0, end: bool = True) -> None:
        """Send a recording; `rows` are wheel, robot time and the outputs after the edge, the last `lost` never come."""
        lines = [
            self.link.row("edges", f"edge_{wheel}", {"time": time_s % WRAP_S, f"encoder.{wheel}.edge": level})
            for wheel, time_s, level in rows
        ]
        header, *sent, last = self.link.block("edges", lines)
        self.say(b"".join([header, *sent[: len(sent) - lost], *([last] if end else [])]))

    def evidence(self, dialect, drawing, corridor) -> Evidence:
        return evidence_from(self.records, dialect, drawing(corridor).robot, corridor, "c")


def test_a_recording_is_of_the_part_it_arrives_in(dialect, drawing, corridor):
    bench = Bench(dialect)
    bench.motion()
    for name, first in (("slow", 1), ("quick", 3)):
        bench.mark("begin", name, part=first, labels={"wheel": "left"})
        begun_s = bench.time_s
        bench.wait(1.0)
        bench.motion()
        bench.edges(("left", begun_s + 0.25, first), ("right", begun_s + 0.5, 2), ("left", begun_s + 0.75, 0))
        bench.mark("end", name)
    slow, quick = bench.evidence(dialect, drawing, corridor).drives
    for drive, first, begun_s in ((slow, 1, 10.0), (quick, 3, 11.0)):
        time_s, levels = drive.channel("encoder.left.edge")
        assert levels.tolist() == [first, 0]
        assert time_s == pytest.approx([begun_s + 0.25, begun_s + 0.75], abs=1e-6)
        assert drive.channel("encoder.right.edge")[1].tolist() == [2]
        assert drive.labels == {"wheel": "left"}


def test_a_recording_made_across_a_wrap_of_the_clock_goes_on_in_the_trace_s_time(dialect, drawing, corridor):
    bench = Bench(dialect, time_s=WRAP_S - 0.5)
    bench.motion()
    bench.mark("begin", "slow")
    bench.wait(1.0)
    bench.motion()  # past the wrap
    bench.edges(("left", WRAP_S - 0.25, 1), ("left", WRAP_S + 0.25, 3))
    bench.mark("end", "slow")
    (drive,) = bench.evidence(dialect, drawing, corridor).drives
    assert drive.channel("encoder.left.edge")[0] == pytest.approx([WRAP_S - 0.25, WRAP_S + 0.25], abs=1e-6)


@pytest.mark.parametrize(
    ("modulus", "shown", "raw", "time_s"),
    [
        (0.0, 7.0, 5.0, 105.0),  # a clock that never wraps: two seconds before 107 s
        (65.536, 2.0, 60.0, 102.0 - 7.536),  # before the wrap: 2 s after it and 5.536 s before it
        (65.536, 2.0, 2.5, 102.5),  # a row that is half a second younger than the line heard last
        (65.536, 60.0, 62.0, 160.0 - 63.536),  # two seconds younger it cannot be: nearly a turn of the clock ago
    ],
)
def test_a_row_s_time_lies_before_what_the_clock_showed_last(modulus, shown, raw, time_s):
    # The clock shows `shown` at 100 s + shown of the trace's time; worked out by hand.
    clock = RobotClock(modulus=modulus, last_raw=shown, time_s=100.0 + shown)
    assert past_time_s(clock, raw) == pytest.approx(time_s)


def test_samples_of_one_line_are_a_sampling_time_apart_and_end_with_the_line(dialect, drawing, corridor):
    bench = Bench(dialect)
    bench.mark("begin", "turned")
    values = {"encoder.left.levels": (1, 3, 2, 0), "encoder.right.levels": (0, 0, 1, 1)}
    for _ in range(2):
        bench.wait(0.004)
        bench.say(bench.link.telemetry("levels", {"time": bench.time_s, **values}))
    bench.mark("end", "turned")
    (drive,) = bench.evidence(dialect, drawing, corridor).drives
    time_s, levels = drive.channel("encoder.left.levels")
    assert levels.tolist() == [1, 3, 2, 0, 1, 3, 2, 0]
    # The protocol says sampled_every: 1 ms, and the last one is of the line's time.
    assert time_s == pytest.approx(10.0 + 0.001 * np.arange(1, 9), abs=1e-6)
    assert drive.samples["levels"].host_s == pytest.approx(0.001 * np.arange(1, 9), abs=5e-6)


def test_every_period_of_the_loop_ends_where_the_next_begins(dialect, drawing, corridor):
    bench = Bench(dialect)
    bench.motion()
    bench.mark("begin", "ticking")
    bench.wait(1.0)
    bench.motion()
    rows = [(10.0035, (0.001, 0.0015, 0.001)), (10.0045, (0.001,))]
    lines = [bench.link.row("ticks", "periods", {"time": at, "loop.periods": periods}) for at, periods in rows]
    bench.say(b"".join(bench.link.block("ticks", lines)))
    bench.mark("end", "ticking")
    (drive,) = bench.evidence(dialect, drawing, corridor).drives
    end_s, period_s = drive.channel("loop.periods")
    assert period_s.tolist() == [0.001, 0.0015, 0.001, 0.001]
    assert end_s == pytest.approx([10.001, 10.0025, 10.0035, 10.0045], abs=1e-6)


def test_what_is_reported_while_the_recording_comes_is_not_of_the_part(dialect, drawing, corridor):
    bench = Bench(dialect)
    bench.mark("begin", "slow")
    bench.motion(left=10)
    bench.mark("note", "slow", step=LIVE_ENDED)
    bench.wait(0.1)
    bench.motion(left=11)  # the wheels run down
    bench.edges(("left", 10.0, 1))
    bench.mark("end", "slow")
    (drive,) = bench.evidence(dialect, drawing, corridor).drives
    assert drive.channel("encoder.left")[1].tolist() == [10]
    assert drive.channel("encoder.left.edge")[1].tolist() == [1]


def test_of_a_recording_that_was_sent_twice_the_whole_one_is_kept(dialect, drawing, corridor):
    bench = Bench(dialect)
    rows = [("left", 10.0 + 0.01 * n, n % 4) for n in range(5)]
    bench.motion()
    bench.mark("begin", "slow")
    bench.edges(*rows, lost=3, end=False)
    bench.edges(*rows)
    bench.mark("end", "slow")
    evidence = bench.evidence(dialect, drawing, corridor)
    assert evidence.drives[0].channel("encoder.left.edge")[1].tolist() == [0, 1, 2, 3, 0]
    assert evidence.notes == ()


def test_a_recording_that_is_not_whole_is_used_and_said(dialect, drawing, corridor):
    bench = Bench(dialect)
    bench.motion()
    bench.mark("begin", "slow")
    bench.edges(*[("left", 10.0 + 0.1 * n, n) for n in range(4)], lost=2)
    bench.mark("end", "slow")
    evidence = bench.evidence(dialect, drawing, corridor)
    assert evidence.drives[0].channel("encoder.left.edge")[1].size == 2
    assert evidence.notes == ("Of 'slow' the recording is not whole: edges: 2 of 4 rows came.",)


def test_a_recording_outside_of_any_part_is_of_none(dialect, drawing, corridor):
    bench = Bench(dialect)
    bench.mark("begin", "slow")
    bench.motion()
    bench.mark("end", "slow")
    bench.edges(("left", 10.0, 1))
    bench.mark("begin", "quick")
    bench.motion()
    bench.mark("end", "quick")
    assert all("edge_left" not in drive.samples for drive in bench.evidence(dialect, drawing, corridor).drives)


def test_a_part_that_was_taken_again_is_left_out(dialect, drawing, corridor):
    bench = Bench(dialect)
    for part, distance_mm in enumerate((49.0, 94.0, 54.0, "inf")):
        bench.mark("begin", "jig", part=part, conditions={"distance_mm": distance_mm})
        bench.motion()
        bench.mark("end", "jig")
        if part == 2:
            bench.mark("note", "jig", step=SET_ASIDE, part=1, why="rising")
    drives = bench.evidence(dialect, drawing, corridor).drives
    assert [drive.conditions["distance_mm"] for drive in drives] == [49.0, 54.0, float("inf")]

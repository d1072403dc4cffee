"""Decoding a trace: bytes written by the robot's end of a link, with loss, noise and wraps put in on purpose."""

from dataclasses import replace

import numpy as np
import pytest

from hil.catalogue import data_folder
from hil.measure.evidence import Evidence
from hil.measure.model import CellPose, ElementKind, Heading
from hil.measure.segments import spans
from hil.measure.series import evidence_from
from hil.measure.straight_data import straight_data
from hil.measure.trace import AnswerGiven, Chunk, Mark
from hil.measure.unwrapping import unwrapped
from hil.spec.loading import load_protocol
from hil.wire.dialect import Dialect
from hil.wire.link import End, Link

CLOCK_MODULUS_S = 4294.967296
PATH = [["ahead", 2, "both"], ["about left", 0, "none"]]


@pytest.fixture(scope="module")
def dialect() -> Dialect:
    return load_protocol(data_folder() / "protocols" / "tagged-lines" / "tagged-lines.protocol.yaml")


class Recorder:
    """A robot's port and the engine's marks, written down as a trace would hold them."""

    def __init__(self, dialect, time_s=0.0):
        self.link = Link(dialect, End.ROBOT)
        self.records = []
        self.host_ns = 0
        self.time_s = time_s
        self.left, self.right = 0, 0

    def clock(self):
        return round(self.time_s * 1e6) % 2**32 / 1e6

    def motion(self, lost=False, split=0):
        wrapped = [(count + 32768) % 65536 - 32768 for count in (self.left, self.right)]
        data = self.link.telemetry("motion", {
            "time": self.clock(), "encoder.left": wrapped[0], "encoder.right": wrapped[1],
            "wall.left": 600, "wall.right": 590, "wall.front": 100,
        })  # fmt: skip
        if not lost:
            self.bytes(data, split)

    def bytes(self, data, split=0):
        parts = [data[:split], data[split:]] if split else [data]
        self.records += [Chunk(t_ns=self.host_ns, port="main", direction="in", data=part) for part in parts]

    def event(self, name, detail="0"):
        self.bytes(self.link.event(name, {"time": self.clock(), "detail": detail}))

    def step(self, seconds=0.008, counts=10):
        self.time_s += seconds
        self.host_ns += round(seconds * 1e9)
        self.left += counts
        self.right += counts

    def mark(self, kind, name="out", case="legs", **fields):
        if kind == "begin":
            fields = {
                "case": case, "repeat": 2, "path": PATH, "front": "counts", "speed_mm_s": 300.0, "start": [0, 0, 0],
                "conditions": {"board_mm": 5}, **fields,
            }  # fmt: skip
        self.records.append(Mark(t_ns=self.host_ns, kind=kind, step="drive", name=name, fields=fields))

    def evidence(self, dialect, drawing, corridor, case="legs") -> Evidence:
        return evidence_from(self.records, dialect, drawing(corridor).robot, corridor, case)


def test_a_drive_is_read_with_what_was_asked_and_what_came(dialect, drawing, corridor):
    robot = Recorder(dialect)
    robot.motion()  # before the drive: not part of it
    robot.mark("begin")
    robot.event("move.begin")
    for _ in range(5):
        robot.step()
        robot.motion(split=9)
    robot.event("move.end")
    robot.mark("end")
    robot.motion()
    (drive,) = robot.evidence(dialect, drawing, corridor).drives
    assert (drive.name, drive.case, drive.repeat, drive.front, drive.speed_mm_s) == ("out", "legs", 2, "counts", 300.0)
    assert [(element.kind, element.cells) for element in drive.path] == [
        (ElementKind.AHEAD, 2),
        (ElementKind.ABOUT_LEFT, 0),
    ]
    assert drive.start == CellPose(x=0, y=0, heading=Heading.NORTH)
    assert drive.conditions == {"board_mm": 5.0}
    motion = drive.samples["motion"]
    assert motion.values["encoder.left"].tolist() == [10, 20, 30, 40, 50]
    assert motion.values["time"] == pytest.approx(0.008 * np.arange(1, 6))
    assert [(event.name, event.detail, event.time_s) for event in drive.events] == [
        ("move.begin", "0", 0.0), ("move.end", "0", pytest.approx(0.04)),
    ]  # fmt: skip
    assert (drive.lost, drive.bad) == (0, 0)


def test_lost_and_broken_lines_are_counted_and_cost_nothing_else(dialect, drawing, corridor):
    robot = Recorder(dialect)
    robot.motion()
    robot.mark("begin")
    for index in range(20):
        robot.step()
        robot.motion(lost=index in (4, 5))
        if index == 9:
            robot.bytes(b"\xff\x00\xfegarbage\r\n")
        if index == 12:
            robot.bytes(b"m 7 99 12 12 0 0 0 #0000\r\n")  # a wrong check
    robot.mark("end")
    (drive,) = robot.evidence(dialect, drawing, corridor).drives
    assert (drive.lost, drive.bad) == (2, 2)
    assert len(drive.samples["motion"]) == 18
    assert drive.samples["motion"].values["encoder.right"][-1] == 200


def test_clock_and_counters_are_followed_over_their_wraps(dialect, drawing, corridor):
    robot = Recorder(dialect, time_s=CLOCK_MODULUS_S - 0.05)
    robot.left = robot.right = 32700
    robot.mark("begin")
    for _ in range(30):
        robot.motion()
        robot.step()
    robot.mark("end")
    (drive,) = robot.evidence(dialect, drawing, corridor).drives
    values = drive.samples["motion"].values
    assert np.diff(values["time"]) == pytest.approx(0.008)
    assert np.diff(values["encoder.left"]) == pytest.approx(10)


def test_a_silence_longer_than_half_a_clock_is_bridged_by_the_hosts_time(dialect, drawing, corridor):
    robot = Recorder(dialect)
    robot.motion()
    robot.step(seconds=6000.0)
    robot.mark("begin")
    robot.motion()
    robot.mark("end")
    (drive,) = robot.evidence(dialect, drawing, corridor).drives
    assert drive.samples["motion"].values["time"][0] == pytest.approx(6000.0)


def test_a_virtual_robots_clock_may_run_ahead_of_the_hosts(dialect, drawing, corridor):
    robot = Recorder(dialect)
    robot.mark("begin")
    for _ in range(5):
        robot.motion()
        robot.time_s += 100.0  # and no time at all for the host
    robot.mark("end")
    (drive,) = robot.evidence(dialect, drawing, corridor).drives
    assert np.diff(drive.samples["motion"].values["time"]) == pytest.approx(100.0)


def test_a_small_counter_is_followed_across_a_gap_by_its_speed():
    """8 bits of counts at 10 a row: 30 rows lost are 300 counts, more than the counter tells."""
    time_s = np.arange(100) * 0.008
    true = 10.0 * np.arange(100)
    keep = np.r_[0:40, 70:100]
    found = unwrapped(true[keep] % 256, time_s[keep], 256)
    assert found.tolist() == true[keep].tolist()


def test_a_counter_that_does_not_wrap_is_left_alone():
    values = np.array([5.0, 70000.0, -3.0])
    assert unwrapped(values, np.arange(3.0), 0.0) is values


def test_only_the_asked_case_is_read_and_its_answers_know_their_drive(dialect, drawing, corridor):
    robot = Recorder(dialect)
    for case in ("other", "legs", "legs"):
        robot.mark("begin", case=case)
        robot.motion()
        robot.mark("end")
        robot.records.append(AnswerGiven(
            t_ns=robot.host_ns, name="offset", value=2.5, unit="mm", u=0.5, case=case, repeat=0, source="operator",
        ))  # fmt: skip
    found = robot.evidence(dialect, drawing, corridor)
    assert len(found.drives) == 2
    assert [(answer.name, answer.index, answer.value) for answer in found.answers] == [
        ("offset", 0, 2.5),
        ("offset", 1, 2.5),
    ]
    assert len(robot.evidence(dialect, drawing, corridor, case="").drives) == 3


def test_placing_the_robot_shows_in_the_next_drive(dialect, drawing, corridor):
    robot = Recorder(dialect)
    for _ in range(2):
        robot.mark("begin")
        robot.motion()
        robot.mark("end")
        robot.records.append(Mark(t_ns=robot.host_ns, kind="begin", step="place", name=""))
    robot.mark("begin")
    robot.mark("end")
    drives = robot.evidence(dialect, drawing, corridor).drives
    assert ["placed" in drive.conditions for drive in drives] == [False, True, True]


def test_an_answer_tells_whether_the_robot_was_placed_since_the_drive_before_it(dialect, drawing, corridor):
    robot = Recorder(dialect)

    def read():
        robot.records.append(AnswerGiven(
            t_ns=robot.host_ns, name="offset", value=1.0, unit="mm", u=0.5, case="legs", repeat=0, source="operator",
        ))  # fmt: skip

    for _ in range(2):
        robot.mark("begin")
        robot.mark("end")
        read()
        robot.records.append(Mark(t_ns=robot.host_ns, kind="begin", step="place", name=""))
        robot.records.append(Mark(t_ns=robot.host_ns, kind="end", step="place", name=""))
        read()
    answers = robot.evidence(dialect, drawing, corridor).answers
    assert [(one.index, one.placed) for one in answers] == [(0, False), (0, True), (1, False), (1, True)]


def test_a_drive_that_was_cut_off_is_kept_with_what_came(dialect, drawing, corridor):
    robot = Recorder(dialect)
    robot.mark("begin")
    robot.motion()
    (drive,) = robot.evidence(dialect, drawing, corridor).drives
    assert len(drive.samples["motion"]) == 1


def test_a_robot_that_restarts_goes_on_from_where_its_clock_was(dialect, drawing, corridor):
    robot = Recorder(dialect, time_s=50.0)
    robot.motion()
    robot.step()
    robot.link = Link(dialect, End.ROBOT)
    robot.time_s = 0.1
    robot.mark("begin")
    for _ in range(3):
        robot.motion()
        robot.step()
    robot.mark("end")
    (drive,) = robot.evidence(dialect, drawing, corridor).drives
    assert np.diff(drive.samples["motion"].values["time"]) == pytest.approx(0.008)
    assert drive.samples["motion"].values["time"][0] >= 50.0


def test_drawn_drives_survive_the_wire(dialect, drawing, corridor):
    """A drawn drive, sent as lines and read again, has its counts and readings back, and gives the same spans."""
    robot = drawing(corridor)
    drawn = robot.drive("out", "ahead 2 by both, about left", CellPose(x=0, y=0, heading=Heading.NORTH))
    values = drawn.samples["motion"].values
    port = Recorder(dialect)
    port.mark("begin")
    for row in range(len(drawn.samples["motion"])):
        port.time_s = float(values["time"][row])
        port.left, port.right = int(values["encoder.left"][row]), int(values["encoder.right"][row])
        port.motion()
    port.mark("end")
    (drive,) = port.evidence(dialect, drawing, corridor).drives
    for name in ("encoder.left", "encoder.right"):
        assert drive.samples["motion"].values[name].tolist() == values[name].tolist()
    assert [span.begin_row for span in spans(drive, robot.robot)] == [
        span.begin_row for span in spans(drawn, robot.robot, use_events=False)
    ]


@pytest.fixture(scope="module")
def printing() -> Dialect:
    return load_protocol(data_folder() / "protocols" / "plain-prints" / "plain-prints.protocol.yaml")


class Printer:
    """A robot that only prints, and tells its dark levels seldom."""

    def __init__(self, dialect):
        self.recorder, self.link = Recorder(dialect), Link(dialect, End.ROBOT)

    def glance(self):
        self.recorder.host_ns += 42_000_000
        self.recorder.bytes(self.link.telemetry("glance", {
            "wall.left": 600, "wall.right": 590, "wall.front": 100, "encoder.left": 0, "encoder.right": 0,
        }))  # fmt: skip

    def supply(self, dark):
        self.recorder.bytes(self.link.telemetry("supply", {
            "supply.battery": 7.9, "wall.left.dark": dark, "wall.right.dark": dark + 1, "wall.front.dark": 50,
        }))  # fmt: skip

    def drive(self, *dark):
        self.recorder.mark("begin")
        self.glance()
        for one in dark:
            self.supply(one)
        self.glance()
        self.recorder.mark("end")


def test_a_dark_level_told_before_a_short_drive_is_known_in_it(printing, drawing, corridor):
    robot = Printer(printing)
    robot.drive()  # nothing was told yet: what is told first of all is the best that is known
    robot.supply(40)
    robot.supply(52)
    robot.drive()
    robot.drive(60, 62, 61)
    robot.drive()
    drives = robot.recorder.evidence(printing, drawing, corridor).drives
    assert [drive.level("wall.left.dark") for drive in drives] == [40.0, 52.0, 61.0, 61.0]
    assert [drive.level("wall.right.dark") for drive in drives] == [41.0, 53.0, 62.0, 62.0]


def test_a_dark_level_that_nobody_told_is_not_made_up(printing, drawing, corridor):
    robot = Printer(printing)
    robot.drive()
    (drive,) = robot.recorder.evidence(printing, drawing, corridor).drives
    assert drive.level("wall.left.dark") is None


def test_a_reading_of_a_drive_without_dark_levels_is_less_the_one_known(drawing, corridor):
    robot = drawing(corridor)
    drawn = robot.drive("out", "ahead 2 by both", CellPose(x=0, y=0, heading=Heading.NORTH))
    (span,) = spans(drawn, robot.robot)
    lit = straight_data(drawn, span, robot.robot, corridor).left
    seen = straight_data(replace(drawn, known={"wall.left.dark": 50.0}), span, robot.robot, corridor).left
    assert (lit.reading - seen.reading).tolist() == [50.0] * lit.reading.size

"""Decoding ports that come and go, hosts that are the only clock, and logs that a robot kept while nobody listened."""

import math

import numpy as np
import pytest

from hil.catalogue import data_folder
from hil.measure.evidence import Event, Samples
from hil.measure.open_drive import dated_alike
from hil.measure.series import Speech, evidence_from
from hil.measure.trace import Chunk, Mark
from hil.spec.loading import load_protocol

BYTE_S = 10 / 9600  # 8N1: ten bits a byte
PATH = [["ahead", 2, "both"]]


def protocol(name):
    return load_protocol(data_folder() / "protocols" / name / f"{name}.protocol.yaml")


@pytest.fixture(scope="module")
def prints():
    return protocol("plain-prints")


@pytest.fixture(scope="module")
def menu():
    return protocol("letter-menu")


class Records:
    """A trace written by hand, its times in milliseconds."""

    def __init__(self):
        self.all = []

    def bytes(self, at_ms, data, port="first"):
        self.all.append(Chunk(t_ns=round(at_ms * 1e6), port=port, direction="in", data=data))

    def mark(self, at_ms, step, kind, name="out", **fields):
        if step == "drive" and kind == "begin":
            fields = {"case": "legs", "repeat": 0, "path": PATH, "speed_mm_s": 300.0, "start": [0, 0, 0], **fields}
        self.all.append(Mark(t_ns=round(at_ms * 1e6), kind=kind, step=step, name=name, fields=fields))

    def evidence(self, speech, drawing, corridor, **more):
        return evidence_from(self.all, speech, drawing(corridor).robot, corridor, "legs", **more)


def glance(counts):
    return f"see 600 590 100 went {counts} {counts}\r\n".encode()


def counts_of(drive):
    return drive.samples["glance"].values["encoder.left"].tolist()


def test_the_ports_of_a_program_are_one_line_and_a_half_line_goes_with_its_port(prints, drawing, corridor):
    trace = Records()
    trace.mark(0, "drive", "begin")
    trace.bytes(10, glance(32760))
    trace.bytes(50, glance(7)[:9])  # never finished: the port goes away
    trace.mark(60, "port", "note", "first", what="lost", program="run")
    trace.mark(90, "port", "note", "second", what="back", program="run")
    trace.bytes(100, glance(6), "second")
    trace.bytes(140, glance(1), "third")  # a port of no robot
    trace.mark(200, "drive", "end")
    speech = {name: Speech(dialect=prints, program="run") for name in ("first", "second")}
    (drive,) = trace.evidence(speech, drawing, corridor).drives
    assert drive.samples["glance"].host_s.size == 2
    assert drive.bad == 0


def test_counts_go_on_over_their_wrap_though_the_port_changed(prints, drawing, corridor):
    trace = Records()
    trace.mark(0, "drive", "begin")
    for at, counts in ((0, 32740), (42, 32750), (84, 32760)):
        trace.bytes(at, glance(counts))
    trace.mark(100, "port", "note", "first", what="closed", program="run")
    for at, counts in ((126, -32766), (168, -32756)):
        trace.bytes(at, glance(counts), "second")
    trace.mark(200, "drive", "end")
    speech = {name: Speech(dialect=prints, program="run") for name in ("first", "second")}
    (drive,) = trace.evidence(speech, drawing, corridor).drives
    assert counts_of(drive) == [32740, 32750, 32760, 32770, 32780]


def test_lines_handed_over_at_once_are_dated_by_when_their_last_byte_was_sent(prints, drawing, corridor):
    trace = Records()
    trace.mark(0, "drive", "begin")
    lines = glance(0), glance(10), glance(20)
    trace.bytes(500, b"".join(lines))
    trace.mark(600, "drive", "end")
    evidence = trace.evidence(prints, drawing, corridor)
    after = [len(lines[1]) + len(lines[2]), len(lines[2]), 0]
    (drive,) = evidence.drives
    assert drive.samples["glance"].host_s == pytest.approx([0.5 - count * BYTE_S for count in after])
    # The latency of the bridge, 16 ms, is uniform (JCGM 100:2008, 4.3.7).
    assert evidence.host_time.u_s == pytest.approx(0.016 / 12**0.5)
    assert evidence.host_time.adapter == "latency timer of a USB serial bridge"
    assert not drive.has_clock


def test_lines_of_a_virtual_robot_that_runs_ahead_are_counted_and_not_dated(prints, drawing, corridor):
    trace = Records()
    trace.mark(0, "drive", "begin")
    trace.bytes(1, b"".join(glance(10 * number) for number in range(5)))
    trace.mark(2, "drive", "end")
    evidence = trace.evidence(prints, drawing, corridor, host_is_real=False)
    (drive,) = evidence.drives
    assert np.diff(drive.samples["glance"].host_s) == pytest.approx([0.042] * 4)
    assert not evidence.host_time.is_real


def test_an_event_of_such_a_robot_stays_among_the_lines_it_came_among():
    lines = {"glance": Samples(host_s=np.array([0.4, 0.442, 0.484]), values={})}
    event = Event(name="idle", time_s=math.nan, host_s=0.4004)
    dated = dated_alike(event, {"glance": [0.4, 0.4003, 0.4005]}, lines)
    assert dated.host_s == pytest.approx(0.442 + 0.021)


def test_columns_that_not_every_row_carries_keep_their_own_rows(prints, drawing, corridor):
    trace = Records()
    trace.mark(0, "drive", "begin")
    trace.bytes(10, b"volts 7.91\r\n")
    trace.bytes(50, b"volts 7.90 dark 40 41 50\r\n")
    trace.bytes(90, b"volts 7.89\r\n")
    trace.mark(200, "drive", "end")
    (drive,) = trace.evidence(prints, drawing, corridor).drives
    assert drive.channel("supply.battery")[1].tolist() == pytest.approx([7.91, 7.90, 7.89])
    assert drive.channel("wall.left.dark")[1].tolist() == [40.0]
    assert drive.channel("wall.left.dark")[0] == pytest.approx(0.05)


def logged(trace, told, driven):
    """Drives that nobody listened to, and the log of so many."""
    for number in range(driven):
        trace.mark(100 * number, "drive", "begin")
        trace.mark(100 * number + 50, "drive", "end")
    trace.mark(1000, "collect", "begin", "log")
    rows = []
    for number in range(told):
        start = 1000 + 500 * number
        rows += [f"* {start} straight 0", f"k {start + 20} {number} {number} 612 598 41", f"* {start + 40} resting"]
    text = "".join(f"{row}\r\n" for row in (f"log of {len(rows)}", *rows, "end of log"))
    trace.bytes(1010, text.encode())
    trace.mark(1020, "collect", "end", "log")
    return trace


def test_the_rows_of_a_log_are_given_to_the_drives_since_it_was_collected_last(menu, drawing, corridor):
    evidence = logged(Records(), told=3, driven=3).evidence(menu, drawing, corridor)
    assert [drive.samples["kept_sample"].values["encoder.left"].tolist() for drive in evidence.drives] == [
        [0],
        [1],
        [2],
    ]
    assert [drive.samples["kept_sample"].values["time"].tolist() for drive in evidence.drives] == [
        pytest.approx([1.02]), pytest.approx([1.52]), pytest.approx([2.02]),
    ]  # fmt: skip
    assert [event.name for event in evidence.drives[1].events] == ["move.begin", "idle"]
    assert evidence.notes == ()


def log_of_starts(*starts_ms):
    rows = [
        row
        for at in starts_ms
        for row in (f"* {at} straight 0", f"k {at + 20} {at} {at} 612 598 41", f"* {at + 40} resting")
    ]
    return "".join(f"{row}\r\n" for row in (f"log of {len(rows)}", *rows, "end of log")).encode()


def test_drives_that_were_heard_are_not_taken_from_the_log_for_those_that_were_not(menu, drawing, corridor):
    trace = Records()
    trace.bytes(90, b"t 5000 0 0 50 620 51 51 51 50\r\n")  # behind a drive of another case, which the log has too
    trace.mark(100, "drive", "begin", "silent")
    trace.mark(150, "drive", "end", "silent")
    trace.mark(200, "drive", "begin", "heard")
    trace.bytes(210, b"t 7010 0 0 50 620 51 51 51 50\r\nt 7040 0 0 50 620 51 51 51 50\r\n")
    trace.mark(250, "drive", "end", "heard")
    trace.mark(300, "drive", "begin", "silent")
    trace.mark(350, "drive", "end", "silent")
    trace.mark(1000, "collect", "begin", "log")
    trace.bytes(1010, log_of_starts(4000, 6000, 7000, 8000))
    trace.mark(1020, "collect", "end", "log")
    evidence = trace.evidence(menu, drawing, corridor)
    assert [
        drive.samples["kept_sample"].values["encoder.left"].tolist()
        for drive in evidence.drives
        if drive.name == "silent"
    ] == [[6000], [8000]]
    assert evidence.notes == ()


def test_drive_that_was_not_ordered_still_spoils_a_log_that_tells_of_heard_ones(menu, drawing, corridor):
    trace = Records()
    trace.bytes(90, b"t 5000 0 0 50 620 51 51 51 50\r\n")
    trace.mark(100, "drive", "begin", "silent")
    trace.mark(150, "drive", "end", "silent")
    trace.mark(1000, "collect", "begin", "log")
    trace.bytes(1010, log_of_starts(4000, 6000, 8000))
    trace.mark(1020, "collect", "end", "log")
    evidence = trace.evidence(menu, drawing, corridor)
    assert [dict(drive.samples) for drive in evidence.drives] == [{}]
    assert evidence.notes[0].startswith("The robot's log tells of 3 drives, and 1 was driven without a cable")


def test_robot_that_stood_still_has_no_part_of_its_log(menu, drawing, corridor):
    trace = Records()
    trace.mark(10, "drive", "begin", "stood_still", path=[])
    trace.mark(20, "drive", "end", "stood_still")
    evidence = logged(trace, told=2, driven=2).evidence(menu, drawing, corridor)
    assert [len(drive.samples) for drive in evidence.drives] == [0, 1, 1]


def test_a_log_of_another_number_of_drives_is_given_to_none(menu, drawing, corridor):
    evidence = logged(Records(), told=2, driven=3).evidence(menu, drawing, corridor)
    assert [dict(drive.samples) for drive in evidence.drives] == [{}, {}, {}]
    (note,) = evidence.notes
    assert note.startswith("The robot's log tells of 2 drives, and 3 were driven without a cable")

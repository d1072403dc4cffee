"""Real encoder ticks through the whole tool: sent as a robot sends them, recorded, decoded, measured.

Source: R. B. Sousa, M. R. Petry, P. G. Costa, A. P. Moreira, J. Intell. Robot. Syst. 105:39 (2022), data set A: ten
squares of 0.75 m, with a motion tracker's truth. Published: E_b 1.0061169, E_d 0.9988140.
"""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest

from hil.catalogue import Catalogue
from hil.engine.recorder import Recorder
from hil.errors import PortLost
from hil.measure.methods import METHODS, Parameters
from hil.measure.model import CellPose, Course, Heading, Robot
from hil.measure.series import evidence_from
from hil.measure.trace import Direction, PortEntry
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.store.trace import TraceReader, TraceWriter
from hil.timing import SystemClock
from hil.transports import Transport, open_port, open_pseudo_terminal
from hil.wire.dialect import Dialect
from hil.wire.link import End, Link
from hil.wire.received import Telemetry

TICKS = Path(__file__).resolve().parents[3] / "shared" / "data" / "odometry-squares"

ROBOT = Robot(
    name="recorded",
    serial="",
    robot_class="entry",
    body_width_mm=200.0,
    body_front_mm=100.0,
    body_rear_mm=100.0,
    wheel_diameter_left_mm=84.0,
    wheel_diameter_right_mm=84.0,
    wheel_base_mm=200.0,
    counts_per_turn=2796.8,  # 64 counts per motor turn, gear 43.7
    sensors=(),
    adc_full_scale=1023,
)
FLOOR = Course(
    name="floor",
    pitch_mm=750.0,
    wall_mm=0.0,
    columns=1,
    rows=1,
    walls=frozenset(),
    posts=frozenset(),
    surface="",
    start=CellPose(x=0, y=0, heading=Heading.EAST),
)


def send(far: Transport, dialect: Dialect, runs: list[np.ndarray], may_send: list[threading.Event]) -> None:
    """Play a robot: add the ticks up, report them with the time they were taken at, a run when it may."""
    link = Link(dialect, End.ROBOT)
    silent = {"wall.left": 0, "wall.right": 0, "wall.front": 0}
    begun_s, left, right = 0.0, 0, 0
    try:
        for run, turn in zip(runs, may_send, strict=True):
            turn.wait(30)
            for row in run:
                left, right = left + int(row[5]), right + int(row[4])
                counts = {"encoder.left": left, "encoder.right": right}
                far.write(link.telemetry("motion", {"time": begun_s + row[0], **counts, **silent}))
            begun_s += run[-1, 0] + 1.0
    except PortLost:
        return


def record(path: Path, dialect: Dialect, runs: list[np.ndarray]) -> None:
    """Receive all runs over a real pseudo-terminal into a trace, the tracker's place after each as an instrument's."""
    clock = SystemClock()
    far, address = open_pseudo_terminal(clock)
    turns = [threading.Event() for _ in runs]
    robot = threading.Thread(target=send, args=(far, dialect, runs, turns), daemon=True)
    robot.start()
    link = Link(dialect, End.HOST)
    with TraceWriter(path, clock) as writer, open_port(address, dialect.port, clock) as port:
        writer.add_port(PortEntry(name=port.name, url=address, protocol=dialect.name))
        recorder = Recorder(writer, clock)
        for number, (run, turn) in enumerate(zip(runs, turns, strict=True)):
            square = {"case": "squares", "repeat": number, "path": [], "front": "counts", "speed_mm_s": 100.0}
            recorder.begin("drive", "square", {**square, "start": [0, 0, 1], "conditions": {}})
            turn.set()
            expected = len(run)
            while expected:
                stamped = port.read(10.0)
                assert stamped is not None
                recorder.chunk(port.name, Direction.IN, stamped.data, stamped.t_ns)
                expected -= sum(isinstance(item, Telemetry) for item in link.receive(stamped.data))
            recorder.end("drive", "square")
            for axis, column in (("return-x", 1), ("return-y", 2)):
                place = {"name": axis, "value": 1000 * float(run[-1, column]), "unit": "mm", "u": 1.0, "said": ""}
                recorder.answer(**place, case="squares", repeat=number, source="tracker")
    far.close()
    robot.join(5)
    assert (link.counters.lost, link.counters.bad_total) == (0, 0)


def test_recorded_ticks_sent_over_a_port_give_the_published_result(tmp_path: Path) -> None:
    if not TICKS.is_dir():
        pytest.skip(f"the recorded encoder ticks are not beside this checkout ({TICKS.name})")
    runs = [np.loadtxt(TICKS / f"run-{number:02d}.csv", delimiter=",") for number in range(1, 11)]
    dialect = load_protocol(Catalogue().find(Kind.PROTOCOL, "tagged-lines"))
    record(tmp_path / "trace.sqlite", dialect, runs)
    with TraceReader(tmp_path / "trace.sqlite") as reader:
        evidence = evidence_from(reader, dialect, ROBOT, FLOOR, "squares")
    asked = Parameters(of=("square",), numbers={"side": 750.0})
    base = METHODS["square.wheel_base_error"].run(evidence, asked)
    ratio = METHODS["square.diameter_difference"].run(evidence, asked)
    assert base.value == pytest.approx(0.61169, abs=1e-3)
    assert ratio.value == pytest.approx(-0.11860, abs=1e-3)
    assert "tracker" in base.source

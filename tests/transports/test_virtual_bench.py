"""A virtual robot in its process on a stand: what its person does there, and how fast its clock goes."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from hil.engine.virtual import VirtualProcess, VirtualRobotOrder
from hil.errors import BenchError
from hil.simulator.parameters import nominal_truth
from hil.spec.loading import load_robot
from hil.timing import SystemClock
from hil.transports.virtual_host import VirtualHost
from hil.transports.virtual_order import read_order

ROOT = Path(__file__).parents[2]
ROBOT = ROOT / "suites" / "robots" / "virtual.robot.yaml"
PROTOCOL = ROOT / "protocols" / "tagged-lines" / "tagged-lines.protocol.yaml"
COURSE = ROOT / "suites" / "courses" / "corridor-six.course.yaml"


@pytest.fixture(scope="module")
def process() -> Iterator[VirtualProcess]:
    order = VirtualRobotOrder(robot_file=ROBOT, protocol_file=PROTOCOL, course_file=COURSE, seed=1)
    with VirtualProcess(order, SystemClock()) as started:
        yield started


def ask(process: VirtualProcess, **request: Any) -> dict[str, Any]:
    return process.ask(request, lambda: None)


def test_a_wheel_is_turned_by_hand_in_virtual_time_and_answered_when_it_is_done(process: VirtualProcess) -> None:
    ask(process, do="stand")
    done = ask(process, do="turn wheel", wheel="left", turns=12, turns_per_s=1.0, unevenness=0.3)
    # Twelve turns at one a second, and some 36 new grips of 0.14 s and the slips between them.
    assert done["took_s"] == pytest.approx(18, abs=2.5)
    assert done["ended"] == ""


def test_a_spin_by_the_button_is_answered_when_the_wheels_stand(process: VirtualProcess) -> None:
    ask(process, do="stand")
    assert ask(process, do="spin", left=0.3, right=-0.3, for_s=3)["took_s"] == pytest.approx(3.35, abs=0.01)


@pytest.mark.parametrize(
    ("request_", "part"),
    [
        ({"do": "turn wheel", "wheel": "middle", "turns": 3}, "there is no wheel 'middle'"),
        ({"do": "turn wheel", "wheel": "left", "turns": 1000}, "out of bounds for turns"),
        ({"do": "spin", "left": 0.0, "right": 0.0, "for_s": 3}, "a spin at no duty is none"),
        ({"do": "spin", "left": 2.0, "right": 0.0, "for_s": 3}, "out-of-range"),
    ],
)
def test_what_cannot_be_done_on_the_stand_is_answered_with_a_sentence(
    process: VirtualProcess, request_: dict[str, Any], part: str
) -> None:
    ask(process, do="stand")
    with pytest.raises(BenchError, match=part):
        ask(process, **request_)


def test_placed_again_the_robot_is_off_the_stand(process: VirtualProcess) -> None:
    ask(process, do="stand")
    ask(process, do="place", course_file=str(COURSE), pose=[0, 0, 0])
    with pytest.raises(BenchError, match="stands on its wheels"):
        ask(process, do="turn wheel", wheel="left", turns=1)


def test_the_switch_ends_a_hand_that_turns_a_wheel(process: VirtualProcess) -> None:
    ask(process, do="stand")
    # Both requests are out before either is answered: the second one does not wait for the first.
    pipe = process._process.stdin
    assert pipe is not None
    turning, switching = {"do": "turn wheel", "wheel": "left", "turns": 150}, {"do": "switch off"}
    pipe.write(b"".join(json.dumps(one).encode() + b"\n" for one in (turning, switching)))
    pipe.flush()
    answers = [process._line(20.0) for _ in range(2)]
    assert answers[0]["ended"] == "switched off"
    assert answers[1] == {"done": True}
    ask(process, do="stand")
    assert ask(process, do="turn wheel", wheel="left", turns=1)["ended"] == ""


def test_on_the_stand_no_place_can_be_read(process: VirtualProcess) -> None:
    ask(process, do="stand")
    with pytest.raises(BenchError, match="the robot is on the stand and in no cell"):
        ask(process, do="observe", what="offset", pose=[0, 0, 0])


@dataclass
class FakeClock:
    """Time that passes when it is told to."""

    now_ns: int = 0

    def monotonic_ns(self) -> int:
        return self.now_ns

    def sleep(self, duration_s: float) -> None:
        self.now_ns += round(duration_s * 1e9)


def test_the_robots_clock_goes_as_its_crystal_does_against_the_walls() -> None:
    robot = load_robot(ROBOT).robot
    seed = next(seed for seed in range(20) if abs(nominal_truth(robot, seed).clock_error) > 30e-6)
    order = {"seed": seed, "robot_file": str(ROBOT), "protocol_file": str(PROTOCOL), "course_file": str(COURSE)}
    idle_in, idle_out = os.pipe()
    try:
        host = VirtualHost(read_order(json.dumps({**order, "paced": True})), FakeClock(), idle_in, idle_out)
        begun_s = host.bench.device.now_s
        for _ in range(6000):
            host._keep_pace(0.05)
        passed_s = host.bench.device.now_s - begun_s
    finally:
        os.close(idle_in)
        os.close(idle_out)
    assert passed_s == pytest.approx(300 * (1 + host.bench.truth.clock_error), abs=2e-3)
    assert passed_s != pytest.approx(300, abs=5e-3)

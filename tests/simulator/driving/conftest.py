"""A virtual bench in process with a host's link on it: everything in virtual time, nothing sleeps."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from hil.measure.model import CellPose, Course, Heading, Robot
from hil.simulator.bench import VirtualBench
from hil.simulator.faults import parse_faults
from hil.simulator.parameters import Truth
from hil.spec.loading import load_protocol
from hil.wire.dialect import Dialect
from hil.wire.link import End, Link
from hil.wire.path import PathWord, encode_path
from hil.wire.received import Happened, Received, Replied, Telemetry
from hil.wire.requests import Resend

ROOT = Path(__file__).parents[3]
TAGGED_LINES = load_protocol(ROOT / "protocols" / "tagged-lines" / "tagged-lines.protocol.yaml")


def path_of(text: str) -> list[PathWord]:
    """Read `ahead 3 both, left`; a straight without a tracking is blind."""
    words: list[PathWord] = []
    for part in text.split(","):
        pieces = part.split()
        if pieces[0] == "ahead":
            words.append(("ahead", int(pieces[1]), pieces[2] if len(pieces) > 2 else "none"))
        else:
            words.append((" ".join(pieces), 0, "none"))
    return words


@dataclass
class Pose:
    """A true pose under a report's name."""

    event: str
    detail: str
    x_mm: float
    y_mm: float
    theta_deg: float
    left: int
    right: int


@dataclass
class Rig:
    """A bench with a host. `poses` are the true poses at the firmware's reports, `seen` what the host received."""

    bench: VirtualBench
    dialect: Dialect
    link: Link
    poses: list[Pose] = field(default_factory=list)
    seen: list[Received] = field(default_factory=list)

    def _witness(self, event: str, _: float, detail: str) -> None:
        plant = self.bench.plant
        theta = math.degrees(plant.theta_rad)
        self.poses.append(Pose(event, detail, plant.x_mm, plant.y_mm, theta, plant.counts_left, plant.counts_right))

    def run(self, duration_s: float) -> None:
        """Let time pass and receive."""
        device = self.bench.device
        device.advance(device.now_s + duration_s)
        self.seen += self.link.receive(device.take_output())

    def ask(self, action: str, **values: float | str) -> Replied:
        """Send a request and return its answer."""
        device = self.bench.device
        device.receive(self.link.start(action, values, device.now_s).data)
        before = len(self.seen)
        self.run(0.05)
        # Only a console leaves something to send: the keys of its menus, one after the other.
        for _ in range(200):
            if any(isinstance(item, Replied) for item in self.seen[before:]):
                break
            for item in self.link.due(device.now_s):
                assert isinstance(item, Resend)
                device.receive(item.data)
            self.run(0.01)
        return next(item for item in self.seen[before:] if isinstance(item, Replied))

    def start(self, path: str, *, speed: float = 300.0, front: str = "counts") -> Replied:
        """Ask for a drive."""
        assert self.dialect.path is not None
        return self.ask("drive", speed=speed, front=front, path=encode_path(self.dialect.path, path_of(path)))

    def drive(self, path: str, *, speed: float = 300.0, front: str = "counts", chunk_s: float = 0.1) -> list[Pose]:
        """Drive a path to its end and return the poses of this drive."""
        before = len(self.poses)
        reply = self.start(path, speed=speed, front=front)
        assert self.bench.device.driving, reply
        for _ in range(3000):
            if not self.bench.device.driving:
                break
            self.run(chunk_s)
        assert not self.bench.device.driving
        self.run(0.05)
        return self.poses[before:]

    def events(self) -> list[Happened]:
        """The events the host has received."""
        return [item for item in self.seen if isinstance(item, Happened)]

    def telemetry(self, message: str) -> list[Telemetry]:
        """The telemetry the host has received under a message's name."""
        return [item for item in self.seen if isinstance(item, Telemetry) and item.message == message]


def rig_of(
    robot: Robot,
    course: Course,
    *,
    seed: int = 1,
    truth: Truth | None = None,
    faults: Sequence[str] = (),
    dialect: Dialect = TAGGED_LINES,
    dead_man_s: float = 0.0,
) -> Rig:
    """Build a rig; with `truth` the robot is exactly that, else it is drawn from the seed."""
    bench = VirtualBench(
        robot=robot,
        dialect=dialect,
        course=course,
        seed=seed,
        truth=truth,
        faults=parse_faults(faults),
        dead_man_s=dead_man_s,
    )
    rig = Rig(bench=bench, dialect=dialect, link=Link(dialect, End.HOST))
    bench.device.witness = rig._witness
    if dialect.console is not None:
        rig.run(0.1)  # a console that starts anew answers nothing that it was asked before
    return rig


RigMaker = Callable[..., Rig]


@pytest.fixture(scope="session")
def tagged_lines() -> Dialect:
    """The project's first dialect."""
    return TAGGED_LINES


@pytest.fixture
def rig(robot: Robot, corridor: Course) -> RigMaker:
    """Build a rig; the course is the corridor of six cells where none is given."""

    def make(course: Course = corridor, robot: Robot = robot, **options: object) -> Rig:
        return rig_of(robot, course, **options)  # type: ignore[arg-type]

    return make


@pytest.fixture(scope="session")
def corner() -> Course:
    """Three cells north, a corner cell with a wall ahead, three cells east."""
    walls = {(x, y, Heading.EAST) for x in (-1, 0) for y in range(3)} | {(-1, 3, Heading.EAST), (3, 3, Heading.EAST)}
    walls |= {(x, 3, Heading.NORTH) for x in range(4)} | {(x, 2, Heading.NORTH) for x in range(1, 4)}
    walls |= {(0, -1, Heading.NORTH)}
    posts = set()
    for x, y, side in walls:
        posts |= {(x + 1, y + 1), (x, y + 1) if side is Heading.NORTH else (x + 1, y)}
    return Course(
        name="corner",
        pitch_mm=180.0,
        wall_mm=12.0,
        columns=4,
        rows=4,
        walls=frozenset(walls),
        posts=frozenset(posts),
        surface="matt-white",
        start=CellPose(x=0, y=0, heading=Heading.NORTH),
    )


@pytest.fixture(scope="session")
def corner_open(corner: Course) -> Course:
    """The corner without the wall ahead; its posts stay."""
    return replace(corner, walls=corner.walls - {(0, 3, Heading.NORTH)})

"""The virtual robot in its own process: the hello, drives over a real port, the person's channel, every way to end."""

from __future__ import annotations

import json
import select
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hil.errors import PortLost, UsageError
from hil.measure.model import CellPose, Heading
from hil.simulator.bench import VirtualBench
from hil.simulator.faults import parse_faults
from hil.spec.loading import load_course, load_protocol, load_robot
from hil.timing import SystemClock
from hil.transports import Transport, open_port
from hil.transports.virtual_host import main
from hil.transports.virtual_order import read_order
from hil.wire.dialect import Verdict
from hil.wire.link import End, Link
from hil.wire.received import BlockEnded, Booted, Happened, Received, Replied, Telemetry
from hil.wire.requests import Resend

ROOT = Path(__file__).parents[2]
PROTOCOL = ROOT / "protocols" / "tagged-lines" / "tagged-lines.protocol.yaml"
COURSES = ROOT / "suites" / "courses"
ROBOTS = ROOT / "suites" / "robots"
PRINTS = ROOT / "protocols" / "plain-prints" / "plain-prints.protocol.yaml"
READINGS = ROOT / "protocols" / "plain-readings" / "plain-readings.protocol.yaml"
MENU = ROOT / "protocols" / "letter-menu" / "letter-menu.protocol.yaml"
ORDER = {
    "seed": 1,
    "faults": [],
    "robot_file": str(ROOT / "suites" / "robots" / "virtual.robot.yaml"),
    "protocol_file": str(PROTOCOL),
    "course_file": str(COURSES / "corridor-six.course.yaml"),
    "paced": False,
    "serve": "pty",
    "truth_file": None,
}
LONGEST_S = 60.0  # on a new machine the simulator is compiled first


class Served:
    """A running process, its person's channel, and the host's end of its port."""

    def __init__(self, **changes: Any) -> None:
        order = json.dumps({**ORDER, **changes})
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", "hil.transports.virtual_host", order],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,  # a second answer must not hide in a buffer from select
        )
        self.dialect = load_protocol(Path(changes.get("protocol_file") or PROTOCOL))
        self.link = Link(self.dialect, End.HOST)
        self.hello = self.line()
        self.port: Transport = open_port(str(self.hello["port"]), self.dialect.port, SystemClock())
        self.seen: list[Received] = []

    def line(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        ready, _, _ = select.select([self.process.stdout], [], [], LONGEST_S)
        assert ready, "the process says nothing"
        answer = json.loads(self.process.stdout.readline())
        assert isinstance(answer, dict)
        return answer

    def person(self, **request: Any) -> dict[str, Any]:
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(request).encode() + b"\n")
        self.process.stdin.flush()
        return self.line()

    def wait(self, wanted: Callable[[Received], bool], *, alive: bool = True) -> Received:
        """Read the port until something wanted comes."""
        end_s = time.monotonic() + 20
        while time.monotonic() < end_s:
            if alive:
                data = self.link.keep_alive(time.monotonic())
                if data:
                    self.port.write(data)
            chunk = self.port.read(0.02)
            found = self.link.receive(chunk.data) if chunk else []
            self.seen += found
            for item in found:
                if wanted(item):
                    return item
        raise AssertionError(f"not seen; the last was {self.seen[-3:]}")

    def ask(self, action: str, **values: float | str) -> Replied:
        self.port.write(self.link.start(action, values, time.monotonic()).data)
        reply = self.wait(lambda item: isinstance(item, Replied))
        assert isinstance(reply, Replied)
        return reply

    def ask_console(self, action: str, **values: float | str) -> Replied:
        """Ask through the menus of a console."""
        self.port.write(self.link.start(action, values, time.monotonic()).data)
        while True:
            found = self.listen(0.05)
            for item in found:
                if isinstance(item, Replied):
                    return item
            for due in self.link.due(time.monotonic()):
                assert isinstance(due, Resend), found
                self.port.write(due.data)

    def drive(self, path: str, *, speed: float = 300, alive: bool = True) -> Happened:
        assert self.ask("drive", speed=speed, front="counts", path=path).verdict is Verdict.ACCEPTED
        idle = self.wait(lambda item: isinstance(item, Happened) and item.event == "idle", alive=alive)
        assert isinstance(idle, Happened)
        return idle

    def read_on(self) -> None:
        """Read until the port is lost, or ten seconds."""
        end_s = time.monotonic() + 10
        while time.monotonic() < end_s:
            self.port.read(0.1)

    def follow(self, address: str, protocol: Path | None = None) -> None:
        """Open the port that the robot is on now."""
        self.port.close()
        self.dialect = load_protocol(protocol) if protocol else self.dialect
        self.link = Link(self.dialect, End.HOST)
        self.port = open_port(address, self.dialect.port, SystemClock())

    def listen(self, duration_s: float) -> list[Received]:
        """Read the port for so long."""
        before, end_s = len(self.seen), time.monotonic() + duration_s
        while time.monotonic() < end_s:
            chunk = self.port.read(0.02)
            self.seen += self.link.receive(chunk.data) if chunk else []
        return self.seen[before:]

    def start_reading(self, **request: Any) -> dict[str, Any]:
        """Send a request to the person and read the port until it is answered."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps(request).encode() + b"\n")
        self.process.stdin.flush()
        while not select.select([self.process.stdout], [], [], 0)[0]:
            self.listen(0.02)
        self.listen(0.05)
        return self.line()

    def end(self) -> None:
        self.port.close()
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()


@pytest.fixture(scope="module")
def shared() -> Iterator[Served]:
    """One nominal process on a pseudo-terminal; starting one costs seconds."""
    served = Served()
    yield served
    served.end()


@pytest.fixture
def serve() -> Iterator[Callable[..., Served]]:
    running: list[Served] = []

    def start(**changes: Any) -> Served:
        running.append(Served(**changes))
        return running[-1]

    yield start
    for served in running:
        served.end()


def test_a_path_is_driven_over_a_real_port_faster_than_it_would_take(shared: Served) -> None:
    assert shared.hello["virtual"] is True
    assert shared.hello["port"].startswith("/dev/")
    assert set(shared.hello["jig"]) == {"wall.left", "wall.right", "wall.front"}
    assert shared.ask("identify").answer == "virtual V-0001 hil-virtual-1"
    shared.ask("stream", period=0.008)
    begun_s, robot_s = time.monotonic(), shared.person(do="clock")["robot_s"]
    shared.drive("ab5,ul,ab5,ur")
    took_s, robot_took_s = time.monotonic() - begun_s, shared.person(do="clock")["robot_s"] - robot_s
    # The way is 2 x 3.15 s and two half turns; nothing of it is waited for.
    assert robot_took_s > 7
    assert took_s < robot_took_s / 3
    assert shared.link.counters.lost == 0
    assert shared.link.counters.bad_total == 0
    last = [item for item in shared.seen if isinstance(item, Telemetry) and item.message == "motion"][-1]
    # Ten cells are 7367 counts, and the turns take from one wheel what they give it back.
    assert last.values["encoder.left"] == pytest.approx(7367, abs=20)


def test_the_person_places_lays_boards_observes_and_is_told_what_cannot_be_done(shared: Served) -> None:
    corner = str(COURSES / "corner.course.yaml")
    assert shared.person(do="place", course_file=corner, pose=[0, 0, 0]) == {"done": True}
    assert shared.person(do="board", cell=[0, 3], side="north", thickness_mm=5) == {"done": True}
    offset = shared.person(do="observe", what="offset", pose=[0, 0, "north"])
    assert offset["unit"] == "mm"
    assert abs(offset["value"]) < 6
    assert 0.4 < offset["u"] < 0.7
    assert "no wall on its east side" in shared.person(do="board", cell=[0, 3], side="east", thickness_mm=5)["error"]
    assert "no cell (9, 0)" in shared.person(do="place", course_file=corner, pose=[9, 0, 0])["error"]
    assert "expected place, board" in shared.person(do="dance")["error"]
    assert "error" in shared.person(do="place", course_file="missing.course.yaml", pose=[0, 0, 0])
    assert "error" in shared.person(do="place", pose="here")
    assert shared.person(do="place", course_file=ORDER["course_file"], pose=[0, 0, 0]) == {"done": True}


def test_the_truth_does_not_leave_by_the_persons_channel(shared: Served) -> None:
    along = shared.person(do="observe", what="along", pose=[0, 0, 0])
    said = json.dumps([shared.hello, shared.person(do="clock"), along])
    assert "truth" not in said
    assert "x_mm" not in said


def test_a_host_may_close_the_port_and_open_it_again(shared: Served) -> None:
    shared.port.close()
    # Nobody reads: the robot tells its telemetry to nobody, and the person is heard as before.
    assert shared.person(do="clock")["robot_s"] > 0
    shared.port = open_port(str(shared.hello["port"]), shared.dialect.port, SystemClock())
    shared.link = Link(shared.dialect, End.HOST, first_tag=500)
    assert shared.ask("identify").verdict is Verdict.ACCEPTED


def test_an_unpaced_drive_stops_half_a_second_after_the_last_byte_by_the_walls_clock(shared: Served) -> None:
    # At 20 mm/s this way takes the robot six minutes; half a second of wall time is over long before its end.
    idle = shared.drive("a4,ul,a4,ur,a4,ul,a4,ur,a4,ul,a4,ur,a4,ul,a4,ur,a4,ul,a4,ur", speed=20, alive=False)
    assert idle.detail == "dead-man"
    faults = [item.detail for item in shared.seen if isinstance(item, Happened) and item.event == "fault"]
    assert faults == ["dead-man"]


def test_the_end_of_standard_input_ends_the_process_and_the_port(shared: Served) -> None:
    assert shared.process.stdin is not None
    shared.process.stdin.close()
    assert shared.process.wait(5) == 0
    with pytest.raises(PortLost):
        shared.read_on()


def test_a_paced_robot_takes_its_own_time(serve: Callable[..., Served]) -> None:
    served = serve(paced=True)
    begun_s = time.monotonic()
    served.drive("a1")
    # 180/300 + 300/2000 s, and 0.16 s of settling and rest.
    assert time.monotonic() - begun_s > 0.85


def test_a_port_lost_in_mid_drive_is_lost_and_the_person_stays(serve: Callable[..., Served]) -> None:
    served = serve(faults=["port-lost-at=2 s"], serve="socket")
    assert served.hello["port"].startswith("socket://127.0.0.1:")
    served.ask("stream", period=0.008)
    served.port.write(served.link.start("drive", {"speed": 300, "front": "counts", "path": "ab5,ul,ab5"}, 0.0).data)
    with pytest.raises(PortLost):
        served.read_on()
    assert served.person(do="clock")["robot_s"] > 1.9


def test_a_process_drives_bit_for_bit_as_the_same_bench_in_virtual_time(
    serve: Callable[..., Served], tmp_path: Path
) -> None:
    served = serve(truth_file=str(tmp_path / "truth.jsonl"), faults=["wheel-mismatch=0.5 %"])
    served.person(do="place", course_file=ORDER["course_file"], pose=[0, 0, 0])
    served.ask("stream", period=0.008)
    for path in ("ab2,a3,ul", "ar2"):
        served.drive(path)
    assert served.person(do="end") == {"done": True}
    assert served.process.wait(5) == 0
    records = [json.loads(line) for line in (tmp_path / "truth.jsonl").read_text().splitlines()]
    assert records[0]["truth"]["wheel_mismatch"] == pytest.approx(0.005, abs=0.002)
    driven = [(r["event"], r["x_mm"], r["y_mm"], r["theta_rad"]) for r in records[1:] if r["detail"]]

    bench = VirtualBench(
        robot=load_robot(Path(str(ORDER["robot_file"]))).robot,
        dialect=served.dialect,
        course=load_course(Path(str(ORDER["course_file"]))),
        seed=1,
        faults=parse_faults(["wheel-mismatch=0.5 %"]),
        dead_man_s=0.0,
    )
    bench.person.place(CellPose(x=0, y=0, heading=Heading.NORTH))
    device, plant = bench.device, bench.plant
    expected: list[tuple[str, float, float, float]] = []
    device.witness = lambda event, _, __: expected.append((event, plant.x_mm, plant.y_mm, plant.theta_rad))
    host = Link(served.dialect, End.HOST)
    device.receive(host.start("stream", {"period": 0.008}, 0.0).data)
    for path in ("ab2,a3,ul", "ar2"):
        device.receive(host.start("drive", {"speed": 300, "front": "counts", "path": path}, 0.0).data)
        device.advance(device.now_s + 10)
    assert driven == expected


def prints(start: Callable[..., Served], **changes: Any) -> Served:
    return start(
        robot_file=str(ROBOTS / "virtual-prints.robot.yaml"),
        protocols={"run": str(PRINTS), "sense": str(READINGS)},
        protocol_file=str(PRINTS),
        **changes,
    )


def logger(start: Callable[..., Served], **changes: Any) -> Served:
    served = start(robot_file=str(ROBOTS / "virtual-logger.robot.yaml"), protocol_file=str(MENU), **changes)
    served.listen(0.1)
    return served


THERE_AND_BACK = [["ahead", 5, "both"], ["about left", 0, "none"], ["ahead", 5, "both"]]


def counts(seen: list[Received]) -> list[Any]:
    return [item.values["encoder.left"] for item in seen if isinstance(item, Telemetry) and item.message == "glance"]


def test_a_drive_of_the_person_is_seen_whole_on_a_port_that_only_prints(serve: Callable[..., Served]) -> None:
    served = prints(serve)
    begun_s = time.monotonic()
    answer = served.start_reading(do="start", path=THERE_AND_BACK, front="wall", speed_mm_s=300, id=4)
    assert answer["id"] == 4
    assert answer["ended"] == ""
    # Twice 900/300 + 300/2000 s, and a half turn.
    assert answer["took_s"] == pytest.approx(7.3, abs=0.3)
    assert time.monotonic() - begun_s < answer["took_s"] / 2
    lines = counts(served.seen)
    # A line every 42 ms, of the drive and the rest after it; what was told at its end is what the robot still says.
    assert len(lines) > answer["took_s"] / 0.042
    assert counts(served.listen(0.3))[-1] == lines[-1]
    assert served.link.counters.bad_total == 0


def test_a_host_that_does_not_read_does_not_hold_the_drive_up(serve: Callable[..., Served]) -> None:
    served = prints(serve)
    begun_s = time.monotonic()
    # Half a minute of lines is more than a port and its reader's patience take.
    laps = [*THERE_AND_BACK, ["about left", 0, "none"]] * 5
    assert served.person(do="start", path=laps, front="wall", speed_mm_s=300)["took_s"] > 35
    assert time.monotonic() - begun_s < 30
    served.listen(0.5)
    assert counts(served.listen(0.5))  # and it goes on for one who reads again


def test_the_switch_ends_a_drive_of_the_person_at_once(serve: Callable[..., Served]) -> None:
    served = prints(serve, paced=True)
    assert served.process.stdin is not None
    start = {"do": "start", "path": THERE_AND_BACK, "front": "wall", "speed_mm_s": 300}
    served.process.stdin.write(json.dumps(start).encode() + b"\n")
    served.process.stdin.flush()
    served.listen(0.5)
    assert served.start_reading(do="switch off")["ended"] == "switched off"
    assert served.line() == {"done": True}
    served.listen(0.3)
    assert served.listen(0.3) == []
    assert served.person(do="place", course_file=ORDER["course_file"], pose=[0, 0, 0]) == {"done": True}
    assert any(isinstance(item, Booted) for item in served.listen(1.0))


def test_the_cable_goes_and_comes_back_fifty_times_under_a_new_name_each_time(serve: Callable[..., Served]) -> None:
    served = prints(serve)
    before = str(served.hello["port"])
    for _ in range(50):
        assert served.person(do="untether") == {"done": True}
        assert served.person(do="where")["port"] is None
        with pytest.raises(PortLost):
            served.listen(10)
        after = served.person(do="retether")["port"]
        assert after != before
        where = {"port": after, "identity": "virtual-prints V-0004", "program": "run", "idle_faults": []}
        assert served.person(do="where") == where
        served.follow(after)
        before = after
    assert counts(served.listen(0.3))


def test_a_log_of_drives_without_a_cable_is_collected_over_the_new_port(serve: Callable[..., Served]) -> None:
    served = logger(serve)
    served.person(do="untether")
    for _ in range(2):
        assert served.person(do="start", path=[["ahead", 2, "both"]], front="counts", speed_mm_s=300)["done"]
    served.follow(served.person(do="retether")["port"])
    assert served.ask_console("dump.log").verdict is Verdict.ACCEPTED
    came = next((item for item in served.seen if isinstance(item, BlockEnded)), None)  # it may be in with the answer
    ended = came or served.wait(lambda item: isinstance(item, BlockEnded), alive=False)
    assert isinstance(ended, BlockEnded)
    assert ended.reason == ""
    events = [item.event for item in served.seen if isinstance(item, Happened) and item.block == "log"]
    assert [event for event in events if not event.startswith("edge")] == ["move.begin", "move.end", "idle"] * 2
    # Two drives of 1.51 s with a row every 8 ms.
    assert ended.rows == pytest.approx(2 * 1.51 / 0.008 + len(events), abs=12)


def test_the_dump_of_a_long_log_takes_no_more_time_than_reading_it(serve: Callable[..., Served]) -> None:
    served = logger(serve)
    served.start_reading(do="start", path=THERE_AND_BACK, front="counts", speed_mm_s=300)
    begun_s = time.monotonic()
    assert served.person(do="press dump", what="log") == {"done": True}
    ended = served.wait(lambda item: isinstance(item, BlockEnded), alive=False)
    assert isinstance(ended, BlockEnded)
    # At 38400 baud these rows of some 40 bytes take ten seconds on a real line.
    assert ended.rows > 900
    assert time.monotonic() - begun_s < 4


def test_another_program_comes_with_another_port_and_its_banner(serve: Callable[..., Served]) -> None:
    served = prints(serve)
    address = served.person(do="load", program="sense")["port"]
    assert address != served.hello["port"]
    served.follow(address, READINGS)
    found = served.listen(1.0)
    assert any(isinstance(item, Booted) and item.banner == "ready to sense" for item in found)
    assert {item.message for item in found if isinstance(item, Telemetry)} == {"readings", "outputs"}
    assert served.person(do="where")["program"] == "sense"
    start = served.person(do="start", path=THERE_AND_BACK, front="wall", speed_mm_s=300)
    assert "the program 'sense' does not drive" in start["error"]
    assert "expected one of run, sense" in served.person(do="load", program="walk")["error"]


def test_a_lost_port_comes_back_when_it_is_told_to_and_the_robot_drives_on(serve: Callable[..., Served]) -> None:
    served = prints(serve, faults=["port-lost-at=2 s", "port-returns=0.2 s"], serve="socket")
    answer = served.person(do="start", path=THERE_AND_BACK, front="wall", speed_mm_s=300)
    assert answer["ended"] == ""
    end_s = time.monotonic() + 10
    while (address := served.person(do="where")["port"]) in (None, served.hello["port"]):
        assert time.monotonic() < end_s
    served.follow(address)
    # The second port goes as well, two seconds of the robot's time after it was opened, which may be a moment here.
    while not counts(served.listen(0.02)):
        assert time.monotonic() < end_s


def test_a_link_leads_to_the_port_wherever_it_is(serve: Callable[..., Served], tmp_path: Path) -> None:
    link = tmp_path / "robot"
    served = prints(serve, link=str(link))
    assert str(link.readlink()) == served.hello["port"]
    served.person(do="untether")
    assert not link.is_symlink()
    assert served.person(do="retether")["port"] == str(link.readlink())
    served.person(do="end")
    served.process.wait(5)
    assert not link.is_symlink()


def test_the_person_reads_a_bow_two_offsets_a_lamp_and_a_display(serve: Callable[..., Served]) -> None:
    served = logger(serve, faults=["wheel-mismatch=2 %"])

    def read(what: str, **look: Any) -> Any:
        return served.person(do="observe", what=what, pose=[0, 2, 0], **look)

    assert "was 0 mm long" in read("bow", over_mm=400)["error"]
    served.start_reading(do="start", path=[["ahead", 2, "none"]], front="counts", speed_mm_s=300)
    # The right wheel is 2 % larger: the path turns left with 0.02 / 70 mm, and bows to the right by 300^2 / 8 of that.
    assert read("bow", over_mm=300)["value"] == pytest.approx(-(300**2) / 8 * 0.02 / 70, abs=2.0)
    two = [read(f"offset {part}", apart_mm=80)["value"] for part in ("front", "rear")]
    whole = read("angle", apart_mm=80)
    # 360 mm along that circle turn it by 0.103 rad.
    assert whole["value"] == pytest.approx(5.9, abs=2.0)
    assert two[0] - two[1] == pytest.approx(80 * 0.103, abs=3)
    assert {"front_mm", "rear_mm"} <= whole.keys()
    assert read("light") == {"value": 1, "unit": "", "u": 0.0}
    assert read("display") == {"value": 2, "unit": "", "u": 0.0}
    assert read("display", unit="V")["value"] == pytest.approx(7.8, abs=0.1)
    assert read("lap time")["value"] == pytest.approx(1.51, abs=0.4)


def test_a_person_may_not_have_seen_it(serve: Callable[..., Served]) -> None:
    served = prints(serve, unseen=1.0)
    assert served.person(do="observe", what="offset", pose=[0, 0, 0]) == {"unseen": True}


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"faults": ["weel-base=2 %"]}, "did you mean wheel-base?"),
        ({"robot_file": "missing.robot.yaml"}, "missing.robot.yaml"),
        ({"serve": "pigeon"}, "expected pty or socket"),
    ],
)
def test_an_order_that_cannot_be_served_ends_with_one_sentence(
    changes: dict[str, Any], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([json.dumps({**ORDER, **changes})]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert sentence in said.err


@pytest.mark.parametrize("text", ["{", "[]", '{"seed": 1}', json.dumps({**ORDER, "speed": 2})])
def test_an_order_with_unknown_or_missing_keys_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        read_order(text)


def test_a_board_before_a_sensor_at_the_jig_is_read_over_the_port(serve: Callable[..., Served]) -> None:
    served = serve()
    served.ask("stream", period=0.01)

    def mean(duration_s: float = 0.4) -> dict[str, float]:
        served.listen(0.1)  # what was on its way when the board moved
        rows = [item.values for item in served.listen(duration_s) if isinstance(item, Telemetry)]
        motion = [row for row in rows if "wall.left" in row]
        assert len(motion) > 20
        return {side: sum(float(row[side]) for row in motion) / len(motion) for side in ("wall.left", "wall.right")}

    board = {"do": "jig", "sensor": "wall.left", "surface": "white", "angle_deg": 0}
    assert served.person(**board, distance_mm=49, id=7) == {"done": True, "distance_mm": 49, "id": 7}
    near = mean()
    assert served.person(**board, distance_mm=98)["done"]
    far = mean()
    # Lit minus a dark level of 51 falls with the square of the distance and 2 mm; blocks are 0.2 mm uncertain.
    assert (near["wall.left"] - 51) / (far["wall.left"] - 51) == pytest.approx((100 / 51) ** 2, rel=0.05)
    assert near["wall.right"] == pytest.approx(51, abs=2)  # nothing stands there
    assert served.person(**board, distance_mm=None) == {"done": True, "distance_mm": None}
    assert mean()["wall.left"] == pytest.approx(51, abs=2)
    assert served.person(do="lamps", on=False) == {"done": True}
    assert mean()["wall.left"] == pytest.approx(31, abs=2)  # the usual lamps are 2 % of full scale
    assert "has no sensor" in served.person(**{**board, "sensor": "wall.lft"}, distance_mm=49)["error"]
    assert "of what surface" in served.person(**{**board, "surface": ""}, distance_mm=49)["error"]
    assert "cannot be set at" in served.person(**board, distance_mm=4)["error"]
    assert "neither true nor false" in served.person(do="lamps", on="on")["error"]
    assert served.person(do="place", pose=[0, 0, "north"]) == {"done": True}
    assert mean()["wall.right"] > 400


def test_a_meter_is_held_to_the_robot_wherever_it_is_and_its_rail_is_told_over_the_port(
    serve: Callable[..., Served],
) -> None:
    served = serve(robot_file=str(ROBOTS / "virtual-block.robot.yaml"))
    served.ask("stream", period=0.02)
    battery = served.person(do="observe", what="meter", at="supply.battery", unit="V")
    assert battery["value"] == pytest.approx(9.5, abs=0.005 * 9.5 + 0.02)
    assert battery["u"] == pytest.approx((0.005 * 9.5 + 0.02) / 3**0.5, rel=0.01)
    rail = served.person(do="observe", what="meter", at="supply.motor", unit="mV", id=1)
    assert (rail["unit"], rail["id"]) == ("mV", 1)
    assert 5850 < rail["value"] < 6230  # parts of 1 %, and the meter
    served.listen(0.6)
    told = [
        item.values["supply.motor"] for item in served.seen if isinstance(item, Telemetry) and item.message == "health"
    ]
    # Its divider of 1 % beside the meter's 0.5 % and two digits.
    assert float(told[-1]) == pytest.approx(rail["value"] / 1000, rel=0.015, abs=0.03)
    assert "cannot be held to" in served.person(do="observe", what="meter", at="supply", unit="V")["error"]
    assert "cannot be read" in served.person(do="observe", what="offset")["error"]

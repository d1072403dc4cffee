"""The virtual robot in a process of its own, behind a pseudo-terminal or a TCP port on the loopback.

    python -m hil.transports.virtual_host '{"seed": 1, "faults": [], "robot_file": …, "protocol_file": …,
        "course_file": …, "paced": false, "serve": "pty", "truth_file": null}'

The order may also come as the first line of standard input. The first line of standard output says where the port is
and what the jig session read: {"port": …, "virtual": true, "jig": {channel: [[distance_mm, lit, dark], …]}}. After that
standard input and output are the person's channel, one JSON object a line each way:

    {"do": "place", "course_file": …, "pose": [x, y, heading]}     {"done": true}
    {"do": "board", "cell": [x, y], "side": "north", "thickness_mm": 5}     {"done": true}
    {"do": "observe", "what": "offset", "pose": [x, y, heading]}     {"value": …, "unit": "mm", "u": …}
    {"do": "clock"}     {"robot_s": …}
    {"do": "end"}     {"done": true}, and the process ends

A heading is 0 to 3 or a word. What cannot be done is answered by {"error": sentence}. The end of standard input ends
the process. Paced, the robot's clock is the wall's. Unpaced, a drive runs as fast as the machine can, and only then;
its dead man counts the wall's time, so that speed never trips it.

The truth leaves this process by one way only: the truth file, JSON lines for tests.
"""

from __future__ import annotations

import json
import os
import select
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TextIO

from hil.errors import HilError, UsageError
from hil.measure.model import CellPose, Heading
from hil.simulator.bench import VirtualBench
from hil.simulator.faults import parse_faults
from hil.simulator.plant import Plant
from hil.spec.loading import load_course, load_protocol, load_robot
from hil.timing import Clock, SystemClock
from hil.transports.far_end import FarEnd, open_far_end

_IDLE_S = 0.004  # how often an idle robot looks about; a telemetry period is twice as long
_CHUNK_S = 0.02  # of robot time between two looks at the ports while it drives
_ANSWER_S = 0.01  # of robot time in which a request at rest is answered
_FARTHEST_BEHIND_S = 0.2  # a paced robot that is more behind than this lets the difference go
_ENOUGH_BYTES = 8192  # waiting for the host: an unpaced robot then waits with it
_LONGEST_LINE = 65536  # of the person's channel

Answer = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What is to be served."""

    seed: int
    robot_file: Path
    protocol_file: Path
    course_file: Path
    faults: tuple[str, ...] = ()
    paced: bool = False
    serve: str = "pty"
    truth_file: Path | None = None


def read_order(text: str) -> Order:
    """Read an order; raise `UsageError` where it is not one."""
    try:
        values = json.loads(text)
    except ValueError as error:
        raise UsageError(f"the order is not JSON ({error})", where="virtual robot") from None
    files = ("robot_file", "protocol_file", "course_file", "truth_file")
    known = {*files, "seed", "faults", "paced", "serve"}
    if not isinstance(values, dict) or not known >= values.keys() >= {"seed", *files[:3]}:
        raise UsageError("the order has unknown or missing keys", where="virtual robot", expected=", ".join(known))
    given: dict[str, Any] = {key: value for key, value in values.items() if value is not None}
    given.update({key: Path(str(given[key])) for key in files if key in given})
    given["faults"] = tuple(str(fault) for fault in given.get("faults", ()))
    return Order(**given)


class Witness:
    """Writes the truth file: the true parameters, then the true pose at every report and along every drive."""

    def __init__(self, path: Path, bench: VirtualBench) -> None:
        self._file: TextIO = path.open("w", encoding="utf-8")
        self._bench = bench
        self._write({"truth": asdict(bench.truth)})

    def report(self, event: str, time_s: float, detail: str) -> None:
        """Note a report of the firmware with the pose of this moment."""
        self._write({"event": event, "time_s": time_s, "detail": detail, **self._pose()})

    def note(self, what: str) -> None:
        """Note the pose under a word of our own."""
        self._write({"event": what, "time_s": self._bench.device.now_s, "detail": "", **self._pose()})

    def _pose(self) -> dict[str, float]:
        plant = self._bench.plant
        return {
            "x_mm": plant.x_mm,
            "y_mm": plant.y_mm,
            "theta_rad": plant.theta_rad,
            "left": plant.counts_left,
            "right": plant.counts_right,
        }

    def _write(self, record: Mapping[str, Any]) -> None:
        # The robot's nominal calibrations are keyed by channel and hold tuples only, so that all of it is JSON.
        self._file.write(json.dumps(record, default=str) + "\n")

    def close(self) -> None:
        """Close the file."""
        self._file.close()


class VirtualHost:
    """The loop of the process: port, person and robot, one thread, no blocking but in one `select`."""

    def __init__(self, order: Order, clock: Clock, person_in: int, person_out: int) -> None:
        robot_file = load_robot(order.robot_file)
        self._order = order
        self._clock = clock
        self._dead_man_s = robot_file.stop.dead_man_s
        self.bench = VirtualBench(
            robot=robot_file.robot,
            dialect=load_protocol(order.protocol_file),
            course=load_course(order.course_file),
            seed=order.seed,
            faults=parse_faults(order.faults),
            dead_man_s=self._dead_man_s if order.paced else 0.0,
        )
        self._compile()
        self._witness = Witness(order.truth_file, self.bench) if order.truth_file else None
        if self._witness is not None:
            self.bench.device.witness = self._witness.report
        self._port: FarEnd = open_far_end(order.serve)
        self._in, self._out = person_in, person_out
        self._unread = b""
        self._ended = False
        self._heard_ns = self._seen_ns = clock.monotonic_ns()
        self._unheard = False
        self._behind_s = 0.0

    def _compile(self) -> None:
        """Run another robot for a moment, so that the compiler's time is spent before the first motion."""
        plant = self.bench.plant
        Plant(plant.truth, plant.world, self._order.seed).tick(0.1, 0.1)

    def run(self) -> None:
        """Serve until the person's channel ends."""
        self._say({"port": self._port.address, "virtual": True, "jig": self.bench.jig})
        try:
            while not self._ended:
                self._turn()
        finally:
            self._port.close()
            if self._witness is not None:
                self._witness.close()

    # One turn of the loop

    def _turn(self) -> None:
        device = self.bench.device
        racing = device.driving and not self._order.paced
        held = racing and self._port.waiting_bytes > _ENOUGH_BYTES
        timeout_s = 0.0 if racing and not held else _IDLE_S
        readable, writable, _ = select.select([self._in, *self._port.readable], self._port.writable, [], timeout_s)
        now_ns = self._clock.monotonic_ns()
        passed_s, self._seen_ns = (now_ns - self._seen_ns) / 1e9, now_ns
        if writable:
            self._port.flush()
        if self._in in readable:
            self._hear_person()
        if any(descriptor in readable for descriptor in self._port.readable):
            self._hear_host(now_ns)
        if racing:
            self._watch(now_ns)
            if not held or self._unheard:
                self._advance(_CHUNK_S)
        else:
            self._keep_pace(passed_s)
        if device.port_lost:
            self._port.close()

    def _hear_host(self, now_ns: int) -> None:
        data = self._port.read()
        if not data:
            return
        device = self.bench.device
        self._heard_ns = now_ns
        self._unheard = False
        device.receive(data)
        if not self._order.paced and not device.driving:
            self._advance(_ANSWER_S)

    def _watch(self, now_ns: int) -> None:
        """Be the dead man of an unpaced drive."""
        if self._dead_man_s and not self._unheard and (now_ns - self._heard_ns) / 1e9 > self._dead_man_s:
            self._unheard = True
            self._port.discard()
            self.bench.device.unheard()

    def _keep_pace(self, passed_s: float) -> None:
        """Let the robot's clock follow the wall's, in whole milliseconds."""
        self._behind_s = min(self._behind_s + passed_s, _FARTHEST_BEHIND_S)
        whole_s = int(self._behind_s * 1000) / 1000
        if whole_s > 0:
            self._behind_s -= whole_s
            self._advance(whole_s)

    def _advance(self, duration_s: float) -> None:
        device = self.bench.device
        was_driving = device.driving
        device.advance(device.now_s + duration_s)
        output = device.take_output()
        if output:
            self._port.write(output)
        if self._witness is not None and (was_driving or device.driving):
            self._witness.note("on the way")

    # The person's channel

    def _say(self, answer: Mapping[str, Any]) -> None:
        data = json.dumps(answer).encode() + b"\n"
        while data:
            data = data[os.write(self._out, data) :]

    def _hear_person(self) -> None:
        data = os.read(self._in, _LONGEST_LINE)
        if not data:
            self._ended = True
            return
        self._unread += data
        if len(self._unread) > _LONGEST_LINE:
            self._unread = b""
            self._say({"error": "that line is too long"})
            return
        *lines, self._unread = self._unread.split(b"\n")
        for line in lines:
            if line.strip() and not self._ended:
                self._say(self._do(line))

    def _do(self, line: bytes) -> Answer:
        actions: dict[str, Callable[[Mapping[str, Any]], Answer]] = {
            "place": self._place,
            "board": self._board,
            "observe": self._observe,
            "clock": lambda _: {"robot_s": self.bench.device.now_s},
            "end": self._end,
        }
        try:
            request = json.loads(line)
            action = actions.get(request["do"])
            if action is None:
                return {"error": f"there is nothing to do called {request['do']!r}; expected {', '.join(actions)}"}
            return action(request)
        except HilError as error:
            return {"error": str(error)}
        except (ValueError, KeyError, TypeError, IndexError) as error:
            return {"error": f"the request cannot be read ({type(error).__name__}: {error})"}

    def _place(self, request: Mapping[str, Any]) -> Answer:
        pose = _pose(request["pose"])
        if request.get("course_file"):
            self.bench.person.put_up(load_course(Path(request["course_file"])))
        self.bench.person.place(pose)
        if self._witness is not None:
            self._witness.note("placed")
        return {"done": True}

    def _board(self, request: Mapping[str, Any]) -> Answer:
        x, y = request["cell"]
        self.bench.person.lay_board((int(x), int(y)), _heading(request["side"]), float(request["thickness_mm"]))
        return {"done": True}

    def _observe(self, request: Mapping[str, Any]) -> Answer:
        return asdict(self.bench.person.observe(str(request["what"]), _pose(request["pose"])))

    def _end(self, _: Mapping[str, Any]) -> Answer:
        self._ended = True
        return {"done": True}


def _heading(value: object) -> Heading:
    if isinstance(value, str):
        return Heading[value.upper()]
    if isinstance(value, int):
        return Heading(value)
    raise TypeError(f"{value!r} is no heading")


def _pose(value: Sequence[Any]) -> CellPose:
    x, y, heading = value
    return CellPose(x=int(x), y=int(y), heading=_heading(heading))


def main(arguments: Sequence[str]) -> int:
    """Serve the order in `arguments` (or on the first line of standard input); return the exit status."""
    try:
        host = VirtualHost(
            read_order(arguments[0] if arguments else _first_line(0)), SystemClock(), person_in=0, person_out=1
        )
    except HilError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_status
    try:
        host.run()
    except BrokenPipeError:  # whoever started this process has gone
        return 0
    return 0


def _first_line(descriptor: int) -> str:
    """Read one line byte by byte: what follows it belongs to the person's channel."""
    line = bytearray()
    while len(line) <= _LONGEST_LINE:
        byte = os.read(descriptor, 1)
        if byte in (b"", b"\n"):
            break
        line += byte
    return line.decode("utf-8", "replace")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

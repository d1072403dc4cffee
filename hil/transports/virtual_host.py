"""The virtual robot in a process of its own, behind a pseudo-terminal or a TCP port on the loopback.

    python -m hil.transports.virtual_host '{"seed": 1, "robot_file": …, "protocols": {"main": …}, "course_file": …, …}'

The order (see `virtual_order`) may also come as the first line of standard input. The first line of standard output
says where the port is and what the jig session read: {"port": …, "virtual": true, "identity": …, "program": …,
"jig": {channel: [[distance_mm, lit, dark], …]}}. After that standard input and output are the person's channel (see
`virtual_person`). The end of standard input ends the process.

Paced, the robot's clock is the wall's. Unpaced, it is the wall's too while the robot stands, and a drive or a dump runs
as fast as the machine and the host's reading allow; its dead man counts the wall's time, so that speed never trips it.
A drive that was started at the robot has no dead man. A wheel that is turned by hand takes its time like a drive.

Where the protocol says `resets_on_open`, the robot starts anew whenever a host opens its port, with its banner again.

The truth leaves this process by one way only: the truth file, JSON lines for tests.
"""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Sequence
from pathlib import Path

from hil.errors import HilError, UsageError
from hil.measure.model import CellPose
from hil.simulator.at_work import Sign, idle_faults
from hil.simulator.bench import VirtualBench
from hil.simulator.faults import parse_faults
from hil.simulator.plant import Plant
from hil.spec.loading import load_course, load_protocol, load_robot
from hil.timing import Clock, SystemClock
from hil.transports.served_port import ServedPort
from hil.transports.virtual_order import Order, read_order
from hil.transports.virtual_person import LONGEST_LINE, Answer, PersonChannel
from hil.transports.virtual_witness import Witness

_IDLE_S = 0.004  # how often an idle robot looks about; a telemetry period is twice as long
_CHUNK_S = 0.02  # of robot time between two looks at the ports while it drives
_ANSWER_S = 0.01  # of robot time in which a request at rest is answered
_FARTHEST_BEHIND_S = 0.2  # a paced robot that is more behind than this lets the difference go
_ENOUGH_BYTES = 8192  # waiting for the host: an unpaced robot then waits with it
_STARTED_S = 0.1  # of robot time before anybody is told of it: what it boots with is then out
_SETTLE_S = 0.3  # of robot time after a drive: the slowest line is then out that was begun in it


class VirtualHost:
    """The loop of the process: port, person and robot, one thread, no blocking but in one `select`."""

    def __init__(self, order: Order, clock: Clock, person_in: int, person_out: int) -> None:
        self._robot_file = load_robot(order.robot_file)
        self._order = order
        self._clock = clock
        self._dead_man_s = self._robot_file.stop.dead_man_s
        self._program, protocol_file = order.program_of(self._robot_file, order.program)
        self.bench = VirtualBench(
            robot=self._robot_file.robot,
            dialect=load_protocol(protocol_file),
            course=load_course(order.course_file),
            seed=order.seed,
            faults=parse_faults(order.faults),
            dead_man_s=self._dead_man_s if order.paced else 0.0,
            unseen=order.unseen,
        )
        self._compile()
        self._witness = Witness(order.truth_file, self.bench) if order.truth_file else None
        if self._witness is not None:
            self.bench.device.witness = self._witness.report
        now_ns = clock.monotonic_ns()
        self._port = ServedPort(order.serve, order.link, now_ns)
        self._port.watch_hosts(watches=self.bench.device.dialect.boot.resets_on_open)
        self._in = person_in
        self._person = PersonChannel(self, person_in, person_out)
        self._ended = False
        self._signs: set[Sign] = set()  # what has come about at the port
        self._heard_ns = self._seen_ns = now_ns
        self._unheard = False
        self._behind_s = 0.0
        self._rests_at_s: float | None = None  # when the drive of the person has settled, by the robot's clock
        self._returns_ns: int | None = None  # when a lost port comes back

    def _compile(self) -> None:
        """Run another robot for a moment and let it look, so that nobody waits for the compiler in mid-conversation."""
        plant = self.bench.plant
        other = Plant(plant.truth, plant.world, self._order.seed)
        other.tick(0.1, 0.1)
        other.read_sensors()

    def run(self) -> None:
        """Serve until the person's channel ends."""
        self._advance(_STARTED_S)
        self._person.say({**self.where(), "virtual": True, "jig": self.bench.jig})
        try:
            while not self._ended:
                self._turn()
        finally:
            self._port.take_away()
            if self._witness is not None:
                self._witness.close()

    # One turn of the loop

    def _turn(self) -> None:
        is_settling = self._rests_at_s is not None and not self._has_rested()
        racing = not self._order.paced and (self.bench.device.is_busy or is_settling)
        held = racing and self._port.waiting_bytes > _ENOUGH_BYTES
        timeout_s = 0.0 if racing and not held else _IDLE_S
        readable, writable, _ = select.select([self._in, *self._port.readable], self._port.writable, [], timeout_s)
        now_ns = self._clock.monotonic_ns()
        passed_s, self._seen_ns = (now_ns - self._seen_ns) / 1e9, now_ns
        if writable:
            self._port.flush()
        self._port.look(now_ns)
        if self._port.has_opened():
            self.reset()
        if self._in in readable:
            self._person.hear()
        if any(descriptor in readable for descriptor in self._port.readable):
            self._hear_host(now_ns)
        if racing:
            self._watch(now_ns)
            if not held or self._unheard:
                self._advance(_CHUNK_S)
        else:
            self._keep_pace(passed_s)
        self._mind_the_port(now_ns)
        self._person.serve()

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
        """Be the dead man of an unpaced drive that the host asked for."""
        device = self.bench.device
        if not self._dead_man_s or not device.needs_host:
            self._heard_ns = now_ns
        elif not self._unheard and (now_ns - self._heard_ns) / 1e9 > self._dead_man_s:
            self._unheard = True
            self._port.discard()
            device.unheard()

    def _keep_pace(self, passed_s: float) -> None:
        """Let the robot's clock follow the wall's as well as its crystal does, in whole milliseconds."""
        own_s = passed_s * (1 + self.bench.truth.clock_error)
        self._behind_s = min(self._behind_s + own_s, _FARTHEST_BEHIND_S)
        whole_s = int(self._behind_s * 1000) / 1000
        if whole_s > 0:
            self._behind_s -= whole_s
            self._advance(whole_s)

    def _advance(self, duration_s: float) -> None:
        device = self.bench.device
        was_moving = device.is_moving
        device.advance(device.now_s + duration_s)
        output = device.take_output()
        if output:
            self._port.write(output)
        if was_moving and not device.is_moving and self._rests_at_s is not None:
            self._rests_at_s = device.now_s + _SETTLE_S
        if self._witness is not None and (was_moving or device.is_moving):
            self._witness.note("on the way")

    def _mind_the_port(self, now_ns: int) -> None:
        """Lose the port when its fault says so, and bring it back when another one does."""
        device = self.bench.device
        if self._returns_ns is not None:
            if now_ns >= self._returns_ns:
                self.retether()
                self._signs.add(Sign.PORT_BACK)
        elif device.port_lost and self._port.address is not None:
            self._port.take_away()
            self._signs.add(Sign.PORT_LOST)
            returns_s = self.bench.truth.wire.port_returns_s
            if returns_s is not None:
                self._returns_ns = now_ns + round(returns_s * 1e9)

    def _has_rested(self) -> bool:
        at_s, device = self._rests_at_s, self.bench.device
        return at_s is not None and not device.is_moving and device.now_s >= at_s

    # What the person's channel asks for

    def has_settled(self) -> bool:
        """Whether the robot stands and all that it said of the drive is out."""
        if not self._has_rested() or self._port.waiting_bytes:
            return False
        self._rests_at_s = None
        return True

    def wait_for_rest(self) -> None:
        """Go on as in a drive until `has_settled`."""
        self._rests_at_s = self.bench.device.now_s + _SETTLE_S

    def place(self, pose: CellPose, course_file: Path | None) -> None:
        """Put up a course, where one is given, and set the robot down."""
        if course_file is not None:
            self.bench.person.put_up(load_course(course_file))
        self.bench.wake()
        self.bench.person.place(pose)
        if self._witness is not None:
            self._witness.note("placed")

    def refuse_unless_it_drives(self) -> None:
        """Raise `UsageError` where the loaded program cannot drive."""
        if "driving" not in self._program.can:
            able = [program.name for program in self._robot_file.programs.values() if "driving" in program.can]
            raise UsageError(
                f"the program {self._program.name!r} does not drive",
                where="virtual robot",
                expected=f"one of {', '.join(able) or 'none that it has'} to be loaded",
            )

    def untether(self) -> None:
        """Unplug the cable."""
        self._returns_ns = None
        self._port.take_away()
        self.bench.device.unplug()

    def retether(self) -> str:
        """Plug the cable in and return the new port."""
        self._returns_ns = None
        self.bench.device.plug_in()
        return self._port.bring_back()

    def load(self, program: str) -> str:
        """Load a program and return the new port."""
        chosen, protocol_file = self._order.program_of(self._robot_file, program)
        dialect = load_protocol(protocol_file)
        if self.bench.device.driving:
            raise UsageError("the robot is driving and cannot be loaded", expected="a robot at rest")
        self._port.take_away()
        self.bench.boot(dialect)
        self._program = chosen
        self._port.watch_hosts(watches=dialect.boot.resets_on_open)
        return self.retether()

    def reset(self) -> None:
        """Press the reset button, or have the opened port do it: the program starts anew, and the port stays."""
        self.bench.boot(self.bench.device.dialect)
        if self._rests_at_s is not None:
            self.wait_for_rest()  # the new program's clock begins at nought

    def where(self) -> Answer:
        """Tell the port, the identity and the program, and which faults have not acted so far."""
        robot = self._robot_file.robot
        idle = idle_faults(parse_faults(self._order.faults), self.bench.device.signs | self._signs)
        return {
            "port": self._port.address,
            "identity": f"{robot.name} {robot.serial}",
            "program": self._program.name,
            "idle_faults": [list(one) for one in idle],
        }

    def end(self) -> None:
        """End the process."""
        self._ended = True


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
    while len(line) <= LONGEST_LINE:
        byte = os.read(descriptor, 1)
        if byte in (b"", b"\n"):
            break
        line += byte
    return line.decode("utf-8", "replace")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

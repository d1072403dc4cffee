"""The virtual robot as it is met at its port and at its buttons: bytes in, bytes out, in virtual time.

It speaks whatever dialect it is given: telemetry messages are filled by the names of their channels, events go into
the dialect's event messages, answers into its replies; which messages, and how often, is told in `channels`. What it
obeys is in `requests`, what it keeps in `logbook`. Refused at construction: a dialect whose telemetry asks for a
channel that this robot has not.

Motion depends on the seed, the faults and the drives only, whoever starts them and whatever is told meanwhile: while
the robot is idle its clock runs and nothing else does, and a drive begins with telemetry and task in step, whenever it
is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from hil.errors import UsageError
from hil.measure.model import PathElement, Robot
from hil.simulator.at_work import Sign
from hil.simulator.channels import Filling, Schedule
from hil.simulator.firmware.body import TICK_S
from hil.simulator.firmware.holds import TaskTimes
from hil.simulator.firmware.maze import Cell, MazeLogic
from hil.simulator.firmware.settings import Refusal
from hil.simulator.firmware.task import Firmware, Phase
from hil.simulator.gauges import LOOP_PERIOD, Gauges, banner_text
from hil.simulator.hand import HandTurning
from hil.simulator.logbook import LOG, MAP, SAMPLE_TICKS, Logbook
from hil.simulator.parameters import Truth
from hil.simulator.plant import Plant
from hil.simulator.recorder import Recorder
from hil.simulator.requests import Requests
from hil.simulator.sending import BlockSender
from hil.simulator.streams import Source
from hil.simulator.trail import EVERY_TICKS, Trail
from hil.simulator.uart import Uart
from hil.wire.dialect import Dialect
from hil.wire.fields import Value
from hil.wire.link import End, Link

BOOT_S = 0.3  # from reset to the banner, as of a boot loader; meanwhile it hears nothing
_OFF_TICKS = 3000  # after which a robot without power stands, whatever its grip


class VirtualRobot:
    """A robot on a port. `dead_man_s` is after how long without a byte a drive is stopped (0: the caller says so).

    Call `receive` with what came, `advance` to let time pass, `take_output` for what has left the wire by now.
    `witness` is told of every report as it happens: (event, robot time [s], detail).
    """

    def __init__(self, *, truth: Truth, robot: Robot, plant: Plant, dialect: Dialect, dead_man_s: float = 0.5) -> None:
        self.robot, self.plant, self.dialect = robot, plant, dialect
        self.firmware = Firmware(robot, faults=truth.firmware, seed=truth.seed)
        self.maze = MazeLogic(plant.world.course, plant.world.course.start)
        self.saved: Mapping[str, int] = {}  # settings as they are kept without power
        self.witness: Callable[[str, float, str], None] | None = None
        self.dead_man_s = dead_man_s
        self.drive_begun_s = self.drive_ended_s = 0.0
        self.ended_by = ""  # what cut the latest drive short
        self.trail = Trail()
        self.is_on = True
        self._signs: set[Sign] = set()
        # When the first byte came; the port counts as opened from then, or from power-on where nothing is listened to.
        self.heard_at_s: float | None = None if dialect.commands else 0.0
        self.readings: Mapping[str, tuple[int, int]] = {}
        self._link = Link(dialect, End.ROBOT)
        self._uart = Uart(
            baud=dialect.port.baud,
            bits_per_byte=dialect.port.bits_per_byte,
            lost_bytes=truth.wire.lost_bytes,
            flipped_bits=truth.wire.flipped_bits,
            seed=truth.seed,
        )
        self._lost_at_s = truth.wire.port_lost_at_s
        self._returns = truth.wire.port_returns_s is not None
        self._ticks = 0
        self._up_at = 1  # the tick in which the program begins
        self._phase_ticks = 0  # from which telemetry is counted
        self._last_heard_s = 0.0
        self._by_button = False  # the drive under way was started at the robot, and no host need be heard
        gauges = Gauges(self.firmware, plant, self.maze, now_s=lambda: self.now_s, readings=lambda: self.readings)
        filling = Filling(dialect, gauges.getters(), gauges.state_words)
        self._telemetry = Schedule(filling.reports())
        self._events = filling.events()
        self._logbook = Logbook(dialect, filling)
        self.hand: HandTurning | None = None  # while it turns a wheel
        self.recorder = Recorder(
            dialect,
            filling,
            plant=plant,
            firmware=self.firmware,
            times=TaskTimes(
                jitter_sd_s=truth.noises.release_sd_s, pause_s=truth.firmware.loop_pause_s, seed=truth.seed
            ),
            tell=self._tell_values,
        )
        self._blocks = BlockSender(dialect, self._link, self._logbook, self.maze, self.recorder)
        self._is_spin = False  # what goes on is no drive of a path
        self._requests = Requests(self, self._link)
        plant.sight.fire(None)

    def take_over(self, before: VirtualRobot) -> None:
        """Begin after a reset or with another program: only what needs no power and what people know has stayed."""
        self.saved = before.saved
        self.firmware.settings.restore(self.saved)
        self.maze.pose = before.maze.pose
        self.witness, self.trail = before.witness, before.trail
        self._signs |= before.signs
        self._up_at = round(BOOT_S / TICK_S)

    # The port

    @property
    def now_s(self) -> float:
        """The robot's clock, counted from power-on."""
        return self._ticks * TICK_S

    @property
    def driving(self) -> bool:
        """Whether a drive is under way, its rest included."""
        return self.firmware.phase is not Phase.IDLE and self.is_on

    @property
    def on_its_way(self) -> bool:
        """Whether it drives a path."""
        return self.driving and not self._is_spin

    @property
    def is_moving(self) -> bool:
        """Whether it drives, or a wheel of it is turned by hand."""
        return self.driving or self.hand is not None

    @property
    def is_busy(self) -> bool:
        """Whether it moves or sends a block."""
        return self.is_moving or self._blocks.is_sending

    @property
    def needs_host(self) -> bool:
        """Whether it drives only as long as the host is heard."""
        return self.driving and not self._by_button

    @property
    def signs(self) -> frozenset[Sign]:
        """What has come about since it was put on the bench, by which its faults are told to have acted."""
        told = {
            Sign.TURNED: any(self.plant.wheel_angles_rad),
            Sign.HELD: self.firmware.has_been_held or self.recorder.has_been_held,
            Sign.BYTES_LOST: self._uart.has_lost,
            Sign.BITS_FLIPPED: self._uart.has_flipped,
        }
        return frozenset(self._signs).union(sign for sign, is_so in told.items() if is_so)

    @property
    def port_lost(self) -> bool:
        """Whether the port has gone away by now."""
        if self._lost_at_s is None or self.heard_at_s is None:
            return False
        return self.now_s - self.heard_at_s >= self._lost_at_s

    def receive(self, data: bytes) -> None:
        """Put bytes of the host on the wire."""
        now_s = self.now_s
        if self.heard_at_s is None:
            self.heard_at_s = now_s
        self._last_heard_s = now_s
        self._uart.incoming.put(data, now_s)

    def take_output(self) -> bytes:
        """Return the bytes that have left the wire by now."""
        return self._uart.outgoing.take(self.now_s)

    def send(self, data: bytes) -> None:
        """Put a line on the wire."""
        self._uart.send(data, self.now_s)

    def unplug(self) -> None:
        """Take note that there is no port any more: a block under way is broken off."""
        self._blocks.break_off()

    def plug_in(self) -> None:
        """Take note that there is a port again, which is opened anew."""
        self.heard_at_s = None if self.dialect.commands else self.now_s

    def unheard(self) -> None:
        """Stop a drive under way: by the wall's clock the host has not been heard for too long."""
        if not self._by_button:
            self.firmware.stop("dead-man", self.now_s)

    def advance(self, until_s: float) -> None:
        """Let time pass to `until_s` on the robot's clock, or until the port is lost for good."""
        last = round(until_s / TICK_S)
        may_end = self._lost_at_s is not None and not self._returns
        while self._ticks < last and not (may_end and self.port_lost):
            self._tick()

    # The buttons

    def start(self, path: Sequence[PathElement], *, speed_mm_s: float, by_wall: bool) -> None:
        """Begin a drive by the button; raises `UsageError` where the robot does not start."""
        self._press(lambda: self.begin(path, speed_mm_s, by_wall=by_wall))

    def start_for(self, cell: Cell, *, speed_mm_s: float) -> None:
        """Begin a drive to a cell by the button; raises `UsageError` where the robot does not start."""
        self._press(lambda: self.begin(self.way_to(cell), speed_mm_s, by_wall=self.stops_by_wall))

    def start_spin(self, left: float, right: float, duration_s: float) -> None:
        """Begin a spin by the button; raises `UsageError` where the robot does not start."""
        if not (left or right):
            raise UsageError("a spin at no duty is none", where="virtual robot", expected="a duty of one wheel")
        self._press(lambda: self.spin(left, right, duration_s))

    def _press(self, begin: Callable[[], None]) -> None:
        while self._ticks <= self._up_at:
            self._tick()
        try:
            begin()
        except Refusal as refusal:
            raise UsageError(f"the robot does not start ({refusal.reason})", where="virtual robot") from None
        self._by_button = True
        # A request is obeyed inside a tick, whose lines are then those of the drive's first instant.
        self._after_task()

    def press_dump(self, what: str) -> None:
        """Begin to send a block by the button; raises `UsageError` where there is none to send."""
        try:
            self.dump(what)
        except Refusal as refusal:
            kept = [spec.name for spec in self.dialect.blocks if spec.name in (LOG, MAP)]
            raise UsageError(
                f"the robot does not send its {what} ({refusal.reason})",
                where=f"protocol {self.dialect.name!r}",
                expected=" or ".join(kept) or "a protocol with a block message for it, which this one has not",
            ) from None

    def switch_off(self) -> None:
        """Take its power away: it brakes to a stand, says nothing more and forgets what it has not saved."""
        if not self.is_on:
            return
        if self.is_moving:
            self.drive_ended_s, self.ended_by, self.maze.pose = self.now_s, "switched off", None
        self.is_on, self.hand = False, None
        self._blocks.break_off()
        self._logbook.clear()
        self.recorder.clear()
        for _ in range(_OFF_TICKS):
            if self.plant.at_rest:
                break
            self.plant.tick(0.0, 0.0)

    # What requests and buttons do

    def begin(self, path: Sequence[PathElement], speed_mm_s: float, *, by_wall: bool) -> None:
        """Begin a drive; raise `Refusal` where it cannot be done."""
        if self._blocks.is_sending:
            raise Refusal("busy")
        self.firmware.begin(self.plant, path, speed_mm_s=speed_mm_s, by_wall=by_wall, now_s=self.now_s)
        self.maze.begin(path)
        self.plant.sight.fire(None)
        self._logbook.begin_drive()
        self._begun(is_spin=False)
        if by_wall:
            self._signs.add(Sign.DROVE_TO_WALL)

    def spin(self, left: float, right: float, duration_s: float) -> None:
        """Turn the wheels at duties, or otherwise than now; raise `Refusal` where it cannot be done."""
        if self._blocks.is_sending:
            raise Refusal("busy")
        went_on = self.driving
        self.firmware.spin(self.plant, left, right, duration_s=duration_s, now_s=self.now_s)
        if self.driving and not went_on:
            self.maze.pose = None  # a robot that was left on the floor is then somewhere else
            self._begun(is_spin=True)

    def _begun(self, *, is_spin: bool) -> None:
        self._is_spin, self._by_button = is_spin, False
        self._phase_ticks = self._ticks
        self.drive_begun_s = self.now_s
        self.ended_by = ""
        self._signs |= {Sign.POWERED} if self.plant.on_stand else {Sign.POWERED, Sign.DROVE}

    def way_to(self, cell: Cell) -> tuple[PathElement, ...]:
        """Return the path to a cell by the maze logic; raise `Refusal` where there is none."""
        if self.is_busy:
            raise Refusal("busy")
        return self.maze.way_to(cell, ("none", "left", "right", "both")[self.firmware.settings.get("follow")])

    @property
    def stops_by_wall(self) -> bool:
        """Whether a wall may end a straight of the maze logic."""
        return self.firmware.settings.get("stop-by") == 1

    def stream(self, period_ticks: int) -> None:
        """Send telemetry at a period, or none (0) but what comes unasked."""
        self._telemetry.ask(period_ticks)
        if not self.driving:
            self._phase_ticks = self._ticks

    def dump(self, what: str) -> None:
        """Begin to send a block, of what is kept by that name; raise `Refusal` where it cannot be done."""
        self._blocks.refuse_unknown(what)
        if self.is_busy:
            raise Refusal("busy")
        self._blocks.begin(what)

    # One millisecond

    def _tick(self) -> None:
        self._ticks += 1
        if not self.is_on or self._ticks <= self._up_at:
            self._without_program()
            return
        now_s = self._ticks * TICK_S
        firmware = self.firmware
        runs = True
        if firmware.phase is not Phase.IDLE:
            self.plant.tick(firmware.duty_left, firmware.duty_right, firmware.ways)
            runs = firmware.tick(self.plant, now_s)
            if self.dead_man_s and not self._by_button and now_s - self._last_heard_s > self.dead_man_s:
                firmware.stop("dead-man", now_s)
            if self._ticks % EVERY_TICKS == 0:
                self.trail.passed(self.plant.x_mm, self.plant.y_mm)
        else:
            self.plant.rest()
            if self.hand is not None and self.hand.turn(self.plant):
                self.hand, self.drive_ended_s = None, now_s
        if not self._uart.incoming.empty:
            data = self._uart.incoming.take(now_s)
            if data:
                self._requests.obey(data)
        # A held task sends and keeps nothing either: the same processor would have to.
        if runs:
            self._after_task()
        elif firmware.reports:
            self._report()
        self.recorder.tick(now_s, runs=runs, tells=not self._blocks.is_sending)

    def _without_program(self) -> None:
        self._uart.incoming.take(self.now_s)
        if self.is_on and self._ticks == self._up_at:
            banner = banner_text(self.dialect)
            if banner:
                self.send(self._link.booted(banner))

    def _after_task(self) -> None:
        if self.firmware.reports:
            self._report()
        if self._blocks.is_sending:
            self._blocks.go_on(self._uart, self.now_s)
        else:
            self._tell()
        is_due = (self._ticks - self._phase_ticks) % SAMPLE_TICKS == 0
        if is_due and self.on_its_way and self._logbook.keeps_samples:
            self.readings = self.plant.read_sensors(Source.SENSORS_LOGGED)
            self._logbook.sample()

    def _tell(self) -> None:
        due = self._telemetry.due(self._ticks - self._phase_ticks)
        if not due:
            return
        self.readings = self.plant.read_sensors(Source.SENSORS_TOLD if self.driving else Source.SENSORS_AT_REST)
        for report in due:
            values = {channel: get() for channel, get in report.filled}
            self._tell_values(report.name, values)
            if LOOP_PERIOD in values:
                self.firmware.longest_period_s = TICK_S

    def _tell_values(self, message: str, values: Mapping[str, Value]) -> None:
        self._uart.send(self._link.telemetry(message, values), self.now_s, is_telemetry=True)

    def _report(self) -> None:
        for event, time_s, detail in self.firmware.reports:
            self._take_note(event, time_s, detail)
            if self.witness is not None:
                self.witness(event, time_s, detail)
            told = self._events.get(event)
            if told is None:
                continue
            values: dict[str, Value] = {name: time_s if name == "time" else get() for name, get in told[1]}
            self.send(self._link.event(event, {**values, "detail": detail}))
        self.firmware.reports.clear()

    def _take_note(self, event: str, time_s: float, detail: str) -> None:
        if not self._is_spin:
            self._logbook.event(event, time_s, detail)
        if event == "front.reset":
            self._signs.add(Sign.FRONT_RESET)
        if event == "move.begin":
            self.trail.begin(self.plant.x_mm, self.plant.y_mm)
        elif event in ("move.end", "turn.end"):
            self.maze.reached(int(detail))
            if event == "move.end":
                self.trail.end(self.plant.x_mm, self.plant.y_mm)
        elif event == "idle":
            self.drive_ended_s = time_s
            self.ended_by = "" if detail.isdigit() else detail
            self.maze.ended()

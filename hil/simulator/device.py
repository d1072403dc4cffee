"""The virtual robot as it is met at its port: bytes in, bytes out, in virtual time.

It speaks whatever dialect it is given: telemetry messages are filled by the names of their channels, events go into
the dialect's event messages, answers into its replies; how often is told in `channels`. A request that comes again is
answered again and not done again. Refused at construction: a dialect whose telemetry asks for a channel that this
robot has not.

Motion depends on the seed, the faults and the drives only, whoever starts them and whatever is told meanwhile: while
the robot is idle its clock runs and nothing else does, and a drive begins with telemetry and task in step, whenever it
is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from hil.errors import UsageError, WireError
from hil.measure.model import ElementKind, PathElement, Robot
from hil.simulator.channels import SLOW_TICKS, Filling, Getter, Report
from hil.simulator.firmware.body import TICK_S
from hil.simulator.firmware.settings import Refusal
from hil.simulator.firmware.task import VERSION, Firmware, Phase
from hil.simulator.parameters import Truth
from hil.simulator.plant import Plant
from hil.simulator.streams import Source
from hil.simulator.uart import Uart
from hil.wire.dialect import Dialect, Verdict
from hil.wire.fields import Value
from hil.wire.link import End, Link
from hil.wire.path import PathCodec
from hil.wire.received import Commanded

Values = Mapping[str, Value]

_LONGEST_PERIOD_S = 10.0
_LOOP_PERIOD = "loop.period"  # the longest since it was told last
_DRIVING = "driving"  # what `get` answers with 1 or 0
_STATES = {phase: number for number, phase in enumerate(Phase)}


class VirtualRobot:
    """A robot on a port. `dead_man_s` is after how long without a byte a drive is stopped (0: the caller says so).

    Call `receive` with what came, `advance` to let time pass, `take_output` for what has left the wire by now.
    `witness` is told of every report as it happens: (event, robot time [s], detail).
    """

    def __init__(self, *, truth: Truth, robot: Robot, plant: Plant, dialect: Dialect, dead_man_s: float = 0.5) -> None:
        self.robot = robot
        self.plant = plant
        self.firmware = Firmware(robot, faults=truth.firmware, seed=truth.seed)
        self.witness: Callable[[str, float, str], None] | None = None
        self.dead_man_s = dead_man_s
        self.drive_begun_s = self.drive_ended_s = 0.0
        self.heard_at_s: float | None = None  # when the first byte came; the port counts as opened from then
        self._link = Link(dialect, End.ROBOT)
        self._path = PathCodec(dialect.path) if dialect.path else None
        self._uart = Uart(
            baud=dialect.port.baud,
            bits_per_byte=dialect.port.bits_per_byte,
            lost_bytes=truth.wire.lost_bytes,
            flipped_bits=truth.wire.flipped_bits,
            seed=truth.seed,
        )
        self._lost_at_s = truth.wire.port_lost_at_s
        self._ticks = 0
        self._phase_ticks = 0  # from which telemetry is counted
        self._last_heard_s = 0.0
        self._by_button = False  # the drive under way was started at the robot, and no host need be heard
        self._readings: Mapping[str, tuple[int, int]] = {}
        filling = Filling(dialect, self._getters(), self._state_words)
        self._reports = filling.reports()
        self._events = filling.events()
        self._asked_ticks = 0  # period of the telemetry that was asked for; 0: none was
        self._due = self._schedule()
        self._actions: dict[str, Callable[[Values], str]] = {
            "identify": lambda _: f"{robot.name} {robot.serial} {VERSION}",
            "stop": self._stop,
            "stream": self._stream,
            "get": self._get,
            "set": self._set,
            "drive": self._drive,
            "alive": lambda _: "",
        }

    # The port

    @property
    def now_s(self) -> float:
        """The robot's clock, counted from power-on."""
        return self._ticks * TICK_S

    @property
    def driving(self) -> bool:
        """Whether a drive is under way, its rest included."""
        return self.firmware.phase is not Phase.IDLE

    @property
    def has_input(self) -> bool:
        """Whether bytes from the host are still on the wire."""
        return not self._uart.incoming.empty

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

    def unheard(self) -> None:
        """Stop a drive under way: by the wall's clock the host has not been heard for too long."""
        if not self._by_button:
            self.firmware.stop("dead-man", self.now_s)

    def start(self, path: Sequence[PathElement], *, speed_mm_s: float, by_wall: bool) -> None:
        """Begin a drive by the button; raises `UsageError` where the robot does not start."""
        try:
            self._begin(path, speed_mm_s, by_wall=by_wall)
        except Refusal as refusal:
            raise UsageError(f"the robot does not start ({refusal.reason})", where="virtual robot") from None
        self._by_button = True

    def advance(self, until_s: float) -> None:
        """Let time pass to `until_s` on the robot's clock, or until the port is lost."""
        last = round(until_s / TICK_S)
        while self._ticks < last and not (self._lost_at_s is not None and self.port_lost):
            self._tick()

    # One millisecond

    def _tick(self) -> None:
        self._ticks += 1
        now_s = self._ticks * TICK_S
        firmware = self.firmware
        runs = True
        if firmware.phase is not Phase.IDLE:
            self.plant.tick(firmware.duty_left, firmware.duty_right)
            runs = firmware.tick(self.plant, now_s)
            if self.dead_man_s and not self._by_button and now_s - self._last_heard_s > self.dead_man_s:
                firmware.stop("dead-man", now_s)
        if not self._uart.incoming.empty:
            data = self._uart.incoming.take(now_s)
            if data:
                self._obey(data)
        if firmware.reports:
            self._report()
        # A held task sends nothing either: the same processor would have to.
        if self._due and runs:
            self._tell(now_s)

    def _schedule(self) -> tuple[tuple[int, Report], ...]:
        """Return the telemetry that is sent now, each message with its period in ticks."""
        asked = self._asked_ticks
        due = [
            (report.period_ticks or (asked if report.is_fast else max(asked, SLOW_TICKS)), report)
            for report in self._reports
            if report.period_ticks or asked
        ]
        return tuple(due)

    def _tell(self, now_s: float) -> None:
        since = self._ticks - self._phase_ticks
        due = [report for period, report in self._due if since % period == 0]
        if not due:
            return
        self._readings = self.plant.read_sensors(Source.SENSORS_TOLD if self.driving else Source.SENSORS_AT_REST)
        for report in due:
            values = {channel: get() for channel, get in report.filled}
            self._uart.send(self._link.telemetry(report.name, values), now_s, is_telemetry=True)
            if _LOOP_PERIOD in values:
                self.firmware.longest_period_s = TICK_S

    def _report(self) -> None:
        now_s = self.now_s
        for event, time_s, detail in self.firmware.reports:
            if event == "idle":
                self.drive_ended_s = time_s
            if self.witness is not None:
                self.witness(event, time_s, detail)
            told = self._events.get(event)
            if told is None:
                continue
            values: dict[str, Value] = {name: time_s if name == "time" else get() for name, get in told[1]}
            self._uart.send(self._link.event(event, {**values, "detail": detail}), now_s)
        self.firmware.reports.clear()

    # Requests

    def _obey(self, data: bytes) -> None:
        for received in self._link.receive(data):
            if not isinstance(received, Commanded):
                continue
            if received.repeated:
                if received.again:
                    self._uart.send(received.again, self.now_s)
                continue
            verdict = Verdict.ACCEPTED
            try:
                act = self._actions.get(received.action)
                if act is None:
                    raise Refusal("unknown-request")
                answer = act(received.values)
            except Refusal as refusal:
                verdict, answer = Verdict.REFUSED, refusal.reason
            if received.tag is not None:
                self._uart.send(self._link.reply(received.tag, verdict, answer), self.now_s)

    def _stop(self, _: Values) -> str:
        self.firmware.stop("stopped", self.now_s)
        return "stopped"

    def _stream(self, values: Values) -> str:
        period_s = _number(values["period"])
        if not 0 <= period_s <= _LONGEST_PERIOD_S:
            raise Refusal("out-of-range")
        self._asked_ticks = round(period_s / TICK_S)
        self._due = self._schedule()
        if not self.driving:
            self._phase_ticks = self._ticks
        return str(self._asked_ticks)

    def _get(self, values: Values) -> str:
        name = str(values["name"])
        # Not a setting: it lets a host that missed an event find out whether a drive is still under way.
        return str(int(self.driving)) if name == _DRIVING else str(self.firmware.settings.get(name))

    def _set(self, values: Values) -> str:
        if self.driving:
            raise Refusal("busy")
        return str(self.firmware.settings.set(str(values["name"]), round(_number(values["value"]))))

    def _drive(self, values: Values) -> str:
        if self._path is None:
            raise Refusal("unknown-request")
        try:
            words = self._path.decode(str(values["path"]))
        except WireError:
            raise Refusal("bad-path") from None
        path = tuple(
            PathElement(kind=ElementKind(word), cells=cells, tracking=tracking) for word, cells, tracking in words
        )
        speed_mm_s = _number(values.get("speed", self.robot.speed_mm_s))
        self._begin(path, speed_mm_s, by_wall=values.get("front", "wall") == "wall")
        self._by_button = False
        return str(len(path))

    def _begin(self, path: Sequence[PathElement], speed_mm_s: float, *, by_wall: bool) -> None:
        self.firmware.begin(self.plant, path, speed_mm_s=speed_mm_s, by_wall=by_wall, now_s=self.now_s)
        self._phase_ticks = self._ticks
        self.drive_begun_s = self.now_s

    # Channels

    def _getters(self) -> dict[str, Getter]:
        """Return what this robot can report, by canonical channel, in the channel's unit."""
        firmware, plant = self.firmware, self.plant
        getters: dict[str, Getter] = {
            "time": lambda: self.now_s,
            "encoder.left": lambda: self.plant.counts_left,
            "encoder.right": lambda: self.plant.counts_right,
            "supply.battery": lambda: self.plant.battery_v,
            "supply.motor": lambda: self.plant.battery_v,
            "duty.left": lambda: firmware.duty_left,
            "duty.right": lambda: firmware.duty_right,
            _LOOP_PERIOD: lambda: firmware.longest_period_s,
            "state": lambda: _STATES[firmware.phase],
        }

        def reading(channel: str, index: int) -> Getter:
            return lambda: self._readings[channel][index]

        for channel in plant.channels:
            getters[channel] = reading(channel, 0)
            getters[f"{channel}.dark"] = reading(channel, 1)
        return getters

    def _state_words(self) -> tuple[str, ...]:
        """Return words for what the robot does, the fittest first."""
        low = self.plant.battery_v * 1000 < self.firmware.settings.get("battery-lowest")
        return (*(("battery low",) if low else ()), self.firmware.phase.value, "sensing")


def _number(value: Value) -> float:
    """Return an argument that must be a number."""
    if isinstance(value, tuple):
        raise Refusal("bad-number")
    try:
        return float(value)
    except ValueError:
        raise Refusal("bad-number") from None

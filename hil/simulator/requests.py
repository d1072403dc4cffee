"""What the virtual robot does when it is asked over its port, and what it answers.

A request that comes again is answered again and not done again. Refusals are words: unknown-request, busy, bad-path,
bad-speed, low-battery, unknown-name, out-of-range; of a goal also unknown-cell, no-way, here (it stands there already)
and lost (its last drive was cut short, and it was not placed since).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from hil.errors import WireError
from hil.measure.model import ElementKind, PathElement, Robot
from hil.simulator.firmware.body import TICK_S
from hil.simulator.firmware.maze import Cell
from hil.simulator.firmware.settings import Refusal
from hil.simulator.firmware.task import LONGEST_SPIN_S, VERSION, Firmware
from hil.simulator.logbook import LOG, MAP
from hil.simulator.plant import Plant
from hil.simulator.recorder import EDGES, TICKS, Recorder
from hil.wire.dialect import Dialect, Verdict
from hil.wire.fields import Value
from hil.wire.link import Link
from hil.wire.path import PathCodec
from hil.wire.received import Commanded

Values = Mapping[str, Value]

_LONGEST_PERIOD_S = 10.0
_ALL = "all"  # emitters, each while its own detector is read, until a drive begins at the latest
_DRIVING = "driving"  # what `get` answers with 1 or 0


class Device(Protocol):
    """The robot that obeys."""

    robot: Robot
    firmware: Firmware
    plant: Plant
    dialect: Dialect
    recorder: Recorder
    saved: Mapping[str, int]

    @property
    def now_s(self) -> float:
        """Its clock."""

    @property
    def driving(self) -> bool:
        """Whether a drive is under way."""

    @property
    def on_its_way(self) -> bool:
        """Whether it drives a path."""

    @property
    def stops_by_wall(self) -> bool:
        """Whether a wall may end a straight of the maze logic."""

    def send(self, data: bytes) -> None:
        """Put a line on the wire."""

    def begin(self, path: Sequence[PathElement], speed_mm_s: float, *, by_wall: bool) -> None:
        """Begin a drive; raise `Refusal` where it cannot be done."""

    def spin(self, left: float, right: float, duration_s: float) -> None:
        """Turn the wheels at duties, or otherwise than now; raise `Refusal` where it cannot be done."""

    def way_to(self, cell: Cell) -> tuple[PathElement, ...]:
        """Return the path to a cell by the maze logic; raise `Refusal` where there is none."""

    def stream(self, period_ticks: int) -> None:
        """Send telemetry at a period, or none (0) but what comes unasked."""

    def dump(self, what: str) -> None:
        """Begin to send a block; raise `Refusal` where it cannot be done."""


class Requests:
    """Obeys what comes over `link` for `device`."""

    def __init__(self, device: Device, link: Link) -> None:
        self._device = device
        self._link = link
        self._path = PathCodec(device.dialect.path) if device.dialect.path else None
        robot = device.robot
        self._actions: dict[str, Callable[[Values], str]] = {
            "identify": lambda _: f"{robot.name} {robot.serial} {VERSION}",
            "stop": self._stop,
            "stream": self._stream,
            "get": self._get,
            "set": self._set,
            "save": self._save,
            "drive": self._drive,
            "goal": self._goal,
            "spin": self._spin,
            "emit": self._emit,
            "sample": self._sample,
            "record.edges": lambda values: self._record(EDGES, values),
            "record.ticks": lambda values: self._record(TICKS, values),
            "provoke": self._provoke,
            "dump.edges": lambda _: self._dump_recorded(EDGES),
            "dump.ticks": lambda _: self._dump_recorded(TICKS),
            "dump.log": lambda _: self._dump(LOG),
            "dump.map": lambda _: self._dump(MAP),
            "alive": lambda _: "",
        }

    def obey(self, data: bytes) -> None:
        """Take in bytes, do what they ask for, and send the answers."""
        for received in self._link.receive(data):
            said = self._link.said_unasked()
            if said:
                self._device.send(said)
            if isinstance(received, Commanded):
                self._answer(received)
        said = self._link.said_unasked()
        if said:
            self._device.send(said)

    def _answer(self, request: Commanded) -> None:
        if request.repeated:
            if request.again:
                self._device.send(request.again)
            return
        verdict = Verdict.ACCEPTED
        try:
            act = self._actions.get(request.action)
            if act is None:
                raise Refusal("unknown-request")
            answer = act(request.values)
        except Refusal as refusal:
            verdict, answer = Verdict.REFUSED, refusal.reason
        if request.tag is not None or self._link.expects_answer(request.action):
            self._device.send(self._link.reply(request.tag, verdict, answer, request.action))

    def _stop(self, _: Values) -> str:
        self._device.firmware.stop("stopped", self._device.now_s)
        return "stopped"

    def _stream(self, values: Values) -> str:
        period_s = _number(values["period"])
        if not 0 <= period_s <= _LONGEST_PERIOD_S:
            raise Refusal("out-of-range")
        period_ticks = round(period_s / TICK_S)
        self._device.stream(period_ticks)
        return str(period_ticks)

    def _get(self, values: Values) -> str:
        name = str(values["name"])
        # Not a setting: it lets a host that missed an event find out whether a drive is still under way.
        return str(int(self._device.driving)) if name == _DRIVING else str(self._device.firmware.settings.get(name))

    def _set(self, values: Values) -> str:
        if self._device.driving:
            raise Refusal("busy")
        return str(self._device.firmware.settings.set(str(values["name"]), round(_number(values["value"]))))

    def _save(self, _: Values) -> str:
        self._device.saved = self._device.firmware.settings.saved()
        return "saved"

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
        self._device.begin(path, self._speed(values), by_wall=values.get("front", "wall") == "wall")
        return str(len(path))

    def _goal(self, values: Values) -> str:
        x, y = (round(_number(values.get(name, values.get(f"cell.{name}", -1)))) for name in ("x", "y"))
        path = self._device.way_to((x, y))
        self._device.begin(path, self._speed(values), by_wall=self._device.stops_by_wall)
        return str(len(path))

    def _spin(self, values: Values) -> str:
        duration_s = _number(values.get("duration", LONGEST_SPIN_S))
        self._device.spin(_number(values["left"]), _number(values["right"]), duration_s)
        return "spinning" if self._device.driving else ""

    def _emit(self, values: Values) -> str:
        self._refuse_on_its_way()
        channel, sight = str(values["channel"]), self._device.plant.sight
        if channel not in (*sight.channels, _ALL):
            raise Refusal("unknown-name")
        sight.fire(None if channel == _ALL else channel)
        return channel

    def _sample(self, values: Values) -> str:
        self._refuse_on_its_way()
        self._device.recorder.sample(_number(values["period"]))
        return "sampling" if values["period"] else ""

    def _record(self, what: str, values: Values) -> str:
        self._refuse_on_its_way()
        self._device.recorder.record(what, _number(values["duration"]), self._device.now_s)
        return what

    def _provoke(self, values: Values) -> str:
        self._refuse_on_its_way()
        name = str(values["name"]).replace("-", " ")
        self._device.recorder.provoke(name, _number(values.get("duration", 0.0)), self._device.now_s)
        return name

    def _refuse_on_its_way(self) -> None:
        if self._device.on_its_way:
            raise Refusal("busy")

    def _dump_recorded(self, what: str) -> str:
        self._device.dump(what)
        return self._device.recorder.told(what)

    def _dump(self, what: str) -> str:
        self._device.dump(what)
        return what

    def _speed(self, values: Values) -> float:
        return _number(values.get("speed", self._device.robot.speed_mm_s))


def _number(value: Value) -> float:
    """Return an argument that must be a number."""
    if isinstance(value, tuple):
        raise Refusal("bad-number")
    try:
        return float(value)
    except ValueError:
        raise Refusal("bad-number") from None

"""The virtual robot's process, seen from the engine: started, greeted, spoken to as its person, and ended.

The engine knows nothing of the simulator: it starts a process, reads one line that says where the port is, opens that
port like any other, and talks to the virtual person in lines of JSON. The person answers with an instrument's noise;
what the robot's true place is never comes over.
"""

from __future__ import annotations

import json
import math
import os
import selectors
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from hil.engine.operator import Correction, DriveOrder, Reading, nothing_to_do, two_offsets, u_of
from hil.errors import BenchError, InternalError
from hil.measure.model import CellPose
from hil.measure.readings import FRONT, REAR
from hil.spec.robot_values import Program
from hil.spec.suite_values import Board, Instrument, Observe
from hil.timing import Clock

_HELLO_S = 120.0  # on a new machine the simulator is compiled first
_ANSWER_S = 20.0
_DRIVES = ("start", "goal", "spin", "turn wheel")  # are answered when the robot stands
_DRIVE_S = 600.0
_END_S = 3.0
_LOOK_S = 0.02  # between two looks at the ports while the person is at work
_LONGEST_LINE = 1 << 20  # the hello carries some hundreds of jig readings; nothing is longer


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualRobotOrder:
    """What is asked of the virtual robot's process; files by their paths."""

    robot_file: Path
    protocol_file: Path
    course_file: Path
    seed: int
    faults: tuple[str, ...] = ()
    paced: bool = False
    serve: str = "pty"  # or "socket", a TCP port on the loopback
    truth_file: Path | None = None
    # Where the robot carries several programs: which is loaded first, and the protocol file of each.
    program: str = ""
    protocols: Mapping[str, Path] = field(default_factory=dict)
    link: Path | None = None  # a name that leads to the pseudo-terminal, whatever that is called at the moment
    unseen: float = 0.0  # the share of what its person could not see when asked


class VirtualProcess:
    """A virtual robot in a process of its own. Used as a context; leaving it ends the process."""

    def __init__(self, order: VirtualRobotOrder, clock: Clock) -> None:
        self._clock = clock
        arguments = {
            "robot_file": str(order.robot_file),
            "protocol_file": str(order.protocol_file),
            "course_file": str(order.course_file),
            "seed": order.seed,
            "faults": list(order.faults),
            "paced": order.paced,
            "serve": order.serve,
            "truth_file": str(order.truth_file) if order.truth_file else None,
            "program": order.program or None,
            "link": str(order.link) if order.link else None,
            "unseen": order.unseen,
            "protocols": {name: str(path) for name, path in order.protocols.items()} or None,
        }
        # The program is our own interpreter and our own module; no shell, nothing of a user's file is executed.
        self._process = subprocess.Popen(  # noqa: S603
            [sys.executable, "-P", "-m", "hil.transports.virtual_host", json.dumps(arguments)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,  # Ctrl-C is for us: we stop the robot first and end the process then
        )
        if self._process.stdout is None or self._process.stdin is None:
            raise InternalError("the virtual robot's process has no pipes")
        self._stdout = self._process.stdout.fileno()
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._stdout, selectors.EVENT_READ)
        self._unread = b""
        self._is_waiting = False
        self._last_words: list[str] = []
        self._asked = 0
        try:
            self.hello = self._line(_HELLO_S)
        except BaseException:
            self.close()
            raise

    @property
    def has_ended(self) -> bool:
        """Whether the process has ended by itself."""
        return self._process.poll() is not None

    @property
    def port(self) -> str:
        """The address of the robot's serial port."""
        return str(self.hello["port"])

    def where(self) -> str:
        """Return the address of the port as it is now, "" while it has none or the person is at work."""
        if self._is_waiting:
            return ""  # answers come in order: this one would come after the person's
        return str(self.ask({"do": "where"})["port"] or "")

    def idle_faults(self) -> tuple[tuple[str, str], ...]:
        """Return the faults that have not acted, as they were written, each with the reason."""
        if self._is_waiting or self.has_ended:
            return ()
        return tuple((str(fault), str(why)) for fault, why in self.ask({"do": "where"})["idle_faults"])

    def ask(self, request: Mapping[str, Any], idle: Callable[[], None] = nothing_to_do) -> dict[str, Any]:
        """Send one request to the virtual person and return the answer; `idle` is called while it is waited for.

        Requests are numbered: one that was interrupted is still answered, and its answer is not the next one's.
        """
        if self._process.stdin is None:
            raise InternalError("the virtual robot's process has no input")
        self._asked += 1
        number = self._asked
        try:
            self._process.stdin.write(json.dumps({**request, "id": number}).encode() + b"\n")
            self._process.stdin.flush()
        except (OSError, ValueError) as error:  # a pipe that is closed already is a wrong value
            raise self._gone(str(error)) from None
        self._is_waiting = True
        try:
            limit_s = _DRIVE_S if request.get("do") in _DRIVES else _ANSWER_S
            answer = self._line(limit_s, idle)
            while answer.get("id", number) != number:
                answer = self._line(limit_s, idle)
        finally:
            self._is_waiting = False
        if "error" in answer:
            raise BenchError(f"the virtual person cannot do that: {answer['error']}", where="the virtual robot")
        return answer

    def begin(self, request: Mapping[str, Any]) -> None:
        """Send one request and do not wait for its answer; `is_done` looks for it."""
        if self._process.stdin is None:
            raise InternalError("the virtual robot's process has no input")
        self._asked += 1
        try:
            self._process.stdin.write(json.dumps({**request, "id": self._asked}).encode() + b"\n")
            self._process.stdin.flush()
        except (OSError, ValueError) as error:  # a pipe that is closed already is a wrong value
            raise self._gone(str(error)) from None
        self._is_waiting = True

    def is_done(self) -> bool:
        """Tell whether what was begun last has been answered; raises what the person could not do."""
        while self._is_waiting and (b"\n" in self._unread or self._selector.select(0)):
            answer = self._line(_ANSWER_S)
            if answer.get("id") == self._asked:
                self._is_waiting = False
                if "error" in answer:
                    raise BenchError(f"the virtual person cannot do that: {answer['error']}", where="the virtual robot")
        return not self._is_waiting

    def _line(self, limit_s: float, idle: Callable[[], None] = nothing_to_do) -> dict[str, Any]:
        end_ns = self._clock.monotonic_ns() + int(limit_s * 1e9)
        while b"\n" not in self._unread:
            left_s = (end_ns - self._clock.monotonic_ns()) / 1e9
            if left_s <= 0 or len(self._unread) > _LONGEST_LINE:
                raise self._gone(f"no answer within {limit_s:.0f} s")
            idle()
            if not self._selector.select(min(left_s, _LOOK_S)):
                continue
            data = os.read(self._stdout, 65536)
            if not data:
                raise self._gone("its process ended")
            self._unread += data
        line, self._unread = self._unread.split(b"\n", 1)
        answer = json.loads(line)
        if not isinstance(answer, dict):
            raise InternalError("the virtual robot's process said something that is no object")
        return answer

    def _gone(self, why: str) -> BenchError:
        self._process.kill()
        if not self._last_words:  # what it said can be read once only
            _, said = self._process.communicate(timeout=_END_S)
            self._last_words = said.decode(errors="backslashreplace").strip().splitlines()[-1:] if said else [""]
        last = [word for word in self._last_words if word]
        return BenchError(
            f"the virtual robot is gone ({'; '.join([why, *last])})",
            where="the virtual robot's process",
            todo="Run again; if it happens twice with the same --seed, report it",
        )

    def close(self) -> None:
        """End the process; may be called again."""
        self._selector.close()
        if self._process.poll() is None:
            try:
                if self._process.stdin is not None:
                    self._process.stdin.close()
                self._process.wait(timeout=_END_S)
            except (OSError, subprocess.TimeoutExpired):
                self._process.kill()
                self._process.wait(timeout=_END_S)
        for pipe in (self._process.stdin, self._process.stdout, self._process.stderr):
            if pipe is not None and not pipe.closed:
                try:
                    pipe.close()
                except OSError:
                    continue  # a pipe to a process that is gone has nothing left to flush

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()


class VirtualPerson:
    """The person beside the virtual robot: places it by hand, lays boards, reads with a ruler's noise."""

    source = "virtual person"

    def __init__(self, process: VirtualProcess) -> None:
        self._process = process
        self.idle = nothing_to_do

    def _ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        return self._process.ask(request, self.idle)

    def tell(self, text: str, board: Board | None) -> None:
        """Lay the board, if there is one; everything else counts as done."""
        if board is not None:
            side = board.side.name.lower()
            self._ask({"do": "board", "cell": list(board.cell), "side": side, "thickness_mm": board.thickness_mm})

    def start_drive(self, order: DriveOrder) -> None:
        """Press the button and wait until the robot stands."""
        path = [[element.kind.value, element.cells, element.tracking] for element in order.path]
        self._ask({"do": "start", "path": path, "front": order.front, "speed_mm_s": order.speed_mm_s})

    def load(self, program: Program) -> None:
        """Load the program of that name."""
        self._ask({"do": "load", "program": program.name})

    def untether(self, say: str) -> None:
        """Unplug the cable: the port goes away."""
        self._ask({"do": "untether"})

    def retether(self, say: str) -> None:
        """Plug the cable in: the port comes back under another name."""
        self._ask({"do": "retether"})

    def ask_for_dump(self, what: str) -> None:
        """Press the button for what the robot kept."""
        self._ask({"do": "press dump", "what": what})

    def switch_off(self) -> None:
        """Stop the robot at its switch."""
        self._ask({"do": "switch off"})

    def place(self, course_file: Path, course_title: str, pose: CellPose) -> None:
        """Set the course up and the robot down, with a hand's accuracy."""
        self._ask({"do": "place", "course_file": str(course_file), "pose": _pose(pose)})

    def stand(self) -> None:
        """Put the robot on its stand."""
        self._ask({"do": "stand"})

    def turn_wheel(self, wheel: str, turns: float) -> None:
        """Turn a wheel, a turn a second, as unevenly as hands do."""
        self._ask({"do": "turn wheel", "wheel": wheel, "turns": turns})

    def spin(self, left: float, right: float, duration_s: float) -> None:
        """Press the button that turns the free wheels."""
        self._ask({"do": "spin", "left": left, "right": right, "for_s": duration_s})

    def clip_resistor(self, ohm: float | None, battery_v: float) -> None:
        """Clip it across the virtual battery, or take it off."""
        self._ask({"do": "resistor", "ohm": ohm})

    def set_lamps(self, *, are_on: bool) -> None:
        """Switch the lamps."""
        self._ask({"do": "lamps", "on": are_on})

    def set_jig(self, sensor: str, surface: str, distance_mm: float, angle_rad: float, remark: str) -> float:
        """Set the board with a hand's accuracy, and state the distance asked for."""
        asked_mm = distance_mm if math.isfinite(distance_mm) else None
        board = {"sensor": sensor, "surface": surface, "distance_mm": asked_mm, "angle_deg": math.degrees(angle_rad)}
        stated_mm = self._ask({"do": "jig", **board})["distance_mm"]
        return math.inf if stated_mm is None else float(stated_mm)

    def keeps(self, doubt: str) -> bool:
        """Keep what was read: the virtual person would set it no better."""
        return True

    def observe(self, step: Observe, pose: CellPose) -> Reading | None:
        """Read with the instrument's noise."""
        if step.instrument is not Instrument.TWO_OFFSETS:
            return self._read(step, step.what.value, step.unit, pose)
        parts = [self._read(step, f"offset {part}", "mm", pose) for part in (FRONT, REAR)]
        if parts[0] is None or parts[1] is None:
            return None
        return two_offsets(step, parts[0], parts[1])

    def _read(self, step: Observe, what: str, unit: str, pose: CellPose) -> Reading | None:
        request: dict[str, Any] = {"do": "observe", "what": what, "pose": _pose(pose)}
        if step.at:
            request["at"] = step.at
        lengths = {"apart_mm": step.apart_mm, "over_mm": step.over_mm}
        look = {**lengths, "resolution": step.resolution, "unit": step.shown_in}
        answer = self._ask({**request, **{name: value for name, value in look.items() if value}})
        if answer.get("unseen"):
            return None
        value, read_in = float(answer["value"]), str(answer["unit"])
        if read_in != unit:
            raise InternalError(f"the virtual person read {what} in {read_in!r}", expected=unit or "a plain number")
        return Reading(value=value, unit=unit, u=u_of(step, value), said=f"{value:g} {unit}".strip())

    def corrections(self) -> Sequence[Correction]:
        """Return nothing: the virtual person does not mistype."""
        return ()

    def ask(self, name: str, question: str, unit: str) -> Reading:
        """Refuse: the virtual person knows nothing that cannot be read off the bench."""
        raise BenchError(
            f"the virtual person cannot answer '{name}'", where="the virtual robot", todo="Give --answers FILE"
        )

    def consent(self, cautions: Sequence[str]) -> None:
        """Nobody can be hurt by a virtual robot."""


def _pose(pose: CellPose) -> list[int]:
    return [pose.x, pose.y, int(pose.heading)]

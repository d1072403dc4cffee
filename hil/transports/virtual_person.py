"""The person's channel of a virtual robot's process: requests in, answers out, one JSON object a line each way.

    {"do": "place", "course_file": …, "pose": [x, y, heading]}     {"done": true}
    {"do": "board", "cell": [x, y], "side": "north", "thickness_mm": 5}     {"done": true}
    {"do": "jig", "sensor": "wall.left", "surface": "white", "distance_mm": 49, "angle_deg": 0}
                                                                   {"done": true, "distance_mm": 49}
    {"do": "lamps", "on": false}                                   {"done": true}
    {"do": "resistor", "ohm": 10}, or null to take it off          {"done": true}
    {"do": "observe", "what": "offset", "pose": [x, y, heading]}     {"value": …, "unit": "mm", "u": …}
    {"do": "observe", "what": "meter", "at": "supply.motor", "unit": "V"}     the same in V
    {"do": "start", "path": [["ahead", 3, "both"], …], "front": "wall", "speed_mm_s": 300}
                                                                   {"done": true, "took_s": …, "ended": …}
    {"do": "goal", "cell": [x, y], "speed_mm_s": 300}              the same
    {"do": "spin", "left": 0.3, "right": -0.3, "for_s": 3}         the same
    {"do": "stand"}                                                {"done": true}
    {"do": "turn wheel", "wheel": "left", "turns": 12}             the same as of a drive
    {"do": "untether"}, {"do": "reset"}, {"do": "switch off"}      {"done": true}
    {"do": "retether"}, {"do": "load", "program": NAME}            {"done": true, "port": …}
    {"do": "press dump", "what": "log"}                            {"done": true}
    {"do": "where"}                                                {"port": … or null, "identity": …, "program": …}
    {"do": "clock"}     {"robot_s": …}
    {"do": "end"}     {"done": true}, and the process ends

A heading is 0 to 3 or a word. What moves is answered when the robot stands; `ended` is the robot's own last
word where it was cut short, "" else. `observe` may be given `resolution`, `apart_mm` with `half` ("front" or "rear"),
`over_mm` and `unit`; what could not be seen is answered by {"unseen": true}. An `id` in a request comes back in its
answer. What cannot be done is answered by {"error": sentence}. Answers come in the order of the requests; what is asked
during a drive of the person waits until the robot stands, but `switch off` and `end`, which end it. A robot that is
switched off is switched on again when it is placed, put on the jig or started next. At the jig a distance of null takes
the board away; `place` sets the robot into the course again.
"""

from __future__ import annotations

import json
import math
import os
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

from hil.errors import HilError, UsageError
from hil.measure.model import CellPose, ElementKind, Heading, PathElement
from hil.simulator.bench import VirtualBench
from hil.simulator.person import Look

LONGEST_LINE = 65536  # of the channel
_MOST_REQUESTS = 64  # that may wait for a drive to end
_AT_ONCE = ("switch off", "end")

Answer = dict[str, Any]
Request = Mapping[str, Any]


class Served(Protocol):
    """What the channel asks of the process."""

    bench: VirtualBench

    def place(self, pose: CellPose, course_file: Path | None) -> None:
        """Put up a course, where one is given, and set the robot down."""

    def refuse_unless_it_drives(self) -> None:
        """Raise `UsageError` where the loaded program cannot drive."""

    def untether(self) -> None:
        """Unplug the cable."""

    def retether(self) -> str:
        """Plug the cable in and return the new port."""

    def load(self, program: str) -> str:
        """Load a program and return the new port."""

    def reset(self) -> None:
        """Press the reset button."""

    def where(self) -> Answer:
        """Tell the port, the identity and the program."""

    def has_settled(self) -> bool:
        """Whether the robot stands and all that it said of the drive is out."""

    def wait_for_rest(self) -> None:
        """Go on as in a drive until `has_settled`."""

    def end(self) -> None:
        """End the process."""


class PersonChannel:
    """Reads requests from one descriptor and writes answers to another."""

    def __init__(self, served: Served, read_from: int, write_to: int) -> None:
        self._served = served
        self._in, self._out = read_from, write_to
        self._unread = b""
        self._requests: deque[Request | Answer] = deque()
        self._driving: Request | None = None  # the request that is answered when the robot stands
        self._actions: dict[str, Callable[[Request], Answer | None]] = {
            "place": self._place,
            "board": self._board,
            "jig": self._jig,
            "lamps": self._lamps,
            "resistor": self._resistor,
            "observe": self._observe,
            "start": self._start,
            "goal": self._goal,
            "spin": self._spin,
            "stand": self._stand,
            "turn wheel": self._turn_wheel,
            "untether": lambda _: self._done(served.untether),
            "retether": lambda _: {"done": True, "port": served.retether()},
            "load": lambda request: {"done": True, "port": served.load(str(request["program"]))},
            "reset": lambda _: self._done(served.reset),
            "press dump": self._dump,
            "switch off": lambda _: self._done(served.bench.device.switch_off),
            "where": lambda _: served.where(),
            "clock": lambda _: {"robot_s": served.bench.device.now_s},
            "end": lambda _: self._done(served.end),
        }

    @property
    def is_waiting(self) -> bool:
        """Whether a drive of the person is under way."""
        return self._driving is not None

    def say(self, answer: Request) -> None:
        """Write one line."""
        data = json.dumps(answer).encode() + b"\n"
        while data:
            data = data[os.write(self._out, data) :]

    def hear(self) -> None:
        """Read what has come; call it when there is something to read."""
        data = os.read(self._in, LONGEST_LINE)
        if not data:
            self._served.end()
            return
        self._unread += data
        if len(self._unread) > LONGEST_LINE:
            self._unread = b""
            self._requests.append({"error": "that line is too long"})
        *lines, self._unread = self._unread.split(b"\n")
        for line in lines:
            if line.strip():
                self._requests.append(self._read(line))
        self.serve()

    def serve(self) -> None:
        """Do what can be done now; call it every turn."""
        if self._driving is not None and any(request.get("do") in _AT_ONCE for request in self._requests):
            self._served.bench.device.switch_off()
        if self._driving is not None and self._served.has_settled():
            device = self._served.bench.device
            took_s = round(device.drive_ended_s - device.drive_begun_s, 3)
            self._answer(self._driving, {"done": True, "took_s": took_s, "ended": device.ended_by})
            self._driving = None
        while self._requests and self._driving is None:
            request = self._requests.popleft()
            if "error" in request:
                self.say(request)
                continue
            answer = self._do(request)
            if answer is None:
                self._driving = request
                self._served.wait_for_rest()
            else:
                self._answer(request, answer)

    def _answer(self, request: Request, answer: Answer) -> None:
        self.say({**answer, "id": request["id"]} if "id" in request else answer)

    def _read(self, line: bytes) -> Request | Answer:
        if len(self._requests) >= _MOST_REQUESTS:
            return {"error": "too many requests wait for an answer"}
        try:
            request = json.loads(line)
        except ValueError as error:
            return {"error": f"the request cannot be read ({error})"}
        if not isinstance(request, dict) or "do" not in request:
            return {"error": "the request is no object with a 'do'"}
        return request

    def _do(self, request: Request) -> Answer | None:
        action = self._actions.get(str(request["do"]))
        if action is None:
            return {"error": f"there is nothing to do called {request['do']!r}; expected {', '.join(self._actions)}"}
        try:
            return action(request)
        except HilError as error:
            return {"error": str(error)}
        except (ValueError, KeyError, TypeError, IndexError) as error:
            return {"error": f"the request cannot be read ({type(error).__name__}: {error})"}

    @staticmethod
    def _done(act: Callable[[], object]) -> Answer:
        act()
        return {"done": True}

    def _place(self, request: Request) -> Answer:
        course_file = request.get("course_file")
        self._served.place(pose_of(request["pose"]), Path(course_file) if course_file else None)
        return {"done": True}

    def _board(self, request: Request) -> Answer:
        x, y = request["cell"]
        thickness_mm = float(request["thickness_mm"])
        self._served.bench.person.lay_board((int(x), int(y)), heading_of(request["side"]), thickness_mm)
        return {"done": True}

    def _jig(self, request: Request) -> Answer:
        distance_mm = request["distance_mm"]
        bench = self._served.bench
        bench.wake()
        bench.person.set_jig(
            str(request["sensor"]),
            str(request.get("surface") or ""),
            math.inf if distance_mm is None else float(distance_mm),
            math.radians(float(request.get("angle_deg") or 0.0)),
        )
        return {"done": True, "distance_mm": distance_mm}

    def _resistor(self, request: Request) -> Answer:
        ohm = request["ohm"]
        self._served.bench.person.clip_resistor(None if ohm is None else float(ohm))
        return {"done": True}

    def _lamps(self, request: Request) -> Answer:
        if not isinstance(request["on"], bool):
            raise TypeError(f"{request['on']!r} is neither true nor false")
        self._served.bench.person.set_lamps(are_on=request["on"])
        return {"done": True}

    def _observe(self, request: Request) -> Answer:
        look = Look(
            resolution=float(request.get("resolution") or 0.0),
            apart_mm=float(request.get("apart_mm") or 0.0),
            half=str(request.get("half") or ""),
            over_mm=float(request.get("over_mm") or 0.0),
            unit=str(request.get("unit") or ""),
            at=str(request.get("at") or ""),
        )
        what = str(request["what"])
        # A meter is read wherever the robot is.
        is_placeless = what == "meter" and "pose" not in request
        pose = self._served.bench.device.maze.course.start if is_placeless else pose_of(request["pose"])
        reading = self._served.bench.person.observe(what, pose, look)
        if reading is None:
            return {"unseen": True}
        answer: Answer = {"value": reading.value, "unit": reading.unit, "u": reading.u}
        if reading.parts:
            answer["front_mm"], answer["rear_mm"] = reading.parts
        return answer

    def _start(self, request: Request) -> None:
        self._served.refuse_unless_it_drives()
        path = [
            PathElement(kind=ElementKind(str(word)), cells=int(cells), tracking=str(tracking))
            for word, cells, tracking in request["path"]
        ]
        self._served.bench.wake()
        device = self._served.bench.device
        speed_mm_s = float(request.get("speed_mm_s") or device.robot.speed_mm_s)
        device.start(path, speed_mm_s=speed_mm_s, by_wall=request.get("front", "wall") != "counts")

    def _goal(self, request: Request) -> None:
        x, y = request["cell"]
        self._served.refuse_unless_it_drives()
        self._served.bench.wake()
        device = self._served.bench.device
        device.start_for((int(x), int(y)), speed_mm_s=float(request.get("speed_mm_s") or device.robot.speed_mm_s))

    def _spin(self, request: Request) -> None:
        self._served.bench.wake()
        duration_s = float(request["for_s"])
        self._served.bench.device.start_spin(float(request["left"]), float(request["right"]), duration_s)

    def _stand(self, _: Request) -> Answer:
        self._served.bench.wake()
        self._served.bench.person.stand()
        return {"done": True}

    def _turn_wheel(self, request: Request) -> None:
        self._served.bench.wake()
        self._served.bench.person.turn_wheel(
            str(request["wheel"]),
            float(request["turns"]),
            turns_per_s=float(request.get("turns_per_s") or 1.0),
            unevenness=float(request.get("unevenness", 0.3)),
        )

    def _dump(self, request: Request) -> Answer:
        self._served.bench.device.press_dump(str(request.get("what") or "log"))
        return {"done": True}


def heading_of(value: object) -> Heading:
    """Return a heading given as a number or a word."""
    if isinstance(value, str):
        if value.upper() not in Heading.__members__:
            raise UsageError(f"{value!r} is no side", expected="north, east, south or west")
        return Heading[value.upper()]
    if isinstance(value, int):
        return Heading(value)
    raise TypeError(f"{value!r} is no heading")


def pose_of(value: Sequence[Any]) -> CellPose:
    """Return a pose given as [x, y, heading]."""
    x, y, heading = value
    return CellPose(x=int(x), y=int(y), heading=heading_of(heading))

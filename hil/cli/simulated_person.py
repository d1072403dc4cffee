"""The person's part of a served virtual robot, typed at the keyboard a line each.

Everything a person does at a real bench has its line here, so that a run on the served port can be gone through as on a
real robot: put it down, press its button, read an instrument, load a program, take the cable off and put it on again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from hil.spec.paths import parse_path

READINGS = (
    *("offset", "angle", "along", "clearance left", "clearance right", "bow"),
    *("contacts", "lap time", "light", "display"),
)
HELP = """  place               put the robot at the start of the course; 'place X Y SIDE' puts it into a cell
  start PATH          press the button for that path, such as 'start ahead 2 by both', and wait until it stands
  READING             read an instrument where the robot was placed; 'READING at X Y SIDE' where it should stand:
                      offset, angle, along, clearance left, clearance right, bow (of the last straight),
                      contacts, lap time, light, display (the number of its cell), 'display V' (its battery)
  board X Y SIDE MM   lay a board of MM millimetres on a wall's face (0 takes it away)
  goal X Y            have it drive to a cell by its maze logic, and wait until it stands
  load NAME           load a program; untether, retether: unplug the cable, and plug it in again
  dump NAME           press the button for what it kept (log or map)
  reset, switch off   start its program anew; stop it at its switch ('place' and 'start' switch it on again)
  where               say which port it is on, and which program is loaded"""

Ask = Callable[[Mapping[str, object]], Mapping[str, Any]]


class SimulatedPerson:
    """Does what is typed. `ask` reaches the robot's process; `start` is the pose at the start of the course."""

    def __init__(self, ask: Ask, course_file: str, start: list[int], speed_mm_s: float) -> None:
        self._ask = ask
        self._course_file = course_file
        self._start: list[object] = [*start]
        self._pose: list[object] = [*start]
        self._speed_mm_s = speed_mm_s

    def obey(self, line: str) -> str:
        """Carry one line out and return what to say, also of a line that is not known."""
        words = line.split()
        match words:
            case []:
                return ""
            case ["place"]:
                return self._place(self._start, "at the start")
            case ["place", x, y, side]:
                return self._place([int(x), int(y), side], f"in cell ({x}, {y}), looking {side}")
            case ["board", x, y, side, thickness]:
                board = {"cell": [int(x), int(y)], "side": side, "thickness_mm": float(thickness)}
                self._ask({"do": "board", **board})
                return f"board of {float(thickness):g} mm laid."
            case ["start", *path]:
                return self._drive(" ".join(path))
            case ["goal", x, y]:
                answer = self._ask({"do": "goal", "cell": [int(x), int(y)], "speed_mm_s": self._speed_mm_s})
                return _stands(answer)
            case ["where"]:
                answer = self._ask({"do": "where"})
                return f"port: {answer['port'] or 'none, it is unplugged'}, program {answer['program']}"
            case ["reset"]:
                self._ask({"do": "reset"})
                return "started anew."
            case ["display", "V"]:
                return self._said({"do": "observe", "what": "display", "pose": self._pose, "unit": "V"})
            case ["load", program]:
                answer = self._ask({"do": "load", "program": program})
                return f"loaded. port: {answer['port']}"
            case ["untether"]:
                self._ask({"do": "untether"})
                return "unplugged."
            case ["retether"]:
                return f"plugged in. port: {self._ask({'do': 'retether'})['port']}"
            case ["dump", what]:
                self._ask({"do": "press dump", "what": what})
                return f"it sends its {what}."
            case ["switch", "off"]:
                self._ask({"do": "switch off"})
                return "switched off."
            case [*reading, "at", x, y, side]:
                return self._read(" ".join(reading), [int(x), int(y), side])
            case _:
                return self._read(" ".join(words), self._pose)

    def _place(self, pose: list[object], where: str) -> str:
        self._ask({"do": "place", "course_file": self._course_file, "pose": pose})
        self._pose = pose
        return f"placed {where}."

    def _drive(self, text: str) -> str:
        path = [[element.kind.value, element.cells, element.tracking] for element in parse_path(text)]
        order = {"do": "start", "path": path, "front": "counts", "speed_mm_s": self._speed_mm_s}
        return _stands(self._ask(order))

    def _read(self, reading: str, pose: list[object]) -> str:
        if reading not in READINGS:
            return f"not known: {reading[:60]}. What can be typed is one of\n{HELP}"
        return self._said({"do": "observe", "what": reading, "pose": pose})

    def _said(self, request: Mapping[str, object]) -> str:
        answer = self._ask(request)
        if answer.get("unseen"):
            return "that could not be seen."
        return f"{answer['value']:g} {answer['unit']} (standard uncertainty {answer['u']:g})"


def _stands(answer: Mapping[str, Any]) -> str:
    cut_short = f" ({answer['ended']})" if answer.get("ended") else ""
    return f"it stands, after {answer['took_s']:.1f} s{cut_short}."

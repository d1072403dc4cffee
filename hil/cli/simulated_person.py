"""The person's part of a served virtual robot, typed at the keyboard a line each.

Everything a person does at a real bench has its line here, so that a run on the served port can be gone through as on a
real robot: put it down, press its button, read an instrument, load a program, take the cable off and put it on again.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from hil.errors import UsageError
from hil.judge.rounding import rounded_pair
from hil.measure.model import Heading
from hil.spec.paths import PathError, parse_path
from hil.spec.wording import near, one_of, quoted

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
  stand               put it on a stand, its wheels free ('place' takes it off); and there:
  turn WHEEL TURNS    turn the left or the right wheel forward by hand, so many turns
  spin LEFT RIGHT S   press the button for a spin at those duties in per cent for S seconds, and wait until it is over
  lamps on, lamps off switch the room's other lamps
  jig SENSOR SURFACE MM
                      set a board before a sensor, such as 'jig wall.left white 49'; 'none' takes it away
  meter at CHANNEL UNIT
                      read a meter, such as 'meter at supply.motor V'
  load NAME           load a program; untether, retether: unplug the cable, and plug it in again
  dump NAME           press the button for what it kept (log or map)
  reset, switch off   start its program anew; stop it at its switch ('place' and 'start' switch it on again)
  where               say which port it is on, and which program is loaded
  help                say all this (a SIDE is north, east, south or west; Ctrl-C ends it)"""

# What may begin a line, each with the whole line it begins.
_FORMS = {
    "place": "'place' alone, or 'place X Y SIDE'",
    "start": "'start PATH', such as 'start ahead 2 by both'",
    "board": "'board X Y SIDE MM', such as 'board 0 5 north 5'",
    "goal": "'goal X Y', such as 'goal 0 4'",
    "stand": "'stand' alone",
    "turn": "'turn WHEEL TURNS', such as 'turn left 12'",
    "spin": "'spin LEFT RIGHT SECONDS', such as 'spin 30 -30 3'",
    "lamps": "'lamps on' or 'lamps off'",
    "jig": "'jig SENSOR SURFACE MM', such as 'jig wall.left white 49', or 'none' for MM",
    "meter": "'meter at CHANNEL UNIT', such as 'meter at supply.motor V'",
    "load": "'load NAME', with the name of a program",
    "untether": "'untether' alone",
    "retether": "'retether' alone",
    "dump": "'dump NAME', with log or map",
    "reset": "'reset' alone",
    "switch off": "'switch off' alone",
    "where": "'where' alone",
    "help": "'help' alone",
    **{name: f"'{name}' alone, or '{name} at X Y SIDE'" for name in READINGS},
    "display V": "'display V' alone",
}
_SIDES = tuple(heading.name.lower() for heading in Heading)
LONGEST_LINE = 400  # characters; the longest path of a sane drive has fewer

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
        """Carry one line out and return what to say, also of a line that is not known.

        Raises `HilError` where it is known and cannot be carried out.
        """
        if len(line) > LONGEST_LINE:
            return f"a line of more than {LONGEST_LINE} characters is not read. {_words_known()}"
        words = line.split()
        match words:
            case []:
                return ""
            case ["help"]:
                return HELP
            case ["quit" | "exit"]:
                return "Ctrl-C ends it."
            case ["place"]:
                return self._place(self._start, "at the start")
            case _:
                return self._obey_words(words)

    def _obey_words(self, words: list[str]) -> str:
        match words:
            case ["place", x, y, side]:
                pose = _pose(x, y, side)
                return self._place(pose, f"in cell ({pose[0]}, {pose[1]}), looking {pose[2]}")
            case ["board", x, y, side, thickness]:
                return self._lay(_pose(x, y, side), _millimetres(thickness))
            case ["start", _, *_]:
                return self._drive(" ".join(words[1:]))
            case ["goal", x, y]:
                cell = [_whole(x), _whole(y)]
                return _stands(self._ask({"do": "goal", "cell": cell, "speed_mm_s": self._speed_mm_s}))
            case ["turn", wheel, turns]:
                turning = {"do": "turn wheel", "wheel": wheel.lower(), "turns": _number(turns, "number of turns", "12")}
                return _stands(self._ask(turning))
            case ["spin", left, right, seconds]:
                duties = {"left": _per_cent(left), "right": _per_cent(right)}
                return _stands(self._ask({"do": "spin", **duties, "for_s": _number(seconds, "number of seconds", "3")}))
            case ["lamps", "on" | "off"]:
                self._ask({"do": "lamps", "on": words[1] == "on"})
                return f"lamps {words[1]}."
            case ["jig", sensor, surface, away]:
                return self._set_board(sensor, surface, away)
            case ["meter", "at", channel, unit]:
                return self._said({"do": "observe", "what": "meter", "at": channel, "unit": unit})
            case ["load", program]:
                return f"loaded. port: {self._ask({'do': 'load', 'program': program})['port']}"
            case ["dump", what]:
                self._ask({"do": "press dump", "what": what})
                return f"it sends its {what}."
            case ["display", "V"]:
                return self._said({"do": "observe", "what": "display", "pose": self._pose, "unit": "V"})
            case [*reading, "at", x, y, side] if " ".join(reading) in READINGS:
                return self._read(" ".join(reading), _pose(x, y, side))
            case _:
                return self._obey_alone(" ".join(words))

    def _obey_alone(self, text: str) -> str:
        if text in READINGS:
            return self._read(text, self._pose)
        match text:
            case "where":
                answer = self._ask({"do": "where"})
                return f"port: {answer['port'] or 'none, it is unplugged'}, program {answer['program']}"
            case "retether":
                return f"plugged in. port: {self._ask({'do': 'retether'})['port']}"
            case "stand":
                self._ask({"do": "stand"})
                return "it stands on the stand, its wheels free."
            case "untether" | "reset" | "switch off":
                self._ask({"do": text})
                return {"untether": "unplugged.", "reset": "started anew."}.get(text, "switched off.")
            case _:
                return _not_known(text)

    def _lay(self, face: list[object], thickness_mm: float) -> str:
        x, y, side = face
        self._ask({"do": "board", "cell": [x, y], "side": side, "thickness_mm": thickness_mm})
        return f"board of {thickness_mm:g} mm laid."

    def _set_board(self, sensor: str, surface: str, away: str) -> str:
        away_mm = None if away == "none" else _number(away.removesuffix("mm"), "distance", "49, or 'none'")
        self._ask({"do": "jig", "sensor": sensor, "surface": surface, "distance_mm": away_mm})
        return "the board is away." if away_mm is None else f"the board of {surface} stands at {away_mm:g} mm."

    def _place(self, pose: list[object], where: str) -> str:
        self._ask({"do": "place", "course_file": self._course_file, "pose": pose})
        self._pose = pose
        return f"placed {where}."

    def _drive(self, text: str) -> str:
        try:
            elements = parse_path(text)
        except PathError as error:
            todo = f"Did you mean '{error.near_miss}'?" if error.near_miss else ""
            raise UsageError(f"{error.found} is no part of a path", expected=error.expected, todo=todo) from None
        path = [[element.kind.value, element.cells, element.tracking] for element in elements]
        order = {"do": "start", "path": path, "front": "counts", "speed_mm_s": self._speed_mm_s}
        return _stands(self._ask(order))

    def _read(self, reading: str, pose: list[object]) -> str:
        return self._said({"do": "observe", "what": reading, "pose": pose})

    def _said(self, request: Mapping[str, object]) -> str:
        answer = self._ask(request)
        if answer.get("unseen"):
            return "that could not be seen."
        unit = f" {answer['unit']}" if answer["unit"] else ""
        if not answer["u"]:
            return f"{answer['value']:g}{unit} (exact)"
        value, u = rounded_pair(float(answer["value"]), float(answer["u"]))
        return f"{value}{unit} (standard uncertainty {u})"


def _stands(answer: Mapping[str, Any]) -> str:
    cut_short = f" ({answer['ended']})" if answer.get("ended") else ""
    return f"it stands, after {answer['took_s']:.1f} s{cut_short}."


def _not_known(text: str) -> str:
    """Return what to say of a line that is not known: its form where it begins well, or what it is most like."""
    begins = [name for name in _FORMS if f"{text} ".startswith(f"{name} ")]
    if begins:
        return f"not understood: {quoted(text)}; expected {_FORMS[max(begins, key=len)]}."
    lowered = text.lower()
    # The first words are looked at alone too: what follows a misspelt one is mostly long.
    tries = [lowered, " ".join(lowered.split()[:2]), lowered.split()[0]]
    like = next((found for one in tries if (found := near(one, _FORMS))), "")
    meant = f" (did you mean '{like}'?)" if like else ""
    return f"not known: {quoted(text)}{meant}. {_words_known()}"


def _words_known() -> str:
    return f"What can be typed is {one_of(_FORMS)}; 'help' tells what each does."


def _pose(x: str, y: str, side: str) -> list[object]:
    if side.lower() not in _SIDES:
        like = near(side.lower(), _SIDES)
        todo = f"Did you mean '{like}'?" if like else ""
        raise UsageError(f"{quoted(side)} is no side", expected=one_of(_SIDES), todo=todo)
    return [_whole(x), _whole(y), side.lower()]


def _whole(text: str) -> int:
    if re.fullmatch(r"-?[0-9]{1,4}", text) is None:
        raise UsageError(f"{quoted(text)} is no number of a cell", expected="a whole number, such as 0")
    return int(text)


def _millimetres(text: str) -> float:
    if re.fullmatch(r"[0-9]{1,4}(\.[0-9]{1,4})?", text) is None:
        raise UsageError(f"{quoted(text)} is no thickness", expected="millimetres as a number, such as 5")
    return float(text)


def _number(text: str, what: str, such_as: str) -> float:
    if re.fullmatch(r"[0-9]{1,4}(\.[0-9]{1,4})?", text) is None:
        raise UsageError(f"{quoted(text)} is no {what}", expected=f"a number, such as {such_as}")
    return float(text)


def _per_cent(text: str) -> float:
    if re.fullmatch(r"-?[0-9]{1,3}(\.[0-9]{1,2})?%?", text) is None:
        raise UsageError(f"{quoted(text)} is no duty", expected="per cent as a number, such as 30")
    return float(text.rstrip("%")) / 100

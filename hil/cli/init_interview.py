"""The questions of `hil init`, in the order in which a person can answer them: the port, what it says, the robot."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import click

from hil.cli.protocols import all_dialects, fit_lines
from hil.cli.questions import AnswerError, Questions, a_choice, a_number, a_text, lengths_mm, the_only, yes_or_no
from hil.engine.port_survey import survey, who_answers
from hil.errors import PortUnavailable
from hil.reports.wording import visible
from hil.spec.new_bench import LAYOUTS, MOST_LETTERS, NewBench, NewProgram
from hil.spec.robot_programs import is_port
from hil.spec.robot_values import Drives, StopBy
from hil.timing import Clock
from hil.transports.candidates import Candidate, PortKind, describe_port, find_candidates
from hil.transports.port_names import is_address, why_absent
from hil.transports.trace_port import is_trace, lasting_trace
from hil.wire.dialect import Dialect

NONE = "none"
_DEAD_MAN_MS = 500  # or twice the keep-alive, where that is more
_NAME = re.compile(rf"[A-Za-z][A-Za-z0-9_.-]{{0,{MOST_LETTERS - 1}}}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What listening told: the best protocol ("" where none fits), and who answered, where somebody was asked."""

    best: str = ""
    answer: str = ""


def interview(questions: Questions, clock: Clock) -> NewBench:
    """Ask everything, listening in between, and return the bench."""
    _, dialects = all_dialects(None)
    port = _port(questions)
    heard = Heard() if port == NONE else _listen(port, dialects, questions, clock)
    dialect = dialects[
        questions.ask(
            "protocol",
            "Which protocol does the robot speak while it drives?",
            f"Known here: {', '.join(dialects)}. A robot that prints in its own way needs a protocol file of its own.",
            heard.best or "plain-prints",
            a_choice(tuple(dialects)),
        )
    ]
    name, serial = _identity(questions, heard, port)
    return _robot(questions, name, serial, dialect, dialects, "" if port == NONE else _lasting(port))


def _port(questions: Questions) -> str:
    found = find_candidates()
    if questions.is_talking:
        click.echo("Ports of this machine:" if found else "This machine has no serial port at the moment.")
        for candidate in found:
            click.echo(f"  {_in_a_line(candidate)}")

    def read(text: str) -> str:
        if text.isdigit() and 0 < int(text) <= len(found):
            return found[int(text) - 1].device
        return _read_port(text, f"one of {', '.join(one.device for one in found)}, " if found else "")

    likely = next((one.device for one in found if one.kind is not PortKind.BUILT_IN), NONE)
    return questions.ask(
        "port",
        "Which port is the robot on?",
        "A device, socket://HOST:PORT, the port that 'hil simulate' printed, or none to go on without listening.",
        likely,
        read,
    )


def _read_port(text: str, listed: str) -> str:
    """Read a port that is there and can be written into a robot file, whatever folder that lies in; or none."""
    if text == NONE:
        return text
    trouble = why_absent(text)
    if trouble is not None:
        todo = f"or {NONE}, and 'hil run --port PORT' later"
        raise AnswerError(f"{listed}an address such as socket://HOST:PORT, {todo} ({trouble.what})")
    if not is_port(_lasting(text)):
        raise AnswerError(f"a port whose whole path has only letters, digits and ./_-, not {_lasting(text)!r}")
    return text


def _in_a_line(candidate: Candidate) -> str:
    parts = [
        candidate.description,
        candidate.usb_id,
        f"held by {', '.join(candidate.holders)}" * bool(candidate.holders),
    ]
    return visible(f"{candidate.device}  {candidate.kind}  {'  '.join(part for part in parts if part)}").rstrip()


def _lasting(port: str) -> str:
    """Return a name that stays the same when the port is plugged in again, where the system keeps one.

    A path is written from the root, since a robot file is read from other folders than this one. A link is not
    followed: it leads to the port whatever that is called next time.
    """
    if is_trace(port):
        return lasting_trace(port)
    if is_address(port) or sys.platform == "win32":
        return port
    return describe_port(port).by_id or str(Path(port).absolute())


def _listen(port: str, dialects: Mapping[str, Dialect], questions: Questions, clock: Clock) -> Heard:
    """Listen at the rate of every protocol; ask who is there where nothing comes and nobody objects."""
    try:
        fits, rates = survey(port, dialects.values(), clock, _say)
        for line in fit_lines(fits, rates, port):
            _say(line)
        if fits and fits[0].fits:
            return Heard(best=fits[0].protocol)
        if any(rate.total for rate in rates):
            _say("  It says something that no protocol known here fits; 'hil listen PORT --raw' shows it.")
            return Heard()
        may_ask = questions.ask(
            "ask",
            "Nothing came by itself. May the robot be asked who it is?",
            "One request in each protocol that has one. It moves nothing, unless letters are your firmware's commands.",
            "yes",
            yes_or_no,
        )
        who = who_answers(port, dialects.values(), clock, _say) if may_ask else None
    except PortUnavailable as error:
        _say(f"  {error}")
        _say("  It goes on without listening.")
        return Heard()
    if who is None:
        return Heard()
    _say(f"  {visible(who[1])[:80]} answered in {who[0].name}.")
    return Heard(best=who[0].name, answer=who[1])


def _say(line: str) -> None:
    click.echo(line)


def _identity(questions: Questions, heard: Heard, port: str) -> tuple[str, str]:
    words = heard.answer.split()
    own_name = words[0][:MOST_LETTERS] if words and _NAME.fullmatch(words[0][:MOST_LETTERS]) else "my-robot"
    name = questions.ask(
        "name",
        "What is the robot called?",
        "Its files and its records go by this name: a letter, then letters, digits and dashes.",
        own_name,
        _read_name,
    )
    by_usb = describe_port(port).serial_number if port != NONE else ""
    default = words[1] if len(words) > 1 else by_usb
    serial = questions.ask(
        "serial",
        "Which serial number does it have?",
        "It tells robots of one kind apart; one that can be asked must answer with it. Else any number will do.",
        default if default.isprintable() and 0 < len(default) <= MOST_LETTERS else "1",
        a_text(MOST_LETTERS),
    )
    return name, serial


def _read_name(text: str) -> str:
    if not _NAME.fullmatch(text):
        raise AnswerError(f"a letter, then letters, digits, dashes and dots, {MOST_LETTERS} at most")
    return text


def _robot(
    questions: Questions, name: str, serial: str, dialect: Dialect, dialects: Mapping[str, Dialect], port: str
) -> NewBench:
    robot_class = questions.ask(
        "class",
        "Which class of tolerances applies?",
        "entry for a robot that drives square paths, fast for one that drives diagonals at speed.",
        "entry",
        a_choice(("entry", "fast")),
    )
    (width, front, rear), (wheel, base) = _sizes(questions)
    counts = _counts(questions, dialect)
    layout = _layout(questions, dialect)
    cells = _cells(questions)
    drives, stop = _driven(questions, dialect)
    return NewBench(
        name=name,
        serial=serial,
        robot_class=robot_class,
        width_mm=width,
        front_mm=front,
        rear_mm=rear,
        wheel_mm=wheel,
        base_mm=base,
        counts_per_turn=counts,
        layout=layout,
        cells=cells,
        stop=stop,
        dead_man_ms=max(_DEAD_MAN_MS, round(2000 * dialect.keep_alive_s)) if stop is StopBy.DEAD_MAN else 0,
        programs=_programs(questions, dialect, dialects, drives, port),
        channels=dialect.channels,
    )


def _sizes(questions: Questions) -> tuple[tuple[float, ...], tuple[float, ...]]:
    body = questions.ask(
        "body",
        "How wide is its body, and how far does it reach in front of and behind the wheel axle?",
        "Clearances to the walls are counted from it.",
        "80 mm, 50 mm, 50 mm",
        lengths_mm(3, "80 mm, 50 mm, 50 mm"),
    )
    wheels = questions.ask(
        "wheels",
        "Which wheel diameter and which distance between the wheels does the firmware count with?",
        "What is measured is how far the robot is from them.",
        "28 mm, 70 mm",
        _wheels_of(body[0]),
    )
    return body, wheels


def _wheels_of(width_mm: float) -> Callable[[str], tuple[float, ...]]:
    """Return a reader of the wheels' diameter and base that takes only what fits a body's width."""
    read = lengths_mm(2, "28 mm, 70 mm")

    def fitting(text: str) -> tuple[float, ...]:
        diameter, base = read(text)
        if base > width_mm + diameter:
            raise AnswerError(f"a distance between the wheels that fits the body's width of {width_mm:g} mm")
        return diameter, base

    return fitting


def _cells(questions: Questions) -> int:
    return questions.ask(
        "cells",
        "How many lithium cells has its battery (0 for another kind)?",
        "A robot that reports its battery is not run below 3.4 V a cell.",
        "2",
        lambda text: int(a_choice(tuple("0123456789"))(text)),
    )


def _counts(questions: Questions, dialect: Dialect) -> float:
    if "encoder.left" not in dialect.channels | dialect.logged_channels and not questions.is_given("counts"):
        return 360.0
    return questions.ask(
        "counts",
        "How many encoder counts make one turn of a wheel?",
        "Edges of both channels and the gear counted. A turn by hand, read with 'hil listen', tells it.",
        "360",
        a_number,
    )


def _layout(questions: Questions, dialect: Dialect) -> str:
    told = {name for name in dialect.channels if name.startswith("wall.") and not name.endswith(".dark")}
    fitting = [name for name, sensors in LAYOUTS.items() if sensors and set(sensors) <= told]
    return questions.ask(
        "sensors",
        "Which layout have its wall sensors?",
        "three: left, right, front. four: two ahead, two askew. six: those and two to the sides. none.",
        fitting[-1] if fitting else "none",
        a_choice(tuple(LAYOUTS)),
    )


def _driven(questions: Questions, dialect: Dialect) -> tuple[Drives, StopBy]:
    """Ask how it is driven and stopped, as far as the protocol leaves a choice."""
    ways = [
        way.value for way, action in ((Drives.COMMAND, "drive"), (Drives.GOAL, "goal")) if action in dialect.commands
    ]
    drives = _one_of(
        questions,
        "drives-by",
        "How is it made to drive a path?",
        "command: the path is sent. goal: it is sent to a cell by its maze logic. operator: you press its button.",
        [*ways, Drives.OPERATOR.value],
        f"the protocol {dialect.name} has no command 'drive' and none 'goal'",
    )
    stops = [StopBy.COMMAND.value] if "stop" in dialect.commands else []
    if dialect.keep_alive_s and drives != Drives.OPERATOR.value:
        stops.append(StopBy.DEAD_MAN.value)
    stop = _one_of(
        questions,
        "stop-by",
        "How is it stopped when something goes wrong?",
        "command: over the port. dead man: by itself, when nothing comes over the port. operator: at its switch.",
        [*stops, StopBy.OPERATOR.value],
        f"the protocol {dialect.name} has no command 'stop' and keeps no drive alive",
    )
    return Drives(drives), StopBy(stop)


def _one_of(questions: Questions, option: str, question: str, why: str, words: Sequence[str], no_other: str) -> str:
    """Ask for one of several words; a single one is no question, and `no_other` tells whoever answers it otherwise."""
    if len(words) > 1:
        return questions.ask(option, question, why, words[0], a_choice(tuple(words)))
    if questions.is_given(option):
        return questions.ask(option, question, why, words[0], the_only(words[0], no_other))
    return words[0]


def _cable(questions: Questions, drives: Drives) -> bool:
    question = "Does the cable stay on while it drives?"
    why = "With no, the run says when to unplug it, finds the port again, and collects what the robot logged."
    if drives is Drives.OPERATOR:
        return questions.ask("cable", question, why, "yes", yes_or_no)
    if questions.is_given("cable"):
        only = the_only("yes", "it is driven over the port; --drives-by operator drives it without")
        questions.ask("cable", question, why, "yes", only)
    return True


def _programs(
    questions: Questions, dialect: Dialect, dialects: Mapping[str, Dialect], drives: Drives, port: str
) -> tuple[NewProgram, ...]:
    has_cable = _cable(questions, drives)
    second = NONE
    if not dialect.commands or questions.is_given("second"):
        second = questions.ask(
            "second",
            "Does it carry another program to read its sensors, and which protocol does that one print?",
            f"none, or one of {', '.join(dialects)}. A run tells you when to load which.",
            NONE,
            a_choice((NONE, *dialects)),
        )
    if second == NONE:
        return (
            NewProgram(
                name="main",
                protocol=dialect.name,
                can=("driving", "sensing"),
                drives=drives,
                cable=has_cable,
                port=port,
            ),
        )
    return (
        NewProgram(name="run", protocol=dialect.name, can=("driving",), drives=drives, cable=has_cable, port=port),
        NewProgram(name="sense", protocol=second, can=("sensing",), port=port),
    )

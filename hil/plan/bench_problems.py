"""What stands against the steps of a bench on a robot: actions its protocol lacks, sensors it has not, words unknown.

The engine refuses a case for the same reasons (`why_not_on_bench`), so that nothing is begun that cannot be ended. What
the robot file does not say (`unsaid_on_bench`) stops no case; some measurements will then say what they miss.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from hil.measure.chemistry import chemistry_of
from hil.measure.model import Robot
from hil.measure.regulator import motor_set_v
from hil.spec.bench_values import HandTurn, Jig, LoadResistor, Spin, Taken
from hil.spec.suite_values import Case, Load, Pause, Step, Suite
from hil.spec.wording import near
from hil.wire.dialect import CommandSpec, Dialect, MessageSpec, Role

_RECORDED = {Taken.EDGES: "edges of the encoders", Taken.TICKS: "periods of the loop"}
_LEVELS = ("encoder.left.levels", "encoder.right.levels")
_PERIODS = "loop.periods"
_HOT_W = 20.0  # what a load resistor that lies on a bench can stand (common practice, no source)
_OF_RAIL = {"supply.rail", "supply.headroom"}


def why_not_on_bench(steps: Iterable[Step], robot: Robot, dialect: Dialect) -> str:
    """Return why the steps cannot be gone through on a program that speaks `dialect`, "" where they can.

    Steps after one that loads another program are not looked at.
    """
    return next(_reasons(steps, robot, dialect), "")


def bench_problems(steps: Iterable[Step], robot: Robot, dialect: Dialect) -> list[str]:
    """Return all that stands against the steps, each once."""
    return list(dict.fromkeys(_reasons(steps, robot, dialect)))


def _reasons(steps: Iterable[Step], robot: Robot, dialect: Dialect) -> Iterator[str]:
    for step in steps:
        if isinstance(step, Load):
            return
        if isinstance(step, Spin):
            yield from _of_spin(step, dialect)
        elif isinstance(step, HandTurn):
            yield from _of_taking(step.name, Taken.LEVELS, dialect)
        elif isinstance(step, Pause):
            yield from _of_taking(step.name, step.takes, dialect)
            yield from _of_provocation(step.name, step.provocation, dialect)
            yield from _of_emitter(step, robot, dialect)
        elif isinstance(step, Jig):
            yield from _of_jig(step, robot, dialect)


def _of_spin(step: Spin, dialect: Dialect) -> Iterator[str]:
    recorded = _RECORDED.get(step.takes)
    if "spin" not in dialect.commands and (recorded or step.provocation):
        doing = f"{recorded} are taken down" if recorded else f"it is provoked by '{step.provocation}'"
        yield (
            f"the protocol {dialect.name} has no command 'spin', so that a person presses a button for '{step.name}', "
            f"and nobody knows then when {doing}"
        )
    yield from _of_taking(step.name, step.takes, dialect)
    yield from _of_provocation(step.name, step.provocation, dialect)


def _of_taking(name: str, takes: Taken, dialect: Dialect) -> Iterator[str]:
    if takes is Taken.LEVELS:
        yield from _of_levels(name, dialect)
    if takes not in _RECORDED:
        return
    if takes is Taken.TICKS and any(_carries(one, _PERIODS) for one in _unasked(dialect)):
        return
    has_block = any(block.name == takes.value for block in dialect.blocks)
    lacking = [f"command '{one}'" for one in (f"record.{takes.value}",) if one not in dialect.commands]
    lacking += [] if has_block else [f"block message '{takes.value}'"]
    if lacking:
        what = " and no ".join(lacking)
        yield f"'{name}' takes down the {_RECORDED[takes]}, and the protocol {dialect.name} has no {what}"


def _of_levels(name: str, dialect: Dialect) -> Iterator[str]:
    told = [
        one for one in dialect.messages if one.role is Role.TELEMETRY and any(_carries(one, each) for each in _LEVELS)
    ]
    takes = f"'{name}' takes the encoders' outputs as sampled, and the protocol {dialect.name} has no"
    if not told:
        yield f"{takes} message with them"
    elif all(one.asked_by for one in told) and "sample" not in dialect.commands:
        yield f"{takes} command 'sample'"


def _of_provocation(name: str, provocation: str, dialect: Dialect) -> Iterator[str]:
    if not provocation:
        return
    command = dialect.commands.get("provoke")
    if command is None:
        yield f"'{name}' provokes '{provocation}', and the protocol {dialect.name} has no command 'provoke'"
        return
    known = words_of(command, "name")
    if known and provocation.replace("-", " ") not in [word.replace("-", " ") for word in known]:
        like = near(provocation, known)
        hint = f" (did you mean {like}?)" if like else ""
        yield f"the protocol {dialect.name} knows no provocation '{provocation}'{hint}; it knows {', '.join(known)}"


def _of_emitter(step: Pause, robot: Robot, dialect: Dialect) -> Iterator[str]:
    if not step.emitter:
        return
    if robot.sensor(step.emitter) is None:
        yield _no_sensor(step.emitter, robot)
    if "emit" not in dialect.commands:
        yield f"'{step.name}' fires one emitter alone, and the protocol {dialect.name} has no command 'emit'"


def _of_jig(step: Jig, robot: Robot, dialect: Dialect) -> Iterator[str]:
    for sensor in step.sensors:
        if robot.sensor(sensor) is None:
            yield _no_sensor(sensor, robot)
        elif sensor not in dialect.channels:
            yield f"'{step.name}' reads {sensor}, which the protocol {dialect.name} does not report"


def _no_sensor(sensor: str, robot: Robot) -> str:
    known = ", ".join(one.channel for one in robot.sensors) or "none"
    return f"the robot {robot.name} has no sensor {sensor}; it has {known}"


def words_of(command: CommandSpec, argument: str) -> tuple[str, ...]:
    """Return the words that a command takes for an argument; none where it takes any."""
    return tuple(word for field in command.fields if field.name == argument for word in field.choices.values())


def _carries(message: MessageSpec, channel: str) -> bool:
    return any(field.name == channel for field in message.fields)


def _unasked(dialect: Dialect) -> tuple[MessageSpec, ...]:
    return tuple(one for one in dialect.messages if one.role is Role.TELEMETRY and not one.asked_by)


def why_no_rail(case: Case, robot: Robot) -> str:
    """Return why a case about the motor rail is not for this robot, "" where it is or is about something else."""
    methods = {name.removesuffix("_read") for one in case.measures for name in (one.method, one.operator_method)}
    if not methods & _OF_RAIL or (robot.supply is not None and motor_set_v(robot.supply) is not None):
        return ""
    return (
        "the robot file says of no motor rail (supply: {motor: 6 V}, or a regulator with its resistors), so that its "
        "motors run on the battery"
    )


def heat_of_resistors(steps: Iterable[Step], robot: Robot) -> list[tuple[str, bool]]:
    """Return what each resistor turns into heat across a full battery, and whether that is too much for a bench.

    Power is V^2/R of the battery without its own resistance, so that a real one gives less. Nothing is said of a
    battery whose full voltage is not known.
    """
    chemistry = chemistry_of(robot.supply) if robot.supply else None
    if chemistry is None or robot.supply is None:
        return []
    full_v = chemistry.full_v * robot.supply.cells
    told = []
    for ohm in dict.fromkeys(step.ohm for step in steps if isinstance(step, LoadResistor) and step.ohm is not None):
        heat_w = full_v**2 / ohm
        sentence = f"a resistor of {ohm:g} ohm across a full battery of {full_v:.1f} V must stand {heat_w:.1f} W"
        more = f", more than {_HOT_W:g} W; take a larger resistor" if heat_w > _HOT_W else ""
        told.append((sentence + more, heat_w > _HOT_W))
    return told


def unsaid_on_bench(case: Case, robot: Robot, steps: Sequence[Step]) -> list[str]:
    """Return what the robot file does not say and the case measures by."""
    methods = [name for one in case.measures for name in (one.method, one.operator_method) if name]
    takes_edges = any(isinstance(step, Spin | Pause) and step.takes is Taken.EDGES for step in steps)
    of_supply = [name for name in methods if name.startswith("supply.")]
    lacks = f"the file of the robot {robot.name} does not say what"
    told: list[str] = []
    if robot.encoder is None and (takes_edges or any(name.startswith("encoder.") for name in methods)):
        told.append(f"{lacks} encoders it has (encoder: {{channels: 2, …}})")
    if robot.supply is None and of_supply:
        told.append(f"{lacks} battery it has (supply: {{…}}), for {of_supply[0]}")
    return told


def leave_out(suites: Sequence[Suite], robot: Robot) -> tuple[tuple[Suite, ...], tuple[str, ...]]:
    """Return the suites without the cases about what this robot has not got, and a sentence for each of those.

    A case that stands alone, or that another one needs, stays, and is then skipped with the same reason.
    """
    left, told = [], []
    for suite in suites:
        why_not = {case.name: why_no_rail(case, robot) for case in suite.cases}
        needed = {need for case in suite.cases for need in case.needs if not why_not[case.name]}
        out = {name for name, reason in why_not.items() if reason and name not in needed}
        out = out if len(out) < len(suite.cases) else set()
        told += [f"{suite.name}/{name} is left out: {why_not[name]}." for name in why_not if name in out]
        left.append(replace(suite, cases=tuple(case for case in suite.cases if case.name not in out)))
    return tuple(left), tuple(told)

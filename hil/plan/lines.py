"""The plan in words, a line each, for a terminal."""

from __future__ import annotations

from hil.measure.model import CellPose
from hil.plan.bench_lines import bench_step_in_words, meter_in_words, pause_in_words
from hil.plan.durations import LOADING_S
from hil.plan.planned import Plan, PlannedCase, PlannedPart, PlannedStep
from hil.quantities import counted
from hil.results import Route
from hil.spec.bench_values import HandTurn, Jig, Lamps, LoadResistor, Spin, Stand
from hil.spec.paths import path_in_words
from hil.spec.robot_values import Drives, Program
from hil.spec.suite_values import (
    Ask,
    ChangeSettings,
    Collect,
    Do,
    DriveStep,
    Instrument,
    Load,
    Observe,
    Observed,
    Pause,
    Place,
    Retether,
    Step,
    Tell,
    Untether,
    Wait,
)

# What a person reads, where its name alone is no noun.
_READ = {
    Observed.ALONG: "place along the way",
    Observed.CLEARANCE_LEFT: "clearance on the left",
    Observed.CLEARANCE_RIGHT: "clearance on the right",
}
_MEASURED = {
    Route.TELEMETRY: "by telemetry",
    Route.OPERATOR: "by the operator",
    Route.BOTH: "by telemetry and then by the operator",
}


def plan_lines(plan: Plan) -> list[str]:
    """Return the whole plan as lines of text without trailing blanks."""
    robot = plan.robot.robot
    route = _MEASURED[plan.route]
    lines = [f"Plan for the robot {robot.name} ({robot.serial}), class {plan.robot_class}, measured {route}"]
    lines += _manner_lines(plan)
    first = next((case.program for case in plan.cases if case.program), "")
    if first and len(plan.robot.programs) > 1:
        lines.append(f"It begins with the program {first} loaded")
    lines += _reporting_lines(plan)
    for case in plan.cases:
        if case.loads:
            lines += ["", f"Load the program {case.program}: {plan.robot.programs[case.program].load}"]
        lines += ["", *_case_lines(case, plan.route)]
    total = f"In all: robot {duration(plan.robot_s)}, person about {duration(plan.person_s)}"
    if plan.loads:
        total += f", {counted(plan.loads, 'load')} of a program among it ({duration(plan.loads * LOADING_S)})"
    lines += ["", f"{total}."]
    return lines


def _manner_lines(plan: Plan) -> list[str]:
    """Return how the robot is made to drive, where the port alone does not do it."""
    used = [plan.robot.programs[name] for name in dict.fromkeys(case.program for case in plan.cases if case.program)]
    driving = [program for program in used if "driving" in program.can]
    lines = []
    if any(program.drives_by is Drives.OPERATOR for program in driving):
        lines.append("Drives are started by the person, with the robot's button")
    if any(program.drives_by is Drives.GOAL for program in driving):
        lines.append("Drives are steered by the robot's maze logic, which is given one cell after another")
    if any(not program.cable for program in driving):
        kept = "" if plan.route is Route.OPERATOR else "; what the robot kept of them is collected afterwards"
        lines.append(f"Drives are without the cable{kept}")
    return lines


def _reporting_lines(plan: Plan) -> list[str]:
    """Return how the programs that drive report of it, where the run takes numbers from that."""
    programs = [plan.robot.programs[name] for name in plan.reporting if plan.route is not Route.OPERATOR]
    return [_reporting_line(plan, program) for program in programs if "driving" in program.can]


def _reporting_line(plan: Plan, program: Program) -> str:
    """Return how often a program reports its drives, and by whose clock."""
    reporting, speed_mm_s = plan.reporting[program.name], plan.robot.robot.speed_mm_s
    spacing = f"every {1000 * reporting.period_s:.0f} ms, which is {speed_mm_s * reporting.period_s:.1f} mm of way"
    if not program.cable:
        return f"Its log is taken to hold a report {spacing}"
    name = f" of the program {program.name}" if len(plan.robot.programs) > 1 else ""
    line = f"Reports of drives{name} come {spacing}"
    if reporting.host_u_s:
        by = f" ({reporting.adapter})" if reporting.adapter else ""
        line += f"; it tells no time, and the host's is good to {1000 * reporting.host_u_s:.1f} ms{by}"
    return line


def _case_lines(planned: PlannedCase, route: Route) -> list[str]:
    case = planned.case
    lines = [f"{planned.suite}/{case.name}: {case.title}"]
    if not planned.parts:
        return [*lines, "  not run: the case has no sequence for the operator"]
    if case.needs:
        lines.append(f"  only if passed: {', '.join(case.needs)}")
    built = "build the course" if planned.builds_course else "in the course"
    lines.append(f"  {built} {case.course.name} ({case.course_title})")
    lines += [f"  {index}. {_step_text(step)}" for index, step in enumerate(planned.setup, 1)]
    begin = len(planned.setup) + 1
    for part in planned.parts:
        if title := _part_title(planned, part, route):
            lines.append(f"  {title}:")
        lines += [f"  {index}. {_step_text(step)}" for index, step in enumerate(part.steps, begin)]
        begin += len(part.steps)
    lines.append(f"  {_effort(planned)}")
    for part in planned.parts:
        by = f"by {'the person' if part.by_person else 'the robot'}, " if len(planned.parts) > 1 else ""
        lines += [f"  - {by}{resolution.text}" for resolution in part.resolutions]
    if planned.unmeasured:
        lines.append(f"  - not measured by this route: {', '.join(planned.unmeasured)}")
    lines += [f"  ! {problem}" for problem in planned.problems]
    return lines


def _part_title(planned: PlannedCase, part: PlannedPart, route: Route) -> str:
    """Return whose part begins and how often it is gone through, "" where the set-up just goes on."""
    repeat = planned.case.rounds(by_person=part.by_person)
    least = f"{repeat.at_least} to " if repeat.at_least < repeat.at_most and route is not Route.BOTH else ""
    times = f"{least}{counted(repeat.at_most, 'time')}"
    if repeat.over_surfaces:
        times = f"once on each surface: {', '.join(planned.case.surfaces)}"
    if sum(bool(one.steps) for one in planned.parts) > 1:
        return f"then the {'person' if part.by_person else 'robot'} measures, {times}"
    return f"then {times}" if part.steps and (repeat.at_most > 1 or repeat.over_surfaces) else ""


def _effort(planned: PlannedCase) -> str:
    """Return a line on times and the person's part."""
    part = [
        counted(planned.placements, "placement"),
        counted(planned.readings, "reading"),
        counted(planned.board_moves, "board move"),
    ]
    person = f"person about {duration(planned.person_s)} ({', '.join(part)})"
    return f"robot {duration(planned.robot_s)}, {person}"


def _step_text(planned: PlannedStep) -> str:
    text = step_in_words(planned.step)
    if isinstance(planned.step, DriveStep) and planned.before is not None and planned.after is not None:
        text += f" [{_pose(planned.before)} to {_pose(planned.after)}, {duration(planned.robot_s)}]"
    rounds = "" if planned.in_first else "from the second round on"
    rounds = rounds if planned.in_later else "in the first round only"
    return "; ".join(part for part in (text, planned.note, rounds) if part)


def _pose(pose: CellPose) -> str:
    return f"({pose.x}, {pose.y}) {pose.heading.name.lower()}"


def step_in_words(step: Step) -> str:
    """Return one step as a short sentence without a full stop."""
    if isinstance(step, Tell):
        return f"tell: {step.say}"
    if isinstance(step, Ask):
        return f"ask: {step.question}"
    if isinstance(step, Place):
        return f"place the robot at {'the start, ' if step.at_start else ''}{_pose(step.pose)}"
    if isinstance(step, ChangeSettings):
        return "set " + ", ".join(f"{name} = {value}" for name, value in step.values.items())
    if isinstance(step, Do):
        values = ", ".join(f"{name} {value}" for name, value in step.values.items())
        return f"do {step.action} {values}".rstrip()
    if isinstance(step, DriveStep):
        return _drive_in_words(step)
    if isinstance(step, Observe) and step.instrument is Instrument.METER:
        return meter_in_words(step)
    if isinstance(step, Observe):
        exact = "counted" if step.u == 0 else f"± {2 * step.u:g} {step.unit}".rstrip()
        by = "" if step.instrument.value == step.what.value else f" by {step.instrument.value}"
        return f"read the {_READ.get(step.what, step.what.value)}{by} ({exact}) as {step.name}"
    if isinstance(step, Stand | Spin | HandTurn | Lamps | LoadResistor | Jig):
        return bench_step_in_words(step)
    return _waiting_in_words(step)


def _drive_in_words(step: DriveStep) -> str:
    times = f"{step.times} times " if step.times > 1 else ""
    text = f"drive {times}{path_in_words(step.path)} as {step.name}, front stop by {step.front}"
    if step.only_while is not None:
        number = step.only_while.clearance_over_cells
        cells, leave = counted(number, "blind cell"), "leaves" if number == 1 else "leave"
        text += f", only while {cells} {leave} {step.only_while.at_least_mm:g} mm of clearance"
    return text


def _waiting_in_words(step: Wait | Pause | Load | Untether | Retether | Collect) -> str:
    if isinstance(step, Pause):
        return pause_in_words(step)
    if isinstance(step, Load):
        return f"load the program {step.program}"
    if isinstance(step, Untether):
        return "let go of the port and unplug the cable"
    if isinstance(step, Retether):
        return f"plug the cable in and wait for the port, {step.timeout_s:g} s at most"
    if isinstance(step, Collect):
        return f"take over the robot's {step.what}"
    condition = step.condition
    what = step.event if condition is None else f"{condition.channel} {condition.comparison} {condition.value:g}"
    return f"wait for {what}, {step.timeout_s:g} s at most"


def duration(seconds: float) -> str:
    """Return a time as a person says it: *8 s*, *2 min 5 s*, *1 h 10 min*."""
    whole = max(1, round(seconds)) if seconds > 0 else 0
    minutes, rest = divmod(whole, 60)
    if minutes >= 60:
        return f"{minutes // 60} h {minutes % 60} min"
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"

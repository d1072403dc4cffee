"""The wheels turned by their motors, free on a stand: by the protocol's command, else by the robot's button.

The wheels are brought to rest on every way out. A spin that is left by an error or Ctrl-C is ended by the stop itself,
at once, before anything else is done.
"""

from __future__ import annotations

from hil.engine.bench import Bench
from hil.engine.driving import take_in
from hil.engine.parts import Parts
from hil.engine.safety import no_interrupt
from hil.engine.session import RobotSession
from hil.engine.taking import Taking, out_of_the_way
from hil.measure.model import CellPose
from hil.spec.bench_values import Spin
from hil.wire.fields import Value

_LONGER_S = 5.0  # asked for beyond what is needed: the spin is ended by us, and by itself where nobody is left to
_REST_S = 4.0  # in which free wheels come to rest


def spin(bench: Bench, step: Spin, parts: Parts, taking: Taking, pose: CellPose) -> str:
    """Carry out one spin; return why its recording is not whole, "" where it is."""
    bench.line.plug_in()
    out_of_the_way(bench.line)
    if "spin" in bench.line.dialect.commands:
        return _by_command(bench, step, parts, taking, pose)
    with parts.part(step.name, pose, labels=_labels(step), conditions=_conditions(step)):
        bench.operator.spin(step.left, step.right, step.duration_s)
        take_in(bench.line)
    return ""


def _by_command(bench: Bench, step: Spin, parts: Parts, taking: Taking, pose: CellPose) -> str:
    session = bench.session
    try:
        with session.kept_moving():
            session.ask("spin", _asked(session, step))
            session.pass_time(step.settle_s)
            with parts.part(step.name, pose, labels=_labels(step), conditions=_conditions(step)):
                with taking.taken(step.takes, step.duration_s):
                    taking.provoke(step.provocation, step.duration_s)
                    session.pass_time(step.duration_s)
                parts.live_ended(step.name)
                session.ask("spin", {"left": 0.0, "right": 0.0})
                if session.dialect.has_events:
                    session.wait_for_event("idle", _REST_S)
                return taking.send_recording(step.takes)
    except BaseException:
        with no_interrupt():
            session.stop()
        raise


def _asked(session: RobotSession, step: Spin) -> dict[str, Value]:
    values: dict[str, Value] = {"left": step.left, "right": step.right}
    if any(field.name == "duration" for field in session.dialect.commands["spin"].fields):
        values["duration"] = step.settle_s + step.duration_s + _LONGER_S
    return values


def _labels(step: Spin) -> dict[str, str]:
    return {"provocation": step.provocation}


def _conditions(step: Spin) -> dict[str, float]:
    return {"duty.left": step.left, "duty.right": step.right}

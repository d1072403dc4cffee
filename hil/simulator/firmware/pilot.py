"""Executes a path: references for the two wheels from profile and steering, and reports of what happened on the way.

The references run on from move to move, so that a wheel's counting error is never added up: the robot turns and
drives from where its counts should be. On a straight without tracking both wheels follow the same profile; under
tracking they differ by the curvature asked for, and where tracking ends the difference stays as it is. A straight's
reports carry the index of its first path element at its begin and of its last at its end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from hil.measure.model import PathElement, Robot
from hil.simulator.firmware.body import Body
from hil.simulator.firmware.moves import Move, Straight, Turn, moves_of
from hil.simulator.firmware.profile import Ramp
from hil.simulator.firmware.senses import Senses
from hil.simulator.firmware.settings import Settings
from hil.simulator.firmware.wheels import WheelControl

_TURN_RATE_RAD_S = 6.0
_TURN_ACCELERATION_RAD_S2 = 60.0
_BLOCKED_MM = 15.0  # a wheel that is so far behind its reference does not turn freely
_ARRIVE_TICKS = 50  # longest wait for the wheels to come within a count of the end
# The sensors' supply is switched on with the first motion of a straight; what they read before is not used.
_BLIND_TICKS = 2

Report = tuple[str, float, str]
"""Canonical event, robot time [s], detail."""


def way_of(rate: float, before: int) -> int:
    """Return the sign of a wheel's way, that of before where it is not sent anywhere."""
    return 1 if rate > 0 else -1 if rate < 0 else before


class Pilot:
    """Drives one path, tick by tick. `reports` is emptied by the caller; `finished` tells that all moves are done."""

    def __init__(
        self,
        *,
        robot: Robot,
        settings: Settings,
        path: Sequence[PathElement],
        speed_mm_s: float,
        by_wall: bool,
        trigger_late_mm: float,
    ) -> None:
        self._moves = moves_of(path, settings.mm("cell-pitch"))
        self._half_base = settings.mm("wheel-base") / 2
        turn = math.pi / robot.counts_per_turn
        self._count_mm = turn * max(settings.mm("wheel-left"), settings.mm("wheel-right"))
        self.left = WheelControl(turn * settings.mm("wheel-left"))
        self.right = WheelControl(turn * settings.mm("wheel-right"))
        self._speed = speed_mm_s
        self._acceleration = float(settings.get("acceleration"))
        self._settle_ticks = settings.get("settle")
        self._by_wall = by_wall
        self._senses = Senses(robot, settings, trigger_late_mm)
        self.reports: list[Report] = []
        self.ways = (1, 1)  # which way each wheel was sent last, as a sign
        self.finished = False
        self._move: Move = self._moves[0]
        self._number = 0
        self._ramp = Ramp(0.0, 1.0, 1.0)
        self._ref_left = self._ref_right = 0.0  # mm since the drive's begin
        self._from_mm = 0.0  # counted travel at which the straight began
        self._section = 0
        self._contacts = 0
        self._looking = 0  # ticks since the sensors came on
        # Waits are counted in ticks: sums of seconds would depend on when the drive began, in their last bit.
        self._wait = 0  # left of the phase after a move: arriving, then settling
        self._moving = self._arriving = False

    @property
    def blocked(self) -> bool:
        """Whether a wheel does not follow."""
        return abs(self.left.error) > _BLOCKED_MM or abs(self.right.error) > _BLOCKED_MM

    def begin(self, body: Body, now_s: float) -> None:
        """Start from where the robot stands."""
        self.left.restart(body.counts_left)
        self.right.restart(body.counts_right)
        self._contacts = body.contacts
        self._begin_move(body, now_s)

    def _begin_move(self, body: Body, now_s: float) -> None:
        move = self._move = self._moves[self._number]
        self._moving = True
        if isinstance(move, Turn):
            self._ramp = Ramp(abs(move.angle_rad), _TURN_RATE_RAD_S, _TURN_ACCELERATION_RAD_S2)
            self.reports.append(("turn.begin", now_s, str(move.index)))
            return
        self._ramp = Ramp(move.length_mm, self._speed, self._acceleration)
        self._section = 0
        self._from_mm = self._counted_mm(body)
        self._looking = -_BLIND_TICKS
        self.reports.append(("move.begin", now_s, str(move.sections[0].index)))

    def _counted_mm(self, body: Body) -> float:
        return 0.5 * (self.left.travelled_mm(body.counts_left) + self.right.travelled_mm(body.counts_right))

    def tick(self, body: Body, now_s: float) -> None:
        """Run one tick of the task; the duties are then in `left.duty` and `right.duty`."""
        v_left = v_right = a_left = a_right = 0.0
        if self._moving:
            move = self._move
            ramp = self._ramp
            ramp.advance()
            if isinstance(move, Turn):
                on_right = self._half_base if move.angle_rad > 0 else -self._half_base
                on_left = -on_right
            else:
                lean = self._half_base * self._look(move, body, now_s)
                on_left = 1.0 - lean
                on_right = 1.0 + lean
            self._ref_left += on_left * ramp.travel
            self._ref_right += on_right * ramp.travel
            v_left, v_right = on_left * ramp.speed, on_right * ramp.speed
            a_left, a_right = on_left * ramp.acceleration, on_right * ramp.acceleration
            if ramp.done:
                self._moving = False
                self._arriving = True
                self._wait = _ARRIVE_TICKS
        else:
            self._rest(body, now_s)
        self.ways = (way_of(v_left, self.ways[0]), way_of(v_right, self.ways[1]))
        rail_v = body.rail_v
        self.left.follow(body.counts_left, self._ref_left, v_left, a_left, rail_v)
        self.right.follow(body.counts_right, self._ref_right, v_right, a_right, rail_v)
        if body.contacts != self._contacts:
            self._contacts = body.contacts
            self.reports.append(("touched", now_s, str(self._index())))

    def missed(self, ticks: int) -> None:
        """Take note that the task did not run for so many ticks; the profile waits where it was."""
        self.left.missed(ticks)
        self.right.missed(ticks)

    def brake(self, body: Body) -> tuple[float, float]:
        """Return the duties (left, right) that bring the wheels to rest soonest."""
        rail_v = body.rail_v
        return self.left.halt(body.counts_left, rail_v), self.right.halt(body.counts_right, rail_v)

    def _index(self) -> int:
        move = self._move
        return move.index if isinstance(move, Turn) else move.sections[self._section].index

    def _rest(self, body: Body, now_s: float) -> None:
        """Between moves: wait for the wheels, report the end, settle, go on."""
        self._wait -= 1
        if self._arriving:
            near = abs(self.left.error) <= self._count_mm and abs(self.right.error) <= self._count_mm
            if not near and self._wait > 0:
                return
            self._arriving = False
            self._wait = self._settle_ticks
            move = self._move
            if isinstance(move, Turn):
                self.reports.append(("turn.end", now_s, str(move.index)))
            else:
                self.reports.append(("move.end", now_s, str(move.sections[-1].index)))
            return
        if self._wait > 0 or self.finished:
            return
        self._number += 1
        if self._number < len(self._moves):
            self._begin_move(body, now_s)
        else:
            self.finished = True

    def _look(self, move: Straight, body: Body, now_s: float) -> float:
        """Look at the walls; return the curvature to drive now [1/mm]."""
        self._looking += 1
        if self._looking < 0:
            return 0.0
        senses, ramp = self._senses, self._ramp
        readings = body.read_sensors()
        if self._looking == 0:
            senses.restart(readings)
        senses.look(readings, ramp.travel, now_s)
        counted = self._counted_mm(body) - self._from_mm
        while self._section + 1 < len(move.sections) and counted >= move.sections[self._section].end_mm:
            self._section += 1
        section = move.sections[self._section]
        if senses.left_end_s is not None:
            self.reports.append(("edge.left", senses.left_end_s, str(section.index)))
        if senses.right_end_s is not None:
            self.reports.append(("edge.right", senses.right_end_s, str(section.index)))
        if self._by_wall:
            remaining = senses.wall_ahead(readings, ramp.end - counted, ramp.speed)
            if remaining is not None:
                ramp.end = counted + remaining
                self.reports.append(("front.reset", now_s, str(section.index)))
        return senses.steering.steer(section.tracking, ramp.travel)

"""The firmware's 1 kHz task: starts and stops drives, guards them, and knows what is to be reported.

A drive goes from `begin` over its moves to a rest of 100 ms and the event idle. It is cut short by `stop` (the
request), by the dead man (nobody was heard for half a second), or by a blocked wheel: the wheels are braked at once,
event fault says why, and when the robot stands event idle carries the same word. A new drive is refused with `busy`
while one goes on, with `low-battery` below the lowest voltage, with `bad-path` and `bad-speed` for what they say.

A spin turns the wheels at duties, without looking at anything; it lasts for a time, and what cuts a drive short ends it
as well. Whether the robot stands on its wheels the firmware cannot know.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum

from hil.measure.model import PathElement, Robot
from hil.simulator.firmware.body import TICK_S, Body
from hil.simulator.firmware.pauses import Pauses
from hil.simulator.firmware.pilot import Pilot, Report, way_of
from hil.simulator.firmware.settings import Refusal, Settings
from hil.simulator.parameters import FirmwareFaults

VERSION = "hil-virtual-1"
DEAD_MAN_S = 0.5
_REST_TICKS = 100  # of samples at rest after a drive, before idle is reported
_BRAKE_TICKS = 250  # after which a stopped robot stands, whatever its grip
LONGEST_SPIN_S = 30.0
_SLOWEST_MM_S = 20.0
_FASTEST_MM_S = 1500.0


class Phase(Enum):
    """What the task is doing."""

    IDLE = "idle"
    DRIVING = "driving"
    SPINNING = "spinning"
    BRAKING = "braking"
    RESTING = "resting"


class Firmware:
    """The program on the robot. The caller ticks it once a millisecond while `phase` is not IDLE.

    `reports` is what happened, to be emptied by the caller; `longest_period_s` the longest period of the task since
    the caller last reset it.
    """

    def __init__(self, robot: Robot, *, faults: FirmwareFaults, seed: int) -> None:
        self.robot = robot
        self.settings = Settings(robot)
        self.phase = Phase.IDLE
        self.duty_left = self.duty_right = 0.0
        self.reports: list[Report] = []
        self.longest_period_s = TICK_S
        self._faults = faults
        self._pauses = Pauses(faults.loop_pause_s, seed)
        self._pilot: Pilot | None = None
        self._wait = 0
        self._detail = "0"
        self._last_run_s = 0.0
        self._spins_until_s = 0.0
        self.ways = (1, 1)  # which way the wheels were sent last, for encoders that cannot tell

    @property
    def has_been_held(self) -> bool:
        """Whether the task did not run for a while, as its fault wants it."""
        return self._pauses.has_held

    @property
    def is_moving(self) -> bool:
        """Whether a drive or a spin goes on, its rest included."""
        return self.phase is not Phase.IDLE

    @property
    def is_spinning(self) -> bool:
        """Whether the wheels are turned at duties, their coming to rest left out."""
        return self.phase is Phase.SPINNING

    def begin(self, body: Body, path: Sequence[PathElement], *, speed_mm_s: float, by_wall: bool, now_s: float) -> None:
        """Start a drive; raise `Refusal` where it cannot be done."""
        if self.phase is not Phase.IDLE:
            raise Refusal("busy")
        if not _SLOWEST_MM_S <= speed_mm_s <= _FASTEST_MM_S:
            raise Refusal("bad-speed")
        pilot = Pilot(
            robot=self.robot,
            settings=self.settings,
            path=path,
            speed_mm_s=speed_mm_s,
            by_wall=by_wall and self._faults.front_reset,
            trigger_late_mm=self._faults.front_trigger_late_mm,
        )
        self._refuse_low(body)
        pilot.begin(body, now_s)
        self._pilot = pilot
        self.phase = Phase.DRIVING
        self._detail = str(len(path) - 1)
        self._last_run_s = now_s
        self._collect(pilot)

    def spin(self, body: Body, left: float, right: float, *, duration_s: float, now_s: float) -> None:
        """Turn the wheels at duties (-1 to 1), or otherwise than now; raise `Refusal` where it cannot be done."""
        if self.phase not in (Phase.IDLE, Phase.SPINNING):
            raise Refusal("busy")
        if not (abs(left) <= 1 and abs(right) <= 1 and 0 < duration_s <= LONGEST_SPIN_S):
            raise Refusal("out-of-range")
        if self.phase is Phase.IDLE:
            if left == right == 0:
                return
            self._refuse_low(body)
            self._pilot, self._detail, self._last_run_s = None, "", now_s
        self.phase = Phase.SPINNING
        self.duty_left, self.duty_right = left, right
        self.ways = (way_of(left, self.ways[0]), way_of(right, self.ways[1]))
        self._spins_until_s = now_s + (duration_s if left or right else 0.0)

    def _refuse_low(self, body: Body) -> None:
        if body.battery_v * 1000 < self.settings.get("battery-lowest"):
            raise Refusal("low-battery")

    def stop(self, reason: str, now_s: float) -> None:
        """Brake at once for `reason`; without a drive or a spin nothing happens."""
        if self.phase not in (Phase.DRIVING, Phase.SPINNING):
            return
        self.phase = Phase.BRAKING
        self._wait = _BRAKE_TICKS
        self._detail = reason
        self.reports.append(("fault", now_s, reason))

    def tick(self, body: Body, now_s: float) -> bool:
        """Run the task once; False where a pause holds it, the duties then stay as they were."""
        if self._pauses.held():
            return False
        period = now_s - self._last_run_s
        self._last_run_s = now_s
        if period > self.longest_period_s:
            self.longest_period_s = period
        pilot = self._pilot
        if pilot is None:
            self._spin_on(now_s)
            return True
        if period > 1.5 * TICK_S:
            pilot.missed(round(period / TICK_S) - 1)
        if self.phase is Phase.DRIVING:
            pilot.tick(body, now_s)
            if pilot.reports:
                self._collect(pilot)
            self.duty_left = pilot.left.duty
            self.duty_right = pilot.right.duty
            self.ways = pilot.ways
            if pilot.finished:
                self._rest()
            elif pilot.blocked:
                self.stop("blocked", now_s)
        elif self.phase is Phase.BRAKING:
            self.duty_left, self.duty_right = pilot.brake(body)
            self._wait -= 1
            if self._wait <= 0:
                self._rest()
        else:
            self._rest_on(now_s)
        return True

    def _spin_on(self, now_s: float) -> None:
        """Go on without a pilot: spin, brake to a stand, rest."""
        if self.phase is Phase.SPINNING and now_s >= self._spins_until_s - TICK_S / 2:
            self.phase, self._wait = Phase.BRAKING, _BRAKE_TICKS
        if self.phase is Phase.BRAKING:
            self.duty_left = self.duty_right = 0.0
            self._wait -= 1
            if self._wait <= 0:
                self._rest()
        else:
            self._rest_on(now_s)

    def _rest_on(self, now_s: float) -> None:
        if self.phase is not Phase.RESTING:
            return
        self._wait -= 1
        if self._wait <= 0:
            self.phase = Phase.IDLE
            self._pilot = None
            self.reports.append(("idle", now_s, self._detail))

    def _rest(self) -> None:
        self.phase = Phase.RESTING
        self.duty_left = self.duty_right = 0.0
        self._wait = _REST_TICKS

    def _collect(self, pilot: Pilot) -> None:
        self.reports += pilot.reports
        pilot.reports.clear()

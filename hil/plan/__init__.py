"""What will be done, before anything is done: order, steps, poses, times, the person's part, and what can be resolved.

The plan reads no port and no clock. Its times are estimates for the progress bar and for somebody who must find the
time; its resolutions tell whether an assertion can be decided at all on this robot.
"""

from hil.plan.building import build_plan
from hil.plan.durations import case_time_s, drive_time_s, route_time_s, suites_time_s
from hil.plan.planned import Plan, PlannedCase, PlannedStep
from hil.plan.programs import changes_of, order_cases, reported_in
from hil.plan.resolution import Resolution, resolution

__all__ = [
    "Plan",
    "PlannedCase",
    "PlannedStep",
    "Resolution",
    "build_plan",
    "case_time_s",
    "changes_of",
    "drive_time_s",
    "order_cases",
    "reported_in",
    "resolution",
    "route_time_s",
    "suites_time_s",
]

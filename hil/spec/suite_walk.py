"""The robot's nominal pose followed through a case, so that no path leaves the course or goes through a wall."""

from __future__ import annotations

from collections.abc import Sequence

from hil.measure.model import CellPose, Course
from hil.spec.checking import Document, Key
from hil.spec.paths import obstacle, path_in_words
from hil.spec.suite_values import DriveStep, Place, Step
from hil.spec.wording import quoted

Located = tuple[Key, Step | None]  # a step and where it stands; None for one that could not be compiled


def walk(
    document: Document, course: Course, setup: Sequence[Located], sequence: Sequence[Located], rounds: int
) -> None:
    """Follow the pose through the set-up and `rounds` times through the sequence, and report the first obstacle."""
    pose, known = _through(document, course, setup, None, True)
    seen: set[CellPose | None] = set()
    for _ in range(rounds):
        if not known or pose in seen:
            return
        seen.add(pose)
        pose, known = _through(document, course, sequence, pose, known)


def _through(
    document: Document, course: Course, steps: Sequence[Located], pose: CellPose | None, known: bool
) -> tuple[CellPose | None, bool]:
    """Return the pose after the steps (None: not placed yet) and whether it is known."""
    for at, step in steps:
        if step is None:
            # The step is reported already; if it was to place or drive, the pose behind it is anybody's guess.
            node = document.node(at)
            known = known and node is not None and not ({"place", "drive"} & set(node.entries))
        elif isinstance(step, Place):
            pose, known = step.pose, True
        elif isinstance(step, DriveStep) and known:
            if pose is None:
                document.report(
                    (*at, "drive"), found="a drive before any step place", expected="the robot placed first"
                )
                return None, False
            pose, known = _driven(document, course, (*at, "drive", "path"), step, pose)
    return pose, known


def _driven(document: Document, course: Course, at: Key, step: DriveStep, pose: CellPose) -> tuple[CellPose, bool]:
    seen: set[CellPose] = set()
    for _ in range(step.times):
        if pose in seen:
            break
        seen.add(pose)
        for element in step.path:
            if stands := obstacle(course, pose, element):
                start = f"[{pose.x}, {pose.y}] {pose.heading.name.lower()}"
                found = f"{quoted(path_in_words([element]))} from {start} into {stands}"
                document.report(at, found=found, expected=f"a path that is free in the course {course.name}")
                return pose, False
            pose = course.after(pose, element)
    return _after_all(course, step, pose, len(seen)), True


def _after_all(course: Course, step: DriveStep, pose: CellPose, driven: int) -> CellPose:
    """Return where the robot stands after all rounds, `driven` of which are done."""
    for _ in range((step.times - driven) if driven < step.times else 0):
        for element in step.path:
            pose = course.after(pose, element)
    return pose

"""A course as it was really put up: every panel a little out of place, with a gap at its posts and its own reflectance.

Light meets the panels where they stand. Contact is reckoned against the course as drawn, without the gaps: a step of
half a millimetre at a joint is nothing to a robot that brushes along, but would be a kick from a stiff spring.
Maze axes: (0, 0) is the centre of cell (0, 0), x east, y north, mm. A board can lie on a wall's face only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hil.errors import UsageError
from hil.measure.model import Course, Heading
from hil.simulator.optics import BOXES_PER_CELL, cast_ray
from hil.simulator.parameters import Noises
from hil.simulator.streams import Source, stream

Edge = tuple[int, int, Heading]
Box = tuple[float, float, float, float, float]  # x0, y0, x1, y1, reflectance


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One panel as it stands: moved north (or east) by `offset_mm`, with a gap at its west (or south) and other end."""

    offset_mm: float
    near_gap_mm: float
    far_gap_mm: float
    reflectance: float


class World:
    """The walls of a course as put up under a seed.

    `boxes` (columns, rows, BOXES_PER_CELL, 5) and `box_counts` (columns, rows) are what light meets, in mm.
    `blocked` (columns, rows) has bit 1 << heading set where a cell has a wall; `board_m` (columns, rows, 4) is the
    thickness of the boards on them; `convex` (columns + 1, rows + 1) has bits for the free corners of each post, in the
    order north-east, north-west, south-west, south-east. These are what the body meets, in m.
    """

    def __init__(self, course: Course, noises: Noises, seed: int) -> None:
        self.course = course
        self._noises = noises
        self._seed = seed
        self._panels = _panels(course, noises, seed)
        self._posts = _post_reflectances(course, noises, seed)
        size = (course.columns, course.rows)
        self.boxes: NDArray[np.float64] = np.zeros((*size, BOXES_PER_CELL, 5))
        self.box_counts: NDArray[np.int64] = np.zeros(size, dtype=np.int64)
        self.blocked: NDArray[np.uint8] = np.zeros(size, dtype=np.uint8)
        self.board_m: NDArray[np.float64] = np.zeros((*size, 4))
        self.convex = _convex(course)
        for x in range(course.columns):
            for y in range(course.rows):
                self.blocked[x, y] = sum(1 << side for side in Heading if course.has_wall(x, y, side))
                self._fill(x, y)

    def set_board(self, cell: tuple[int, int], side: Heading, thickness_mm: float) -> None:
        """Lay a board on the face of a wall, seen from `cell`; zero takes it away.

        The same board has the same true thickness whenever it is laid. Raises `UsageError` where there is no wall.
        """
        x, y = cell
        inside = 0 <= x < self.course.columns and 0 <= y < self.course.rows
        if not inside or not self.course.has_wall(x, y, side):
            raise UsageError(
                f"cell ({x}, {y}) has no wall on its {side.name.lower()} side to lay a board on",
                where=f"course {self.course.name}",
                expected="a side with a wall",
            )
        if not 0 <= thickness_mm <= 60:
            raise UsageError(f"a board of {thickness_mm:g} mm cannot be laid", expected="0 to 60 mm")
        chance = stream(self._seed, Source.BOARDS, x, y, int(side), round(thickness_mm * 1000))
        error_mm = chance.normal(0.0, self._noises.board_thickness_sd_mm) if thickness_mm > 0 else 0.0
        self.board_m[x, y, side] = max(0.0, thickness_mm + error_mm) / 1000
        self._fill(x, y)

    def panel(self, cell: tuple[int, int], side: Heading) -> Panel | None:
        """Return the panel on that side of a cell as it stands, or None where there is none."""
        return self._panels.get(_edge(*cell, side))

    def face_mm(self, cell: tuple[int, int], side: Heading) -> float:
        """Return where the face seen from a cell really is: its y for north and south, its x for east and west.

        A board on it counts. Infinite, with the sign of the side, where there is no wall.
        """
        x, y = cell
        sign = 1 if side in (Heading.NORTH, Heading.EAST) else -1
        panel = self.panel(cell, side)
        if panel is None:
            return sign * math.inf
        course = self.course
        centre = (y if side in (Heading.NORTH, Heading.SOUTH) else x) * course.pitch_mm
        inner_mm = course.free_width_mm / 2 - float(self.board_m[x, y, side]) * 1000
        return centre + sign * inner_mm + panel.offset_mm

    def distance_mm(self, x_mm: float, y_mm: float, angle_rad: float) -> float:
        """Return the true distance from a point to the first thing in a direction; infinite beyond a sensor's range."""
        return float(
            cast_ray(
                x_mm,
                y_mm,
                math.cos(angle_rad),
                math.sin(angle_rad),
                self.course.pitch_mm,
                self.boxes,
                self.box_counts,
            )[0]
        )

    def _fill(self, x: int, y: int) -> None:
        boxes = [*self._panel_boxes(x, y), *self._post_boxes(x, y)]
        self.box_counts[x, y] = len(boxes)
        for k, box in enumerate(boxes):
            self.boxes[x, y, k] = box

    def _panel_boxes(self, x: int, y: int) -> list[Box]:
        boxes: list[Box] = []
        pitch, half = self.course.pitch_mm, self.course.wall_mm / 2
        for side in Heading:
            panel = self.panel((x, y), side)
            if panel is None:
                continue
            dx, dy = side.step
            across = (pitch / 2) * (dx + dy) + panel.offset_mm  # of the panel's middle, from the cell's centre
            near, far = -pitch / 2 + half + panel.near_gap_mm, pitch / 2 - half - panel.far_gap_mm
            boxes.append(_placed(x * pitch, y * pitch, dx != 0, (across - half, across + half), (near, far), panel))
            board_mm = float(self.board_m[x, y, side]) * 1000
            if board_mm > 0:
                face = across - half * (dx + dy)
                span = (face - board_mm, face) if dx + dy > 0 else (face, face + board_mm)
                ends = (-pitch / 2 + half, pitch / 2 - half)
                boxes.append(_placed(x * pitch, y * pitch, dx != 0, span, ends, panel))
        return boxes

    def _post_boxes(self, x: int, y: int) -> list[Box]:
        boxes: list[Box] = []
        pitch, half = self.course.pitch_mm, self.course.wall_mm / 2
        for i, j in ((x, y), (x + 1, y), (x, y + 1), (x + 1, y + 1)):
            if (i, j) in self._posts:
                at_x, at_y = (i - 0.5) * pitch, (j - 0.5) * pitch
                boxes.append((at_x - half, at_y - half, at_x + half, at_y + half, self._posts[i, j]))
        return boxes


def _placed(
    x: float, y: float, stands_north: bool, across: tuple[float, float], along: tuple[float, float], panel: Panel
) -> Box:
    """Return a box from its extents across and along the wall, about a cell's centre."""
    if stands_north:
        return (x + across[0], y + along[0], x + across[1], y + along[1], panel.reflectance)
    return (x + along[0], y + across[0], x + along[1], y + across[1], panel.reflectance)


def _edge(x: int, y: int, side: Heading) -> Edge:
    if side in (Heading.NORTH, Heading.EAST):
        return (x, y, side)
    dx, dy = side.step
    return (x + dx, y + dy, side.turned(2))


def _panels(course: Course, noises: Noises, seed: int) -> dict[Edge, Panel]:
    """Draw every panel, in the order of the lattice, so that the same course stands the same way every time."""
    chance = stream(seed, Source.PANELS)
    panels: dict[Edge, Panel] = {}
    for edge in sorted(course.walls):
        gap_mm, share = chance.uniform(0.0, 1.0, 2)
        gap_mm *= noises.panel_gap_max_mm
        panels[edge] = Panel(
            offset_mm=float(chance.normal(0.0, noises.panel_offset_sd_mm)),
            near_gap_mm=float(gap_mm * share),
            far_gap_mm=float(gap_mm * (1 - share)),
            reflectance=float(chance.normal(1.0, noises.panel_reflectance_sd)),
        )
    return panels


def _post_reflectances(course: Course, noises: Noises, seed: int) -> dict[tuple[int, int], float]:
    chance = stream(seed, Source.PANELS, 1)
    return {post: float(chance.normal(1.0, noises.panel_reflectance_sd)) for post in sorted(course.posts)}


def _convex(course: Course) -> NDArray[np.uint8]:
    """Return the free corners of every post, and of every bare end of a wall, which meets a body as a post does."""
    convex: NDArray[np.uint8] = np.zeros((course.columns + 1, course.rows + 1), dtype=np.uint8)
    for i in range(course.columns + 1):
        for j in range(course.rows + 1):
            east, west = course.has_wall(i, j, Heading.SOUTH), course.has_wall(i - 1, j, Heading.SOUTH)
            north, south = course.has_wall(i, j, Heading.WEST), course.has_wall(i, j - 1, Heading.WEST)
            if (i, j) in course.posts or east or west or north or south:
                free = (not (north or east), not (north or west), not (south or west), not (south or east))
                convex[i, j] = sum(1 << k for k, is_free in enumerate(free) if is_free)
    return convex

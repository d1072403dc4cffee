"""Is a block that was just read at the jig what it is said to be? Looked at while the person still stands there.

`check_block` looks at one block beside the earlier ones of the same sensor, `check_set` at all distances of a surface
when they are in, beside those of other surfaces. Each doubt says what is wrong, what was expected and what to do.
Nothing is thrown away here: whoever asks again sets the earlier block aside, with its record kept.

A block of which nothing else can be said is held against the curve of the others in `hil.measure.jig_curve`. The limits
are wide (a slip of the pen is centimetres, a bent board is millimetres) and are common practice, without a source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from hil.measure.jig_curve import Suspect, suspect_of
from hil.measure.wall_blocks import BLOCK_SD_MM, SAME_DISTANCE_MM, Block
from hil.measure.wall_sensor import SATURATED_SHARE

__all__ = ["Block", "Doubt", "Trouble", "check_block", "check_set"]

_SURE = 4.0  # standard uncertainties beyond which two readings differ
_BACKGROUND_SHARE = 0.5  # of the farthest board's reading: without a board less comes back
_OTHER_FACTOR = 3.0  # by which another sensor must answer more
_FEW_COUNTS = 10.0  # below, nothing was seen worth speaking of
_LEFT_OUT_SHARE = 0.25  # of the reading of a board farther off: none stands there
_FAR_OFF = 3.0  # times the distance stated: no slip of the pen but a board that was left out
_FEWEST_EQUAL = 3  # distances that must read alike before two surfaces are taken for one
_STUCK_N = 4  # equal readings in a row, and again at another distance


class Trouble(Enum):
    """What can be wrong with a block."""

    TOO_FEW = "too few"
    SATURATED = "saturated"
    STUCK = "stuck"
    NO_WALL = "no wall"
    ANOTHER_SENSOR = "another sensor"
    BOARD_LEFT = "board left"
    RISING = "rising"
    OFF_CURVE = "off the curve"
    SURFACE_AGAIN = "surface again"
    SAME_AS_OTHER = "same as another surface"

    @property
    def is_of_robot(self) -> bool:
        """Whether the robot and not the jig is to blame: it is said and kept, since reading again helps nobody."""
        return self is Trouble.ANOTHER_SENSOR


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """One doubt about a block, in three parts that are said one after the other.

    `of_mm` is the distance stated for the block that is doubted: the one just read, or an earlier one (infinite without
    a board). `fits_mm` is the distance that its reading would fit, where the others tell one.
    """

    trouble: Trouble
    what: str
    expected: str
    to_do: str
    of_mm: float = math.inf
    fits_mm: float | None = None

    @property
    def sentence(self) -> str:
        """All of it, as it is said to the person."""
        return f"{self.what}; expected: {self.expected}. {self.to_do}"


def check_block(block: Block, earlier: Sequence[Block], full_scale: float) -> tuple[Doubt, ...]:
    """Return what is doubtful about a block, beside earlier ones (of any sensor and surface; others are passed over).

    `full_scale` is the converter's, in counts. No doubt: the block can be kept.
    """
    own = [one for one in earlier if _is_comparable(one, block) and not _clips(one, full_scale)]
    if block.lit.size == 0:
        doubt: Doubt | None = Doubt(
            trouble=Trouble.TOO_FEW, what=f"no reading of {block.told()} was received", expected="readings",
            to_do="Check that the robot still sends its wall readings, and read this distance again.",
            of_mm=block.distance_mm,
        )  # fmt: skip
    else:
        doubt = (
            _saturated(block, full_scale) or _board_was_left(block, own) or _without_light(block, own)
            or _stuck(block, own) or _board_left(block, own) or _rising(block, own) or _off_curve(block, own)
        )  # fmt: skip
    return () if doubt is None else (doubt,)


def check_set(blocks: Sequence[Block], earlier: Sequence[Block], full_scale: float = math.inf) -> tuple[Doubt, ...]:
    """Return what is doubtful about a surface's whole set of distances, beside the sets read before it.

    `blocks` are those just read (any sensors, one surface), `earlier` all that were read before them. What is saturated
    (of `full_scale`, in counts) was told by itself and is held against nothing.
    """
    blocks, earlier = ([one for one in them if not _clips(one, full_scale)] for them in (blocks, earlier))
    doubts: list[Doubt] = []
    for sensor in dict.fromkeys(block.sensor for block in blocks):
        own = _squarely(block for block in blocks if block.sensor == sensor)
        others = _squarely(block for block in earlier if block.sensor == sensor)
        doubts += _read_again(sensor, own, others)
        doubts += _same_as_other(sensor, own, others)
        suspect = suspect_of([one.distance_mm for one in own], [one.reading for one in own])
        if suspect is not None:
            doubts.append(_misplaced(sensor, suspect))
    return tuple(doubts)


def _squarely(blocks: Iterable[Block]) -> list[Block]:
    return [one for one in blocks if one.has_board and one.is_straight and one.lit.size and not one.emitter]


def _is_comparable(one: Block, block: Block) -> bool:
    """Tell whether two blocks are of one sensor under one light, and on one surface where both have a board."""
    if one.lit.size == 0 or (one.sensor, one.emitter, one.lamps) != (block.sensor, block.emitter, block.lamps):
        return False
    return one.surface == block.surface or not (one.has_board and block.has_board)


def _clips(block: Block, full_scale: float) -> bool:
    return block.lit.size > 0 and float(np.max(block.lit)) >= SATURATED_SHARE * full_scale


def _saturated(block: Block, full_scale: float) -> Doubt | None:
    if not _clips(block, full_scale):
        return None
    highest = float(np.max(block.lit))
    return Doubt(
        trouble=Trouble.SATURATED,
        what=f"{block.told()} is saturated: lit levels go to {highest:.0f} of {full_scale:.0f}",
        expected=f"below {SATURATED_SHARE:.0%} of full scale ({SATURATED_SHARE * full_scale:.0f})",
        to_do="Leave this distance out or take a larger one, or lower the sensor's gain and read all of them again.",
        of_mm=block.distance_mm,
    )


def _without_light(block: Block, own: Sequence[Block]) -> Doubt | None:
    """Doubt a board that sends nothing back: it was left out, or stands before another sensor."""
    if not block.has_board:
        return None
    background = max((one.reading for one in own if not math.isfinite(one.distance_mm)), default=0.0)
    if block.reading > background + max(_SURE * block.u_count, 1.0):
        return None
    above = "above the dark level" if background == 0 else f"above the {background:.0f} without a board"
    what = f"{block.told()} reads {block.reading:z.0f}, no light {above}"
    other = max(block.beside, key=lambda name: block.beside[name], default="")
    if other and block.beside[other] > _OTHER_FACTOR * max(block.reading, _FEW_COUNTS):
        return Doubt(
            trouble=Trouble.ANOTHER_SENSOR,
            what=f"{block.sensor} reads no light of the board before it, while {other} does",
            expected=f"{block.sensor} to answer to the board before it",
            to_do=f"See that the board stands before {block.sensor}; if it does, the two sensors are swapped in wiring "
            "or firmware.",
            of_mm=block.distance_mm,
        )  # fmt: skip
    return _left_out(block, what)


def _left_out(block: Block, what: str) -> Doubt:
    return Doubt(
        trouble=Trouble.NO_WALL, what=what, expected="a board that sends light back",
        to_do=f"Put the board at {block.distance_mm:g} mm, see that the emitter is lit (a phone's camera shows it), "
        "and read it again.",
        of_mm=block.distance_mm,
    )  # fmt: skip


def _stuck(block: Block, own: Sequence[Block]) -> Doubt | None:
    """Doubt a level that neither scatters nor changes from one distance to the next: it is no reading."""
    if block.lit.size < _STUCK_N or np.ptp(block.lit) > 0:
        return None
    level = float(block.lit[0])
    for one in own:
        moved = abs(one.distance_mm - block.distance_mm) > SAME_DISTANCE_MM
        if moved and one.lit.size >= _STUCK_N and np.ptp(one.lit) == 0 and float(one.lit[0]) == level:
            return Doubt(
                trouble=Trouble.STUCK,
                what=f"{block.told()} is stuck: every lit level is {level:.0f}, as {_where(one)}",
                expected="levels that scatter by a count and fall with distance",
                to_do="See that the board was moved and that the sensor's channel is converted anew for every line, "
                "and read it again.",
                of_mm=block.distance_mm,
            )
    return None


def _board_left(block: Block, own: Sequence[Block]) -> Doubt | None:
    if math.isfinite(block.distance_mm):
        return None
    boards = [one for one in own if one.has_board and one.is_straight]
    if not boards:
        return None
    farthest = max(boards, key=lambda one: one.distance_mm)
    if block.reading <= max(_BACKGROUND_SHARE * farthest.reading, _FEW_COUNTS):
        return None
    return Doubt(
        trouble=Trouble.BOARD_LEFT,
        what=f"{block.told()} reads {block.reading:.0f}, much as at {farthest.distance_mm:g} mm "
        f"({farthest.reading:.0f})",
        expected=f"less than half of that with nothing before {block.sensor}",
        to_do="Take the board away, clear what stands behind it, and read it again.",
    )


def _board_was_left(block: Block, own: Sequence[Block]) -> Doubt | None:
    """Doubt what was read without a board before this one: one was left there, which no board read now makes up for.

    What reads now as it did then has no board before it, and is told as such.
    """
    empty = max((one for one in own if math.isinf(one.distance_mm)), key=lambda one: one.reading, default=None)
    if empty is None or not (block.has_board and block.is_straight) or block.reading <= _FEW_COUNTS:
        return None
    is_alike = abs(block.reading - empty.reading) <= max(_SURE * math.hypot(block.u_count, empty.u_count), 1.0)
    if is_alike or empty.reading <= max(_BACKGROUND_SHARE * block.reading, _FEW_COUNTS):
        return None
    return Doubt(
        trouble=Trouble.BOARD_LEFT,
        what=f"{empty.told()} read {empty.reading:.0f}, and with one at {block.distance_mm:g} mm it "
        f"reads {block.reading:.0f}",
        expected=f"less than half of that with nothing before {block.sensor}",
        to_do="Take the board away, clear what stands behind it, and read it again.",
    )


def _rising(block: Block, own: Sequence[Block]) -> Doubt | None:
    if not (block.has_board and block.is_straight):
        return None
    for one in sorted(_squarely(own), key=lambda one: abs(one.distance_mm - block.distance_mm)):
        farther = block.distance_mm - one.distance_mm
        rise = (block.reading - one.reading) * math.copysign(1.0, farther)
        if abs(farther) > SAME_DISTANCE_MM and rise > -_SURE / 2 * math.hypot(block.u_count, one.u_count):
            near, far = sorted((one, block), key=lambda each: each.distance_mm)
            if near is block and block.reading < _LEFT_OUT_SHARE * one.reading:
                what = f"{block.told()} reads {block.reading:.0f}, and {_where(one)} it read {one.reading:.0f}"
                return _left_out(block, what)
            return Doubt(
                trouble=Trouble.RISING,
                what=f"{block.told()} reads {block.reading:.0f}, but {_where(one)} it read {one.reading:.0f}: the "
                f"reading does not fall from {near.distance_mm:g} to {far.distance_mm:g} mm",
                expected="a reading that falls with distance",
                to_do="See at which of the two distances the board really stood (mistyped, or out of order), and read "
                "it again; very near a wall a sensor reads less, and such distances are left out.",
                of_mm=block.distance_mm, fits_mm=_fitting(block, own),
            )  # fmt: skip
    return None


def _fitting(block: Block, own: Sequence[Block]) -> float | None:
    boards = _squarely(own)
    found = suspect_of(
        [*(one.distance_mm for one in boards), block.distance_mm], [*(one.reading for one in boards), block.reading]
    )
    return found.fits_mm if found is not None and found.of_mm == block.distance_mm else None


def _off_curve(block: Block, own: Sequence[Block]) -> Doubt | None:
    if not (block.has_board and block.is_straight):
        return None
    boards = [*_squarely(own), block]
    suspect = suspect_of([one.distance_mm for one in boards], [one.reading for one in boards])
    if suspect is None:
        return None
    if suspect.of_mm == block.distance_mm and suspect.fits_mm > _FAR_OFF * block.distance_mm:
        return _left_out(
            block, f"{block.told()} reads {block.reading:.0f}, as of a board {suspect.fits_mm:.0f} mm away"
        )
    return _misplaced(block.sensor, suspect)


def _misplaced(sensor: str, suspect: Suspect) -> Doubt:
    told = f"{sensor} said to be at {suspect.of_mm:g} mm reads like {suspect.fits_mm:.0f} mm beside the other distances"
    return Doubt(
        trouble=Trouble.OFF_CURVE, what=told,
        expected=f"the reading of {suspect.of_mm:g} mm within {suspect.limit_mm:.1f} mm",
        to_do=f"If the board stood at {suspect.fits_mm:.0f} mm, say so; else see that it stands squarely and is of the "
        "same surface, and read it again.",
        of_mm=suspect.of_mm, fits_mm=suspect.fits_mm,
    )  # fmt: skip


def _where(block: Block) -> str:
    return f"at {block.distance_mm:g} mm" if math.isfinite(block.distance_mm) else "without a board"


def _matching(block: Block, others: Sequence[Block]) -> Block | None:
    return next((one for one in others if abs(one.distance_mm - block.distance_mm) <= SAME_DISTANCE_MM), None)


def _read_again(sensor: str, own: Sequence[Block], others: Sequence[Block]) -> list[Doubt]:
    again = [one for one in others if own and one.surface == own[0].surface and _matching(one, own) is not None]
    if not again:
        return []
    places = ", ".join(f"{one.distance_mm:g}" for one in again)
    return [
        Doubt(
            trouble=Trouble.SURFACE_AGAIN, what=f"{sensor} was read on {again[0].surface} before, at {places} mm",
            expected="each surface once",
            to_do="Give the name of the surface that stands there now, or keep the new readings and have the earlier "
            "ones set aside.",
            of_mm=again[0].distance_mm,
        )
    ]  # fmt: skip


def _same_as_other(sensor: str, own: Sequence[Block], others: Sequence[Block]) -> list[Doubt]:
    doubts = []
    for surface in dict.fromkeys(one.surface for one in others):
        pairs = [
            (one, other)
            for one in own
            if one.surface != surface
            and (other := _matching(one, [each for each in others if each.surface == surface])) is not None
        ]
        if len(pairs) >= _FEWEST_EQUAL and _are_alike(pairs):
            doubts.append(
                Doubt(
                    trouble=Trouble.SAME_AS_OTHER,
                    what=f"{sensor} on {own[0].surface} reads at all {len(pairs)} distances what it read on {surface}, "
                    "within noise and the board's place",
                    expected="another surface to differ",
                    to_do=f"See that the board of {own[0].surface} stands there and not that of {surface} again; "
                    "if so, keep both.",
                    of_mm=own[0].distance_mm,
                )
            )  # fmt: skip
    return doubts


def _are_alike(pairs: Sequence[tuple[Block, Block]]) -> bool:
    """Tell whether readings at the same distances are equal within noise and place, one by one and in their mean."""
    logs, u_each = [], []
    for one, other in pairs:
        if one.reading <= 0 or other.reading <= 0:
            return False
        place = 2 * BLOCK_SD_MM / one.distance_mm  # inverse square
        parts = [math.hypot(block.u_count / block.reading, place) for block in (one, other)]
        logs.append(math.log(one.reading / other.reading))
        u_each.append(math.hypot(*parts))
    mean, u_mean = sum(logs) / len(logs), math.hypot(*u_each) / len(logs)
    return abs(mean) < 2 * u_mean and all(abs(log) < 3 * u for log, u in zip(logs, u_each, strict=True))

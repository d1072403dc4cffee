"""The registry of measurement methods: one table, joined from the tables of the subject modules.

Suites name methods by the keys of `METHODS` ("straight.wheel_mismatch"). A name given twice is our mistake and stops
the import.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from hil.measure.after_turn import METHODS_OF_SUBJECT as AFTER_TURN
from hil.measure.clearance import METHODS_OF_SUBJECT as CLEARANCE
from hil.measure.duty_at_speed import METHODS_OF_SUBJECT as DUTY_AT_SPEED
from hil.measure.encoder import METHODS_OF_SUBJECT as ENCODER
from hil.measure.encoder_counts import METHODS_OF_SUBJECT as ENCODER_COUNTS
from hil.measure.encoder_jitter import METHODS_OF_SUBJECT as ENCODER_JITTER
from hil.measure.encoder_sampled import METHODS_OF_SUBJECT as ENCODER_SAMPLED
from hil.measure.front_wall import METHODS_OF_SUBJECT as FRONT_WALL
from hil.measure.general import METHODS_OF_SUBJECT as GENERAL
from hil.measure.loop_timing import METHODS_OF_SUBJECT as LOOP_TIMING
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.observed_bows import METHODS_OF_SUBJECT as OBSERVED_BOWS
from hil.measure.observed_legs import METHODS_OF_SUBJECT as OBSERVED_LEGS
from hil.measure.observed_stops import METHODS_OF_SUBJECT as OBSERVED_STOPS
from hil.measure.observed_turns import METHODS_OF_SUBJECT as OBSERVED_TURNS
from hil.measure.square_test import METHODS_OF_SUBJECT as SQUARE
from hil.measure.straight import METHODS_OF_SUBJECT as STRAIGHT
from hil.measure.supply import METHODS_OF_SUBJECT as SUPPLY
from hil.measure.tracking import METHODS_OF_SUBJECT as TRACKING
from hil.measure.turn import METHODS_OF_SUBJECT as TURN
from hil.measure.wall_changes import METHODS_OF_SUBJECT as WALL_CHANGES
from hil.measure.wall_crosstalk import METHODS_OF_SUBJECT as WALL_CROSSTALK
from hil.measure.wall_curves import METHODS_OF_SUBJECT as WALL_CURVES
from hil.measure.wall_levels import METHODS_OF_SUBJECT as WALL_LEVELS
from hil.measure.wall_presence import METHODS_OF_SUBJECT as WALL_PRESENCE

__all__ = ["METHODS", "Method", "ParameterSpec", "Parameters"]

_TABLES: tuple[tuple[Method, ...], ...] = (
    STRAIGHT,
    CLEARANCE,
    TURN,
    TRACKING,
    AFTER_TURN,
    FRONT_WALL,
    SQUARE,
    GENERAL,
    OBSERVED_BOWS,
    OBSERVED_LEGS,
    OBSERVED_TURNS,
    OBSERVED_STOPS,
    SUPPLY,
    DUTY_AT_SPEED,
    LOOP_TIMING,
    ENCODER,
    ENCODER_JITTER,
    ENCODER_SAMPLED,
    ENCODER_COUNTS,
    WALL_LEVELS,
    WALL_CURVES,
    WALL_CROSSTALK,
    WALL_PRESENCE,
    WALL_CHANGES,
)


def _joined(tables: tuple[tuple[Method, ...], ...]) -> Mapping[str, Method]:
    methods: dict[str, Method] = {}
    for table in tables:
        for method in table:
            if method.name in methods:
                raise ValueError(f"the method {method.name} stands in two tables")
            methods[method.name] = method
    return MappingProxyType(methods)


METHODS: Mapping[str, Method] = _joined(_TABLES)

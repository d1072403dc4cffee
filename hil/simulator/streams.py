"""Random streams: one for each source of chance, so that drawing more of one leaves the others as they were.

The same seed, source and key give the same stream, on every machine.
"""

from __future__ import annotations

from enum import Enum

import numpy as np


class Source(Enum):
    """What a stream of random numbers is for; the values are part of what a seed means and never change."""

    UNIT = 1  # how this robot differs from its drawing
    PANELS = 2  # how the course was put up
    BOARDS = 3  # how thick a board is
    WALK = 4  # slip of the tyres under way
    SENSORS_MOVING = 5  # what the firmware steers by
    SENSORS_AT_REST = 6  # what is told while no drive goes on
    DROPS = 7  # encoder edges that get lost
    JIG = 8
    PLACEMENT = 9  # how the robot is set down by hand
    PERSON = 10  # what a person reads
    WIRE = 11  # bytes lost and bits flipped on the line
    PAUSES = 12  # when the control loop stands still
    SENSORS_TOLD = 13  # what is told during a drive
    SENSORS_LOGGED = 14  # what is kept on board during a drive
    UNSEEN = 15  # when a person could not see what was asked for
    ENCODERS = 31  # how the encoders were put together
    DISCS = 32  # where the slots of a disc are
    RELEASES = 33  # how late the control loop comes
    HANDS_ON_WHEELS = 34  # how a person turns a wheel
    CRYSTAL = 35  # how fast the robot's clock goes
    SURFACES = 16  # boards whose names are not in the table
    JIG_BOARDS = 17  # how a board is set before a sensor by hand
    LAMPS = 18  # where in their flicker lamps are when a sensor is read
    REGULATOR = 19  # what the parts of a regulator truly are
    GAUGES = 20  # what the robot reads of its own supply
    METER = 21  # what a meter shows


def stream(seed: int, source: Source, *key: int) -> np.random.Generator:
    """Return the generator of `source` under `seed`; whole numbers in `key` tell several of one source apart."""
    entropy = [seed, source.value, *(abs(part) * 2 + (part < 0) for part in key)]
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(entropy)))

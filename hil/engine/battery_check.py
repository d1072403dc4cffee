"""No motion on an empty battery, whoever tells its voltage: the robot, or a person with a meter.

The limit is the robot file's `supply: lowest`. A reading of a meter is kept before it is judged, so that the trace
tells why the run ended.
"""

from __future__ import annotations

from hil.errors import BenchError
from hil.measure.chemistry import chemistry_of
from hil.measure.model import Supply
from hil.quantities import counted

BATTERY = "supply.battery"


def renewed(supply: Supply) -> str:
    """Return what is to be done about an empty battery: a primary one is replaced, never charged."""
    chemistry = chemistry_of(supply)
    if chemistry is not None and chemistry.is_primary:
        return "Replace it"
    return "Charge it with a charger made for it, watched"


def refuse_empty(supply: Supply, voltage: float, where: str) -> None:
    """Raise `BenchError` for a battery [V] below its lowest voltage, before anything more is moved."""
    if voltage < supply.lowest_v:
        raise BenchError(
            f"the battery is at {voltage:.2f} V",
            where=where,
            expected=f"at least {supply.lowest_v:.2f} V ({counted(supply.cells, 'cell')}, {supply.chemistry})",
            todo=f"{renewed(supply)}, and run again; nothing moves on it",
        )

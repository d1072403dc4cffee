"""Batteries by their chemistry: limits of a cell, and the cautions that go with it.

Limits are those of makers' and universities' guides (domain: lithium cells 3.0 to 4.2 V; nickel-metal hydride 1.0 V at
the end of discharge; a 9 V block counts as one cell of six, 9.6 V when fresh and used up at 6 V). The voltage at which
a robot should stop under load is common practice, no source. The maker's own sheet and local rules come first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from hil.measure.model import Supply


@dataclass(frozen=True, slots=True, kw_only=True)
class Chemistry:
    """Voltages of one cell: never below `empty_v`, stop under load at `stop_v`, never above `full_v`; its cautions.

    `cell_ohm` is the resistance of a good small cell: 50 to 200 mohm for two lithium cells of robots, 1.7 ohm for a 9 V
    block (data sheet, at 1 kHz); others are common practice, no source.
    """

    name: str
    empty_v: float
    stop_v: float
    full_v: float
    cell_ohm: float
    cautions: tuple[str, ...]
    is_primary: bool = False  # it is replaced, never charged


_CHARGING = "Charge with a charger made for this battery, watched, on a surface that cannot burn."
_LOOK = "Do not use a battery that is swollen, hot, hissing, leaking or torn; bring it to a collection point."

LITHIUM_POLYMER = Chemistry(
    name="LiPo", empty_v=3.0, stop_v=3.4, full_v=4.2, cell_ohm=0.075,
    cautions=(
        "A lithium cell below 3.0 V or above 4.2 V is damaged and can burn: stop at 3.4 V a cell under load.",
        _CHARGING,
        _LOOK,
    ),
)  # fmt: skip
LITHIUM_ION = Chemistry(
    name="Li-ion", empty_v=2.75, stop_v=3.2, full_v=4.2, cell_ohm=0.1,
    cautions=(
        "A lithium cell that is discharged too far or charged above 4.2 V is damaged and can burn.",
        _CHARGING,
        _LOOK,
    ),
)  # fmt: skip
NICKEL_METAL_HYDRIDE = Chemistry(
    name="NiMH", empty_v=0.9, stop_v=1.0, full_v=1.45, cell_ohm=0.04,
    cautions=("A cell below 1.0 V under load is empty; the weakest of a pack is driven backwards first.", _CHARGING),
)  # fmt: skip
NINE_VOLT_BLOCK = Chemistry(
    name="9 V block", empty_v=6.0, stop_v=6.5, full_v=9.6, cell_ohm=1.7, is_primary=True,
    cautions=("Do not charge a primary block, and keep its two poles from touching metal.",),
)  # fmt: skip

_ROUNDING_V = 0.005  # two cells of 3.4 V are 6.8 V however it is written

CHEMISTRIES: Mapping[str, Chemistry] = {
    "lipo": LITHIUM_POLYMER,
    "lithium polymer": LITHIUM_POLYMER,
    "li-ion": LITHIUM_ION,
    "lithium ion": LITHIUM_ION,
    "nimh": NICKEL_METAL_HYDRIDE,
    "9 v block": NINE_VOLT_BLOCK,
    "9v block": NINE_VOLT_BLOCK,
}


def chemistry_of(supply: Supply) -> Chemistry | None:
    """Return what is known of a supply's chemistry, by its name in any case; None where it is not in the table."""
    return CHEMISTRIES.get(supply.chemistry.strip().lower())


def doubts_of_battery(supply: Supply | None) -> tuple[str, ...]:
    """Return what in a robot file's supply does not go with its chemistry, as sentences without a full stop."""
    if supply is None:
        return ()
    known = chemistry_of(supply)
    if known is None:
        names = ", ".join(dict.fromkeys(one.name for one in CHEMISTRIES.values()))
        told = f"of the chemistry '{supply.chemistry}' no limits are known; they are of {names}"
        return (f"{told}. Only the lowest voltage of the file is kept to",)
    cells = f"{supply.cells} {known.name} cell{'' if supply.cells == 1 else 's'}"
    empty_v, stop_v, full_v = (one * supply.cells for one in (known.empty_v, known.stop_v, known.full_v))
    if supply.lowest_v < empty_v - _ROUNDING_V:
        harm = f"at which {cells} are damaged or used up; stop at {stop_v:g} V"
        return (f"the lowest voltage of {supply.lowest_v:g} V is below the {empty_v:g} V {harm}",)
    if supply.lowest_v < stop_v - _ROUNDING_V:
        return (f"the lowest voltage of {supply.lowest_v:g} V is below the {stop_v:g} V at which {cells} should stop",)
    if supply.lowest_v >= full_v:
        return (f"the lowest voltage of {supply.lowest_v:g} V is more than {cells} ever have ({full_v:g} V)",)
    return ()


def cautions_of_battery(supply: Supply | None) -> tuple[str, ...]:
    """Return the cautions that go with a battery; for an unknown one its maker's."""
    if supply is None:
        return ()
    known = chemistry_of(supply)
    return known.cautions if known else (f"Keep to the limits that the maker of the {supply.chemistry} battery gives.",)

"""Surfaces of boards that are put before a wall sensor, as its emitter's light sees them, which is not as eyes do.

`reflectance` is what comes back over what a matt white board gives back, squarely before it at 49 mm. Beside it a
surface may bend the curve a little: light that enters a translucent board comes back from deeper (`deeper_mm`), and one
that scatters differently falls off at another rate (`steeper`, added to the exponent). A glossy one has a lobe that is
seen when it is squarely faced and lost when it is turned.

The table is of our own invention, its numbers within what handbooks and builders report: matt wall paints 0.75 to 0.9,
carbon black 0.04 to 0.1, red paint near white, since it is infra-red that is seen (domain notes; common practice, no
source). A surface of any other name is drawn from the seed and the name, as light as usable walls are. The walls of a
course are not looked up here: their reflectance is 1 but for the scatter of panels and the fault surface-gain.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass

from hil.simulator.streams import Source, stream

REFERENCE_MM = 49.0  # where a reflectance is the whole difference between two surfaces
_DARKEST, _LIGHTEST = 0.75, 1.0  # of names that are not in the table
_STEEPER_SD = 0.02
_DEEPER_SD_MM = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """A surface; `gloss` is the height of its lobe over the matt part, squarely faced."""

    reflectance: float = 1.0
    steeper: float = 0.0
    deeper_mm: float = 0.0
    gloss: float = 0.0


_WHITE = Surface()
SURFACES: dict[str, Surface] = {
    "white": _WHITE,
    "matt-white": _WHITE,
    "old-white": Surface(reflectance=0.90, deeper_mm=0.6),
    "gloss-white": Surface(reflectance=0.97, gloss=0.25),
    "plastic-white": Surface(reflectance=0.84, steeper=-0.04, deeper_mm=1.2, gloss=0.12),
    "red-top": Surface(reflectance=0.93, steeper=0.02),
    "matt-grey": Surface(reflectance=0.86),
    "raw-board": Surface(reflectance=0.62, steeper=0.03),
    "black": Surface(reflectance=0.06, gloss=0.05),
}


def surface_of(name: str, seed: int) -> Surface:
    """Return the surface of that name; the same seed and name give the same one."""
    known = SURFACES.get(name)
    if known is not None:
        return known
    chance = stream(seed, Source.SURFACES, zlib.crc32(name.encode()))
    return Surface(
        reflectance=float(chance.uniform(_DARKEST, _LIGHTEST)),
        steeper=float(chance.normal(0.0, _STEEPER_SD)),
        deeper_mm=abs(float(chance.normal(0.0, _DEEPER_SD_MM))),
    )


def curve_on(surface: Surface, gain: float, exponent: float, offset_mm: float) -> tuple[float, float, float]:
    """Return gain, exponent and offset [mm] of a sensor's curve on a surface, the reflectance left out.

    At 49 mm the light is as it was; only how it falls differs.
    """
    steepness, offset = exponent + surface.steeper, offset_mm + surface.deeper_mm
    if steepness == exponent and offset == offset_mm:
        return gain, exponent, offset_mm
    scale = math.exp(steepness * math.log(REFERENCE_MM + offset) - exponent * math.log(REFERENCE_MM + offset_mm))
    return gain * scale, steepness, offset

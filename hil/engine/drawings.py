"""Where to measure, drawn in characters that every terminal has; each drawing shows its sign.

The robot is drawn from above, `^` the way it looks, `+` the middle of its axle, `:` the line or mark measured from.
"""

from __future__ import annotations

from hil.spec.suite_values import Instrument, Observed

_OFFSET = r"""
       |    :    |
       |   _:__  |      offset of + from the line :
       |  | :^ | |      left of the line  +
       |  |_:+_| |      right of the line -   (here)
       |    :    |"""
_ANGLE = r"""
            :  _
            : / /       angle between the robot's side
            :/ ^        and the line :
            / +  /      turned to the left  +
           /_:__/       turned to the right -   (here)"""
_TWO = r"""
            :
       f ---:-> ^       f: offset of the front point from the line :
            :   |       r: offset of the rear point
            :   |  the two are {apart:g} mm apart on the robot's middle
       r ---:-> +       left of the line +, right of it -"""
_ALONG = r"""
          _____
         |  ^  |        how far + stands past the mark
       : |  +  |  : :   past it (the way it looks) +
       : |_____|  : :   short of it -"""
_GAPS = r"""
       |<--->_____<-->|
       |    |  ^  |   |     the gap between the middle of the
       | L  |  +  | R |     robot's side and the wall's face
       |    |_____|   |"""
_BOW = r"""
              *---:         : the straight line over {over:g} mm,
            *     :           from where the path begins to its end
           * <--->:         * the path as driven
            *     :         the path to the left of the line +
              *---:         to the right -                 (here left)"""
_DRAWINGS = {
    Observed.OFFSET: _OFFSET,
    Observed.ANGLE: _ANGLE,
    Observed.ALONG: _ALONG,
    Observed.CLEARANCE_LEFT: _GAPS,
    Observed.CLEARANCE_RIGHT: _GAPS,
    Observed.BOW: _BOW,
}


def drawing_of(what: Observed, instrument: Instrument, *, apart_mm: float = 0.0, over_mm: float = 0.0) -> str:
    """Return the drawing for a reading, "" where there is nothing to draw."""
    if instrument is Instrument.TWO_OFFSETS:
        return _TWO.format(apart=apart_mm)
    return _DRAWINGS.get(what, "").format(over=over_mm)

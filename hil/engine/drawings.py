"""Where to measure, drawn in characters that every terminal has; each drawing shows its sign.

The robot is drawn from above, `^` the way it looks, `+` the middle of its axle, `:` the line measured from.
"""

from __future__ import annotations

from hil.spec.suite_values import Instrument, Observed

_OFFSET = r"""
 |     :      |
 |     : ___  |     how far the middle of the axle + stands
 |     :| ^ | |     from the line :
 |     :|   | |     to the left of it   +
 |     :--+ | |     to the right of it  -   (as drawn)
 |     :|___| |
"""
_ANGLE = r"""
       :    ^
       :   /        between the way the robot looks ^
       :  /         and the line :
       : /          turned to the left   +
       :/           turned to the right  -   (as drawn)
       +
"""
_TWO = r"""
       :-----f      f  front point, r  rear point, on the middle
       :    /          of the robot, {apart:g} mm apart along it
       :   /        both are read from the line :
       :--r         to the left of it +, to the right of it -
       :                                     (as drawn: both -)
"""
_ALONG = r"""
      _____
     |  ^  |        how far the middle of the axle + stands
     |  +  |        from the mark ===
 ====|==:==|====    past it, the way it looks  +   (as drawn)
     |_____|        short of it                -
"""
_LEFT = r"""
 |       _____  |
 |      |  ^  | |   the gap between the wall on the left and
 |<---->|  +  | |   the middle of the robot's left side
 |      |_____| |   (touching is 0)
"""
_RIGHT = r"""
 |  _____       |
 | |  ^  |      |   the gap between the wall on the right and
 | |  +  |<---->|   the middle of the robot's right side
 | |_____|      |   (touching is 0)
"""
_BOW = r"""
      *---:         : straight line over {over:g} mm of the path
    *     :         * path as driven, upwards
   *<---->:         how far the path's middle lies from the line
    *     :         to the left of it   +   (as drawn)
      *---:         to the right of it  -
"""
_CONTACTS = r"""
 |_____       |
 |  ^  |      |     every touch of a wall since the robot was
 |  +  |      |     placed counts one; none is 0
 |_____|      |
"""
_LAP = r"""
      _____
     |__^__|        it stands: stop the watch
        :
      __:__
     |__^__|        it begins to move: start the watch
"""
_LIGHT = r"""
      _____
     | o^  |        o  the robot's light: on or off
     |__+__|
"""
_DISPLAY = r"""
      _______
     | 12.34 |      the number as it stands there, to its last digit
     |_______|
"""
_METER = r"""
      _______
     | 7.412 |      red lead on the point named, black lead on ground;
     |_______|      the number when it has settled, to its last digit
      |     |
     red  black
"""
_DRAWINGS = {
    Observed.OFFSET: _OFFSET,
    Observed.ANGLE: _ANGLE,
    Observed.ALONG: _ALONG,
    Observed.CLEARANCE_LEFT: _LEFT,
    Observed.CLEARANCE_RIGHT: _RIGHT,
    Observed.BOW: _BOW,
    Observed.CONTACTS: _CONTACTS,
    Observed.LAP_TIME: _LAP,
    Observed.LIGHT: _LIGHT,
    Observed.DISPLAY: _DISPLAY,
    Observed.METER: _METER,
}


def drawing_of(what: Observed, instrument: Instrument, *, apart_mm: float = 0.0, over_mm: float = 0.0) -> str:
    """Return the drawing for a reading, of at most six lines that fit 76 columns."""
    if instrument is Instrument.TWO_OFFSETS:
        return _TWO.format(apart=apart_mm)
    return _DRAWINGS[what].format(over=over_mm)

"""The few terminal calls that pyserial does not make, or makes in a way that fails on new systems.

Every function takes the descriptor of an open terminal. None is needed for ports behind a network.
"""

from __future__ import annotations

import array
import fcntl
import os
import sys
import termios

# linux/asm-generic/ioctls.h and termbits.h: x86, ARM and RISC-V share these numbers. Other machines (MIPS,
# PowerPC, SPARC) refuse the call with an error, which reaches the user as a sentence.
TCGETS2 = 0x802C542A
TCSETS2 = 0x402C542B
BOTHER = 0o010000
# Places in struct termios2 seen as 32-bit words: the control flags, and the two rates at its end (44 bytes).
_CONTROL, _IN_RATE, _OUT_RATE, _WORDS = 2, 9, 10, 11


def rate_is_standard(baud: int) -> bool:
    """Whether the terminal interface has a constant for this rate, so that any system call can set it."""
    return baud > 0 and hasattr(termios, f"B{baud}")


def standard_rates() -> tuple[int, ...]:
    """Return the rates that have a constant, in ascending order."""
    return tuple(
        sorted(int(name[1:]) for name in dir(termios) if name[0] == "B" and name[1:].isdigit() and name != "B0")
    )


def set_any_rate(descriptor: int, baud: int) -> None:
    """Set a rate that has no constant (74 880, 250 000). Linux only; raises OSError where it cannot be done.

    Newer C libraries check the rate in `tcsetattr` and refuse what they do not know, so that the usual way (the
    flag BOTHER through `tcsetattr` first) fails there; the two calls below go past the library.
    """
    if not sys.platform.startswith("linux"):
        raise OSError(f"the rate {baud} cannot be set on this system")
    words = array.array("I", [0] * (_WORDS + 20))  # room for systems whose structure is longer
    fcntl.ioctl(descriptor, TCGETS2, words)
    words[_CONTROL] = words[_CONTROL] & ~termios.CBAUD | BOTHER
    words[_IN_RATE] = words[_OUT_RATE] = baud
    fcntl.ioctl(descriptor, TCSETS2, words)


def rate_of(descriptor: int) -> int:
    """Return the output rate that the system says is set [baud]. Linux only."""
    words = array.array("I", [0] * (_WORDS + 20))
    fcntl.ioctl(descriptor, TCGETS2, words)
    return int(words[_OUT_RATE])


def claim(descriptor: int) -> bool:
    """Make further opens of this terminal fail (for everybody but the superuser); return whether it was done.

    Not done on a pseudo-terminal: the device's end keeps it alive, so that the mark would outlive a killed
    program and lock everybody out. The advisory lock that pyserial takes guards those, and dies with its owner.
    """
    if os.ttyname(descriptor).startswith("/dev/pts/"):
        return False
    set_claim(descriptor, claimed=True)
    return True


def set_claim(descriptor: int, *, claimed: bool) -> None:
    """Set or take away the mark that makes further opens fail."""
    fcntl.ioctl(descriptor, termios.TIOCEXCL if claimed else termios.TIOCNXCL)


def keep_lines_at_close(descriptor: int) -> None:
    """Let the modem lines stay as they are when the port is closed, so that the next opening makes no edge."""
    attributes = termios.tcgetattr(descriptor)
    attributes[2] &= ~termios.HUPCL
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)

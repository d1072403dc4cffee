"""`hil listen` at a real terminal: drawn in place, ended by Ctrl-C with a summary."""

from __future__ import annotations

import threading
from pathlib import Path

from hil.errors import PortLost
from hil.timing import SystemClock
from hil.transports import open_pseudo_terminal

from .typist import Typist


def test_values_are_drawn_in_place_until_ctrl_c_which_leaves_a_summary(tmp_path: Path) -> None:
    device, path = open_pseudo_terminal(SystemClock())
    ended = threading.Event()

    def print_on() -> None:
        count = 0
        try:
            while not ended.wait(0.04):
                count += 1
                device.write(b"see 51 12 640 went %d -7\r\n" % count)
        except PortLost:
            return

    printer = threading.Thread(target=print_on)
    printer.start()
    with Typist("listen", path, "--protocol", "plain-prints", folder=tmp_path) as person:
        assert person.see(r"\x1b\[2K    encoder\.left") == 0
        assert person.see(r"\x1b\[\d+F\x1b\[2K") == 0
        assert person.interrupt() == 0
        assert person.see("nothing of the kind") == -1
    ended.set()
    printer.join()
    device.close()
    summary = person.shown.rpartition("\x1b[")[2]
    assert "    wall.front         640 count" in summary
    assert "Traceback" not in person.shown

"""The virtual robot's process as the engine speaks to it: every answer belongs to its own request."""

from __future__ import annotations

import pytest

from hil.catalogue import Catalogue
from hil.engine.virtual import VirtualProcess, VirtualRobotOrder
from hil.spec.kinds import Kind
from hil.timing import SystemClock


def test_answer_to_what_was_interrupted_is_not_taken_for_the_next() -> None:
    catalogue = Catalogue()
    order = VirtualRobotOrder(
        robot_file=catalogue.find(Kind.ROBOT, "virtual"),
        protocol_file=catalogue.find(Kind.PROTOCOL, "tagged-lines"),
        course_file=catalogue.find(Kind.COURSE, "corridor-six"),
        seed=1,
        paced=True,  # so that it still drives when it is interrupted
    )

    def ctrl_c() -> None:
        raise KeyboardInterrupt

    with VirtualProcess(order, SystemClock()) as process:
        with pytest.raises(KeyboardInterrupt):
            process.ask({"do": "start", "path": [["ahead", 3, "both"]], "front": "counts", "speed_mm_s": 300}, ctrl_c)
        assert process.ask({"do": "switch off"})["done"] is True
        assert process.where() == process.port

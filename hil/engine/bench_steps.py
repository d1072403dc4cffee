"""The steps of a bench carried out: wheels free on a stand, boards in a jig, lamps, and pauses that are measured."""

from __future__ import annotations

from hil.engine.bench import Bench
from hil.engine.bench_words import spin_read_in_words
from hil.engine.driving import take_in
from hil.engine.jig import JigReader
from hil.engine.parts import Parts
from hil.engine.spinning import spin
from hil.engine.taking import Taking, out_of_the_way
from hil.measure.chemistry import chemistry_of
from hil.measure.model import CellPose
from hil.spec.bench_values import HandTurn, Jig, Lamps, LoadResistor, Spin, Stand, Taken
from hil.spec.suite_values import Case, Observe, Pause


class BenchSteps:
    """Carries out the steps of one case that are of the bench; `notes` are for its result."""

    def __init__(self, bench: Bench, case: Case, notes: list[str]) -> None:
        self._bench = bench
        self._notes = notes
        self.parts = Parts(bench.recorder, case.name)
        self.taking = Taking(bench)
        self._jigs = JigReader(bench=bench, case=case, parts=self.parts, notes=notes)

    def stand(self, step: Stand) -> None:
        """Have the robot put on its stand."""
        self._bench.recorder.begin("stand")
        self._bench.operator.stand()
        self.parts.left_jig()
        self._bench.recorder.end("stand")

    def lamps(self, step: Lamps) -> None:
        """Have the lamps switched; what comes after is labelled so."""
        word = "on" if step.are_on else "off"
        self._bench.recorder.begin("lamps", word)
        self._bench.operator.set_lamps(are_on=step.are_on)
        self._bench.recorder.end("lamps", word)
        self.parts.lamps = word

    def load_resistor(self, step: LoadResistor) -> None:
        """Have a resistor clipped across the battery or taken off; what comes after is of it.

        While the person is at it, it counts as on: whoever is interrupted then may have it on still.
        """
        supply = self._bench.robot.supply
        chemistry = chemistry_of(supply) if supply else None
        battery_v = chemistry.full_v * supply.cells if chemistry and supply else 0.0
        word = "none" if step.ohm is None else f"{step.ohm:g} ohm"
        self._bench.recorder.begin("load_resistor", word)
        if step.ohm is not None:
            self.parts.resistor_ohm = step.ohm
        self._bench.operator.clip_resistor(step.ohm, battery_v)
        self.parts.resistor_ohm = step.ohm
        self._bench.recorder.end("load_resistor", word)

    def unload(self) -> None:
        """Have a resistor that is still across the battery taken off: it is hot, and drains it."""
        if self.parts.resistor_ohm is not None:
            self.load_resistor(LoadResistor(ohm=None))

    def pause(self, step: Pause, pose: CellPose) -> None:
        """Listen for a while; what comes meanwhile can be measured like what comes while the robot drives.

        What it said before it came here is of another place.
        """
        line, labels = self._bench.line, {"emitter": step.emitter, "provocation": step.provocation}
        line.plug_in()
        with self.taking.fired(step.emitter):
            out_of_the_way(line)
            with self.parts.part(step.name, pose, labels=labels):
                with self.taking.taken(step.takes, step.duration_s):
                    self.taking.provoke(step.provocation, step.duration_s)
                    line.pause(step.duration_s)
                self._recorded(step.name, step.takes)

    def spin(self, step: Spin, pose: CellPose, read: Observe | None) -> None:
        """Have the free wheels turned by their motors; `read` is what a person reads of a meter meanwhile."""
        if read is not None:
            self._bench.operator.tell(spin_read_in_words(step.duration_s, read), None)
        self._note(step.name, step.takes, spin(self._bench, step, self.parts, self.taking, pose))
        if "spin" not in self._bench.line.dialect.commands:
            self._notes.append(f"'{step.name}' was started by a button, so that the rest before and after is in it.")

    def hand_turn(self, step: HandTurn, pose: CellPose) -> None:
        """Have a wheel turned by hand, its encoder's outputs sampled meanwhile."""
        line = self._bench.line
        line.plug_in()
        out_of_the_way(line)
        with (
            self.parts.part(step.name, pose, labels={"wheel": step.wheel}, conditions={"turns": step.turns}),
            self.taking.taken(Taken.LEVELS, 0.0),
        ):
            self._bench.operator.turn_wheel(step.wheel, step.turns)
            take_in(line)

    def jig(self, step: Jig, pose: CellPose) -> None:
        """Have boards set before sensors, and read them."""
        self._jigs.carry_out(step, pose)

    def _recorded(self, name: str, takes: Taken) -> None:
        if takes in (Taken.EDGES, Taken.TICKS):
            self.parts.live_ended(name)
            self._note(name, takes, self.taking.send_recording(takes))

    def _note(self, name: str, takes: Taken, reason: str) -> None:
        if reason:
            self._notes.append(f"The {takes.value} of '{name}' came cut short ({reason}).")

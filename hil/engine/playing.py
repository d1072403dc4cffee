"""A run carried out on a trace instead of a robot: `--port trace:RUN`.

What the trace's robot and person need is taken from the run it was recorded in; the engine does the rest as with any
robot. Its result is that of the trace, on the suites it is given.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass

from hil.catalogue import Catalogue
from hil.engine.kept_run import Changes, KeptRun, open_run
from hil.engine.recorder import Recorder
from hil.engine.replayed_person import ReplayedPerson
from hil.engine.settings_check import SETTINGS
from hil.measure.trace import Mark, TraceRecord
from hil.store.trace import TraceReader
from hil.transports.tape import Tape
from hil.transports.trace_port import is_trace, playing, trace_file


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """A trace being played: its run, its tape, its person."""

    run: KeptRun
    tape: Tape
    person: ReplayedPerson
    has_settings: bool  # whether the firmware's settings were read in it: only then they can be read again

    def keep_step(self, recorder: Recorder, listen: Callable[[], None]) -> None:
        """Keep the tape in step with the run: `listen` takes in what the robot has said."""
        self.person.idle = listen
        is_catching_up = False

        def catch_up() -> None:
            nonlocal is_catching_up
            if not is_catching_up:  # what is taken in may itself be marked
                is_catching_up = True
                try:
                    self.tape.catch_up(listen)
                finally:
                    is_catching_up = False

        def saw(record: TraceRecord) -> None:
            self.tape.saw(record)
            self.person.saw(record)

        recorder.before, recorder.witness = catch_up, saw

    @property
    def note(self) -> str:
        """What the report says of it."""
        return f"Played from the trace of the run {self.run.description.run_id}; no robot moved."


def kept_run_of(url: str, catalogue: Catalogue) -> KeptRun:
    """Return the run that the address of a trace names."""
    return open_run(trace_file(url), Changes(), catalogue, is_judged=False)


def play(url: str, catalogue: Catalogue, stack: ExitStack) -> Played | None:
    """Begin to play the trace that an address names, None where it names a port; it ends with the stack."""
    if not is_trace(url):
        return None
    run = kept_run_of(url, catalogue)
    tape = stack.enter_context(playing(url, run.dialects.values()))
    with TraceReader(run.trace) as reader:
        has_settings = any(isinstance(one, Mark) and one.step == SETTINGS for one in reader)
        return Played(run=run, tape=tape, person=ReplayedPerson(tape, reader), has_settings=has_settings)

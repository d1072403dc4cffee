"""Suite files compiled: courses found and read, steps followed through them, all references between parts checked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from hil.errors import FileMistakes
from hil.measure.model import Course
from hil.spec.bench_steps import EACH, check_calibration, check_surfaces, follow_stand
from hil.spec.checking import Document, Key
from hil.spec.course_file import CourseFile, compile_course
from hil.spec.kinds import Finder, Kind, UnknownReferenceError
from hil.spec.suite_file import CasePart, RepeatPart, StepPart, SuiteFile
from hil.spec.suite_measures import compile_assertion, compile_measure, names_of, unit_of
from hil.spec.suite_steps import compile_step
from hil.spec.suite_values import AssertionSpec, Case, MeasureSpec, Repeat, Step, Suite
from hil.spec.suite_walk import Located, walk
from hil.spec.tethering import follow_cable
from hil.spec.wording import quoted


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundCourse:
    """A course that a suite is driven in, with the title and file that the operator is told."""

    course: Course
    title: str
    file: Path


class Courses:
    """The courses that suites name, each read once; mistakes in a course file are reported beside those of the s."""

    def __init__(self, finder: Finder) -> None:
        self._finder = finder
        self._read: dict[Path, FoundCourse | FileMistakes] = {}

    def get(self, document: Document, at: Key, reference: str) -> FoundCourse | None:
        """Return the course of a reference that stands at a place of a document, or None with the reason reported."""
        try:
            path = self._finder.find(Kind.COURSE, reference, document.path)
        except UnknownReferenceError as error:
            document.report_name(at, "a course", reference, error.known)
            return None
        if path not in self._read:
            self._read[path] = self._load(path)
        read = self._read[path]
        if isinstance(read, FileMistakes):
            document.source.mistakes += [
                mistake for mistake in read.mistakes if mistake not in document.source.mistakes
            ]
            return None
        return read

    @staticmethod
    def _load(path: Path) -> FoundCourse | FileMistakes:
        document = Document(path)
        course = compile_course(document)
        parts = document.fit(CourseFile) if course else None
        if course is None or parts is None:
            return FileMistakes(document.mistakes)
        return FoundCourse(course=course, title=parts.title, file=path)


def compile_suite(document: Document, courses: Courses) -> Suite | None:
    """Return the suite of a document, or None with the mistakes reported."""
    parts = document.fit(SuiteFile)
    if parts is None:
        return None
    whole = None if parts.course is None else courses.get(document, ("course",), parts.course)
    cases: dict[str, Case] = {}
    _refuse_empty(document, ("cases",), "one case at least")
    _check_surface_names(document, parts.surfaces)
    known = [] if document.is_broken(("surfaces",)) else parts.surfaces  # a jig may name the one that is wrong
    for name, part in parts.cases.items():
        at: Key = ("cases", name)
        found = whole
        if part.course is not None:
            found = courses.get(document, (*at, "course"), part.course)
        elif parts.course is None and not document.has((), "course"):
            document.report(at, found="nothing", expected="a course, here or for the whole suite", member="course")
        case = _CaseCompiler(document, at, name, found, known).compile(part)
        if case is not None:
            cases[name] = case
    order = _ordered(document, parts.cases)
    if document.source.mistakes:
        return None
    return Suite(
        name=parts.suite,
        title=parts.title,
        why=parts.why,
        cautions=tuple(parts.cautions),
        cases=tuple(cases[name].on_surfaces(tuple(parts.surfaces)) for name in order),
        surfaces=tuple(parts.surfaces),
        file=document.path,
        digest=document.source.digest,
    )


def _check_surface_names(document: Document, names: Sequence[str]) -> None:
    said = [name.lower() for name in names]  # their records are files, which some systems name without regard to case
    for index, name in enumerate(said):
        if name in said[:index] or name == EACH:
            document.report(("surfaces", index), expected=f"each surface once, and none called '{EACH}'")


def _refuse_empty(document: Document, at: Key, expected: str) -> None:
    """Report a list or mapping in which nothing stands, be it wrong or right."""
    node = document.node(at)
    if node is not None and not node.items and not node.entries:
        document.report(at, expected=expected)


def _ordered(document: Document, parts: Mapping[str, CasePart]) -> list[str]:
    """Return the cases with every one behind those it needs, otherwise as written; report unknown needs and circles."""
    raw = document.node(("cases",))
    known = list(raw.entries) if raw else list(parts)
    for name, part in parts.items():
        for index, need in enumerate(part.needs):
            if need not in known:
                node = document.node(("cases", name, "needs", index))
                where = ("cases", name, "needs") if node is None else ("cases", name, "needs", index)
                document.report_name(where, "a case of this suite", need, [other for other in known if other != name])
    order: list[str] = []
    waiting = list(parts)
    while waiting:
        ready = [n for n in waiting if all(need in order or need not in parts for need in parts[n].needs)]
        if not ready:
            circle = " and ".join(quoted(name) for name in waiting)
            where = ("cases", waiting[0], "needs")
            document.report(where, found=f"cases that need each other, {circle}", expected="an order to run them in")
            break
        order.append(ready[0])
        waiting.remove(ready[0])
    return order


class _CaseCompiler:
    """Compiles one case and reports to the document."""

    def __init__(
        self, document: Document, at: Key, name: str, found: FoundCourse | None, surfaces: Sequence[str]
    ) -> None:
        self._document = document
        self._at = at
        self._name = name
        self._found = found
        self._course = found.course if found else None
        self._surfaces = surfaces

    def compile(self, part: CasePart) -> Case | None:
        """Return the case, or None where it has no course."""
        _refuse_empty(self._document, (*self._at, "sequence"), "one step at least")
        _refuse_empty(self._document, (*self._at, "assert"), "one assertion at least")
        setup = self._steps("setup", part.setup)
        sequence = self._steps("sequence", part.sequence)
        persons = self._steps("operator_sequence", part.operator_sequence)
        repeat = self._repeat("repeat", part.repeat)
        operator_repeat = self._repeat("operator_repeat", part.operator_repeat or part.repeat)
        if part.operator_repeat is not None and not self._raw("operator_sequence"):
            self._document.report(
                (*self._at, "operator_repeat"), expected="it beside an operator_sequence only", key=True
            )
        self._follow(part, setup, ((sequence, repeat), (persons, operator_repeat)))
        measures, assertions = self._judged(part, setup, sequence, persons)
        if self._found is None:
            return None
        return Case(
            name=self._name,
            title=part.title,
            needs=tuple(part.needs),
            program=part.program,
            course=self._found.course,
            course_title=self._found.title,
            course_file=self._found.file,
            setup=_kept(setup),
            sequence=_kept(sequence),
            operator_sequence=_kept(persons),
            repeat=repeat,
            operator_repeat=operator_repeat,
            measures=measures,
            assertions=assertions,
            keeps=part.keeps or "",
        )

    def _follow(self, part: CasePart, setup: list[Located], sequences: Sequence[tuple[list[Located], Repeat]]) -> None:
        """Follow cable, robot and bench through either sequence, and report what cannot be."""
        for steps, repeat in sequences:
            follow_cable(self._document, setup, steps, repeat.at_most)
        for steps, repeat in sequences:
            if self._course is not None:
                walk(self._document, self._course, setup, steps, repeat.at_most)
        for steps, repeat in sequences:
            self._check_bench(part, setup, steps, repeat)

    def _judged(
        self, part: CasePart, setup: list[Located], sequence: list[Located], persons: list[Located]
    ) -> tuple[tuple[MeasureSpec, ...], tuple[AssertionSpec, ...]]:
        """Return what is measured in the sequences, and what is asserted of it."""
        route = self._names(setup, sequence, "sequence")
        # Without a sequence of its own the person reads where the robot's sequence asks for it.
        person = self._names(setup, persons, "operator_sequence") if self._raw("operator_sequence") else route
        measures = []
        units: dict[str, str | None] = dict.fromkeys(self._raw_measures())
        for name, measure_part in part.measure.items():
            at = (*self._at, "measure", name)
            measure = compile_measure(self._document, at, name, measure_part, route, person)
            if measure is not None:
                measures.append(measure)
                units[name] = unit_of(measure, route, person)
        assertions = [
            compile_assertion(self._document, (*self._at, "assert", index), assertion, units)
            for index, assertion in enumerate(part.assertions)
        ]
        return tuple(measures), tuple(assertion for assertion in assertions if assertion is not None)

    def _check_bench(self, part: CasePart, setup: list[Located], steps: list[Located], repeat: Repeat) -> None:
        """Check what the steps of a bench need of each other and of the case."""
        follow_stand(self._document, setup, steps, repeat.at_most)
        check_surfaces(self._document, setup, self._surfaces, is_over=False)
        check_surfaces(self._document, steps, self._surfaces, is_over=repeat.over_surfaces)
        if part.keeps == "calibration":
            check_calibration(self._document, steps)

    def _repeat(self, key: str, part: RepeatPart) -> Repeat:
        at, given = (*self._at, key), {"at_least": part.at_least, "at_most": part.at_most}
        if part.over is not None or self._document.has(at, "over"):
            if any(number is not None for number in given.values()):
                self._document.report(at, expected="either {over: surfaces} or at_least and at_most")
            return Repeat(over_surfaces=True)
        node = self._document.node(at)
        for member, number in given.items():
            if number is None and node is not None and member not in node.entries:
                self._document.report(at, found="nothing", expected="a whole number", member=member)
        at_least, at_most = part.at_least or 1, part.at_most or part.at_least or 1
        if at_least > at_most and self._raw(key):
            self._document.report(at, expected="at_least not above at_most")
        return Repeat(at_least=at_least, at_most=at_most)

    def _raw(self, key: str) -> bool:
        """Tell whether the case has a key, be its value right or wrong."""
        return self._document.has(self._at, key)

    def _steps(self, key: str, parts: list[StepPart]) -> list[Located]:
        located: list[Located] = []
        for index, part in enumerate(parts):
            at = (*self._at, key, index)
            located.append((at, compile_step(self._document, at, part, self._course)))
        return located

    def _names(self, setup: list[Located], steps: list[Located], key: str) -> dict[str, str | None]:
        """Return the names of steps; those of wrong steps too, since a reference to them is no second mistake."""
        names = names_of([step for _, step in (*setup, *steps)])
        is_wrong = False
        for part in ("setup", key):
            node = self._document.node((*self._at, part))
            for item in node.items if node else ():
                for kind in ("drive", "ask", "observe", "pause", "spin", "hand_turn", "jig"):
                    body = item.entries.get(kind)
                    name = body.entries.get("as") if body else None
                    if name is not None:
                        names.setdefault(str(name.scalar), None)
                        is_wrong |= name.pruned or name.stands_in
        measures = self._document.node((*self._at, "measure"))
        if is_wrong and measures is not None:  # the name that was meant may be any that is referred to
            names |= dict.fromkeys(word for word in measures.words() if word not in names)
        return names

    def _raw_measures(self) -> list[str]:
        node = self._document.node((*self._at, "measure"))
        return list(node.entries) if node else []


def _kept(located: list[Located]) -> tuple[Step, ...]:
    return tuple(step for _, step in located if step is not None)

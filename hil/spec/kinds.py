"""The kinds of file, told by the ends of their names, and what the loaders need of whoever knows where files are."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Protocol

from hil.errors import UsageError
from hil.spec.wording import near, one_of


class Kind(Enum):
    """A kind of file the user writes."""

    PROTOCOL = "protocol"
    ROBOT = "robot"
    COURSE = "course"
    SUITE = "suite"

    @property
    def ending(self) -> str:
        """The end of the names of such files."""
        return f".{self.value}.yaml"


def kind_of(path: Path) -> Kind:
    """Tell the kind of a file by the end of its name; raise `UsageError` where it is none."""
    for kind in Kind:
        if path.name.endswith(kind.ending) and path.name != kind.ending:
            return kind
    endings = [kind.ending for kind in Kind]
    like = near("".join(path.suffixes[-2:]), endings)
    raise UsageError(
        "the kind of file cannot be told from its name",
        where=str(path),
        expected=f"a name that ends in {one_of(endings)}",
        todo=f"Did you mean {like}?" if like else "",
    )


class UnknownReferenceError(UsageError):
    """A file is referred to that is nowhere; `known` are the names that would have been found."""

    def __init__(self, kind: Kind, reference: str, known: Iterable[str]) -> None:
        self.kind = kind
        self.reference = reference
        self.known = tuple(sorted(known))
        like = near(reference, self.known)
        super().__init__(
            f"no {kind.value} is called '{reference}'",
            expected=f"a file or one of {', '.join(self.known)}" if self.known else "a file",
            todo=f"Did you mean {like}?" if like else "",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A reference that was followed: `reference` in the file `beside` (None: the command line) meant `file`."""

    kind: Kind
    reference: str
    beside: Path | None
    file: Path


class Finder(Protocol):
    """Whoever knows where files are (`hil.catalogue`)."""

    def find(self, kind: Kind, reference: str, beside: Path | None = None) -> Path:
        """Return the file of a name or path, as seen from the file `beside`; raise `UnknownReferenceError`."""

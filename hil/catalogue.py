"""Where the files are: those shipped with the tool, and the user's own, found by name or by path.

A file is asked for by its kind and a reference. A reference with a slash or an ending is a path, taken from the folder
of the file that names it, or from the working folder; anything else is a name. Names are looked for beside the file
that names them and in the working folder (and in the folders `protocols`, `robots`, `courses` and `suites` there), and
then among the shipped files, so that a user's file stands before a shipped one of the same name.

The shipped files lie inside the package in a wheel (`hil/_data`), and at the top of the checkout in an editable
install. Nothing else in the package knows that.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from hil.errors import InternalError
from hil.spec.kinds import Found, Kind, UnknownReferenceError

_PACKAGE = Path(__file__).resolve().parent
_FOLDERS = {Kind.PROTOCOL: "protocols", Kind.ROBOT: "robots", Kind.COURSE: "courses", Kind.SUITE: "suites"}


def data_folder(package: Path = _PACKAGE) -> Path:
    """Return the folder that holds `protocols` and `suites`: inside a package from a wheel, or beside it."""
    for folder in (package / "_data", package.parent):
        if (folder / "protocols").is_dir() and (folder / "suites").is_dir():
            return folder
    raise InternalError(
        "the files shipped with hil are missing",
        where=str(package),
        todo="Install hil again from its wheel or checkout",
    )


@lru_cache(maxsize=1)
def _shipped() -> dict[Kind, dict[str, Path]]:
    data = data_folder()
    patterns = {
        Kind.PROTOCOL: (data / "protocols", "*/*"),
        Kind.ROBOT: (data / "suites" / "robots", "*"),
        Kind.COURSE: (data / "suites" / "courses", "*"),
        Kind.SUITE: (data / "suites", "*"),
    }
    return {
        kind: {path.name.removesuffix(kind.ending): path for path in sorted(folder.glob(pattern + kind.ending))}
        for kind, (folder, pattern) in patterns.items()
    }


def shipped(kind: Kind) -> dict[str, Path]:
    """Return the shipped files of a kind by name."""
    return dict(_shipped()[kind])


def _is_file(path: Path) -> bool:
    """Tell whether a file is there; a name that no file can have, or a folder that may not be read, holds none."""
    try:
        return path.is_file()
    except OSError:
        return False


class Catalogue:
    """Finds files from a working folder; it reads nothing but names, and searches no folder it was not told of.

    `found` are the references that were followed, so that a run can keep what each of its files meant.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder or Path.cwd()
        self.found: list[Found] = []

    def find(self, kind: Kind, reference: str, beside: Path | None = None) -> Path:
        """Return the file of a name or path; raise `UnknownReferenceError` with the names known."""
        file = self._find(kind, reference, beside)
        self.found.append(Found(kind=kind, reference=reference, beside=beside, file=file))
        return file

    def _find(self, kind: Kind, reference: str, beside: Path | None) -> Path:
        roots = self._roots(beside)
        if "/" in reference or reference.endswith(kind.ending):
            candidates = [root / reference for root in roots]
        else:
            candidates = [folder / f"{reference}{kind.ending}" for folder in self._folders(kind, roots)]
        for candidate in candidates:
            if candidate.name.endswith(kind.ending) and _is_file(candidate):
                return candidate
        if reference in _shipped()[kind]:
            return _shipped()[kind][reference]
        raise UnknownReferenceError(kind, reference, self.names(kind, beside))

    def names(self, kind: Kind, beside: Path | None = None) -> list[str]:
        """Return the names of a kind that would be found, in order."""
        found = set(_shipped()[kind])
        for folder in self._folders(kind, self._roots(beside)):
            found |= {path.name.removesuffix(kind.ending) for path in folder.glob(f"*{kind.ending}")}
        return sorted(found - {""})

    def _roots(self, beside: Path | None) -> list[Path]:
        return [self._folder] if beside is None else [beside.parent, self._folder]

    @staticmethod
    def _folders(kind: Kind, roots: list[Path]) -> list[Path]:
        return [folder for root in roots for folder in (root, root / _FOLDERS[kind])]

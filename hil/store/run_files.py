"""The files a run was made from, as they were, in the folder `files/` of the run, with an index of what refers to what.

`index.json` says under which name each file lies there, its SHA-256, and which reference in which file meant it, so
that a suite finds its courses and a robot its protocols again wherever the run's folder has been carried. `KeptFiles`
is that finder. Everything is written durably before the robot moves: a run that is killed can be judged again.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from hil.catalogue import Catalogue
from hil.errors import BenchError, UsageError
from hil.spec.kinds import Found, Kind, UnknownReferenceError
from hil.store.runs import file_name, write_bytes_whole

FOLDER = "files"
INDEX = "index.json"
_FORMAT = 1
_LARGEST_FILE = 16 * 1024 * 1024  # what a person writes is a thousandth of it


def keep_files(folder: Path, files: Iterable[Path], references: Iterable[Found] = ()) -> dict[Path, str]:
    """Copy files into a run's folder, each once, under its own name or with a number; return the names by file.

    The keys of what is returned are resolved paths. `references` are those that lead from one of the files to another.
    """
    kept = folder / FOLDER
    kept.mkdir(exist_ok=True)
    names: dict[Path, str] = {}
    sums: dict[str, str] = {}
    for file in dict.fromkeys(path.resolve() for path in files):
        data = _content(file)
        name, number = file_name(file.name), 1
        while name in sums or name == INDEX:
            number += 1
            name = f"{number}-{file_name(file.name)}"
        write_bytes_whole(kept / name, data)
        names[file], sums[name] = name, hashlib.sha256(data).hexdigest()
    index = {
        "format": _FORMAT,
        "files": {name: {"was": file.name, "sha256": sums[name]} for file, name in names.items()},
        "references": _references(names, references),
    }
    write_bytes_whole(kept / INDEX, (json.dumps(index, indent=2, ensure_ascii=False) + "\n").encode())
    return names


def _content(file: Path) -> bytes:
    try:
        return file.read_bytes()
    except OSError as error:
        raise BenchError(f"a file of the run cannot be read ({error.strerror})", where=str(file)) from None


def _references(names: Mapping[Path, str], references: Iterable[Found]) -> list[dict[str, str]]:
    listed: dict[tuple[str, str, str], str] = {}
    for found in references:
        name = names.get(found.file.resolve())
        by = "" if found.beside is None else names.get(found.beside.resolve())
        if name is not None and by is not None:
            listed[by, found.kind.value, found.reference] = name
    return [
        {"by": by, "kind": kind, "reference": reference, "file": name} for (by, kind, reference), name in listed.items()
    ]


class KeptFiles(Catalogue):
    """Finds the files of a run in its folder, and others by `others`.

    What a kept file refers to is what it meant in the run. From elsewhere, a name means the run's file of that name
    where it has one, and a path the file of that path where there is one: the course that was driven on is the run's.
    """

    def __init__(self, folder: Path, others: Catalogue, *, may_be_gone: bool = False) -> None:
        """Read the index; raise `UsageError` where the folder holds no files of a run.

        Where they `may_be_gone` altogether, all is found by `others` then.
        """
        super().__init__()
        self.folder = folder / FOLDER
        self._others = others
        self.are_gone = may_be_gone and not self.folder.exists()
        self._files, self._meant = ({}, {}) if self.are_gone else _read_index(self.folder / INDEX)

    def file(self, name: str) -> Path:
        """Return the kept file of a name; raise `UsageError` where it is not there."""
        path = self.folder / file_name(name)
        if name not in self._files or not path.is_file():
            raise UsageError(
                f"the file {file_name(name)} of the run is not there",
                where=str(self.folder),
                expected="the run's folder as it was written",
            )
        return path

    @property
    def changed(self) -> tuple[str, ...]:
        """The names of kept files that are not as they were in the run."""
        found = []
        for name, entry in self._files.items():
            with suppress(OSError):
                if hashlib.sha256((self.folder / name).read_bytes()).hexdigest() != entry:
                    found.append(name)
        return tuple(found)

    def names(self, kind: Kind, beside: Path | None = None) -> list[str]:
        """Return the names of a kind that would be found, in order."""
        kept = {word for (_, of, word) in self._meant if of == kind.value and "/" not in word}
        return sorted(kept.union(self._others.names(kind, beside)))

    def _find(self, kind: Kind, reference: str, beside: Path | None) -> Path:
        is_kept = beside is not None and beside.parent.resolve() == self.folder.resolve()
        if is_kept and beside is not None:
            name = self._meant.get((beside.name, kind.value, reference))
            return self.file(name) if name else self._others.find(kind, reference, beside)
        names = {name for (_, of, word), name in self._meant.items() if of == kind.value and word == reference}
        is_path = "/" in reference or reference.endswith(kind.ending)
        if is_path or len(names) != 1:
            try:
                return self._others.find(kind, reference, beside)
            except UnknownReferenceError:
                if len(names) != 1:
                    raise
        return self.file(names.pop())


def _read_index(path: Path) -> tuple[dict[str, str], dict[tuple[str, str, str], str]]:
    expected = "files/index.json as a run writes it at its beginning"
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise ValueError("it is too large")
        content = json.loads(path.read_text(encoding="utf-8"))
        if content["format"] != _FORMAT:
            raise ValueError(f"its format is {content['format']!r} and not {_FORMAT}")
        files = {_plain(name): str(entry["sha256"]) for name, entry in content["files"].items()}
        meant = {
            (str(one["by"]), str(one["kind"]), str(one["reference"])): str(one["file"]) for one in _listed(content)
        }
    except OSError as error:
        raise UsageError(
            f"the files of the run cannot be read ({error.strerror})",
            where=str(path),
            expected=expected,
            todo=f"Put the folder {FOLDER} of the run back beside its trace; hil replay can do without it where "
            "--robot and --suite name its robot and suites",
        ) from None
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise UsageError(f"the index cannot be used ({error})", where=str(path), expected=expected) from None
    return files, meant


def _plain(name: str) -> str:
    """Refuse names that would lead out of the folder."""
    if name != file_name(name) or os.sep in name:
        raise ValueError(f"a file is called {name!r:.60}")
    return name


def _listed(content: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    listed = content["references"]
    if not isinstance(listed, list):
        raise TypeError("its references are no list")
    return listed

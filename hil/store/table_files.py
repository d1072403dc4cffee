"""Tables as files: comma-separated values (RFC 4180), or Parquet where the library for it is installed.

Numbers are written so that they read back exactly. A file is there whole or not at all, and none is written over.
"""

from __future__ import annotations

import csv
from abc import ABC, abstractmethod
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from hil.errors import BenchError, UsageError
from hil.measure.tables import Cell, Column, Held, Table
from hil.store.runs import file_name

# Rows of a Parquet file that are gathered before they are written; some tens of megabytes at most.
_GATHERED = 50_000


class _TableFile(ABC):
    """One table's file while it is written."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.beside = path.with_name(f".{path.name}.part")
        self.count = 0

    @abstractmethod
    def add(self, row: Mapping[str, Cell]) -> None:
        """Add a row."""

    @abstractmethod
    def finish(self) -> None:
        """Write what is left, and close."""


class _CsvFile(_TableFile):
    """Comma-separated values: a heading with units, lines that end with carriage return and line feed."""

    def __init__(self, path: Path, columns: tuple[Column, ...]) -> None:
        super().__init__(path)
        self._names = [column.name for column in columns]
        self._stream = self.beside.open("w", encoding="utf-8", newline="")
        self._writer = csv.writer(self._stream, lineterminator="\r\n")
        self._writer.writerow([column.heading for column in columns])

    def add(self, row: Mapping[str, Cell]) -> None:
        self._writer.writerow([_written(row.get(name)) for name in self._names])
        self.count += 1

    def finish(self) -> None:
        self._stream.close()


def _written(cell: Cell) -> str:
    """Return a cell's text: floats in the shortest form that reads back as the same number, nothing as nothing."""
    return "" if cell is None else repr(cell) if isinstance(cell, float) else str(cell)


class _ParquetFile(_TableFile):
    """A Parquet file; unit and meaning stand in the metadata of each column."""

    def __init__(self, path: Path, columns: tuple[Column, ...]) -> None:
        super().__init__(path)
        import pyarrow
        from pyarrow import parquet

        self._arrow = pyarrow
        kinds = {Held.NUMBER: pyarrow.float64(), Held.WHOLE: pyarrow.int64(), Held.TEXT: pyarrow.string()}
        self._schema = pyarrow.schema(
            pyarrow.field(column.name, kinds[column.held], metadata={"unit": column.unit, "meaning": column.meaning})
            for column in columns
        )
        self._writer: Any = parquet.ParquetWriter(self.beside, self._schema)
        self._rows: list[dict[str, Cell]] = []
        self._whole = [column.name for column in columns if column.held is not Held.TEXT]

    def add(self, row: Mapping[str, Cell]) -> None:
        kept = {name: row.get(name) for name in self._schema.names}
        self._rows.append(kept | {name: _number(kept[name]) for name in self._whole})
        self.count += 1
        if len(self._rows) >= _GATHERED:
            self._write()

    def _write(self) -> None:
        self._writer.write_table(self._arrow.Table.from_pylist(self._rows, schema=self._schema))
        self._rows = []

    def finish(self) -> None:
        self._write()
        self._writer.close()


def _number(cell: Cell) -> Cell:
    return None if isinstance(cell, str) else cell


FORMS = {"csv": _CsvFile, "parquet": _ParquetFile}


class TableFiles:
    """A folder that tables are written into. Used as a context: the files appear when it is left without an error."""

    def __init__(self, folder: Path, form: str) -> None:
        """`form` is "csv" or "parquet"."""
        if form == "parquet":
            _need_parquet()
        self.folder = folder
        self._form = form
        self._files: dict[str, _TableFile] = {}

    def add(self, table: Table, row: Mapping[str, Cell]) -> None:
        """Add a row to a table; its file begins with the first."""
        file = self._files.get(table.name)
        if file is None:
            file = self._files[table.name] = self._begin(table)
        file.add(row)

    @property
    def written(self) -> tuple[tuple[Path, int], ...]:
        """The files and how many rows each of them has."""
        return tuple((file.path, file.count) for file in self._files.values())

    def _begin(self, table: Table) -> _TableFile:
        path = self.folder / f"{file_name(table.name)}.{self._form}"
        if path.exists():
            raise UsageError(
                "there is such a file already, and nothing is written over",
                where=str(path),
                expected="an empty or new folder",
                todo="Name another one with --out DIR",
            )
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            return FORMS[self._form](path, table.columns)
        except OSError as error:
            raise BenchError(f"the table cannot be written ({error.strerror})", where=str(path)) from None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        for file in self._files.values():
            file.finish()
            if kind is None:
                file.beside.replace(file.path)
            else:
                file.beside.unlink(missing_ok=True)


def _need_parquet() -> None:
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        raise UsageError(
            "Parquet files need the library pyarrow, which is not installed",
            where="--to parquet",
            expected="hil installed with its extra 'parquet'",
            todo="pip install 'hil[parquet]', or use --to csv",
        ) from None

"""Records written by several processes at once: every one of them is kept, and each file is whole."""

from __future__ import annotations

import stat
import subprocess
import sys
from pathlib import Path

import pytest

from hil.errors import BenchError
from hil.spec.record_file import load_record
from hil.store.records import earlier_in, folder_of, path_of, write_record
from tests.store.test_records import RECORD

_WRITER = """
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from hil.store.records import write_record
from tests.store.test_records import RECORD

for number in range(int(sys.argv[2]), 40, 2):
    taken = RECORD.taken + timedelta(seconds=number)
    write_record(Path(sys.argv[1]), replace(RECORD, taken=taken, run=f"run-{number}"))
"""


def test_two_processes_that_write_at_once_lose_nothing(tmp_path: Path) -> None:
    command = [sys.executable, "-c", _WRITER, str(tmp_path)]
    writers = [subprocess.Popen([*command, str(first)], stderr=subprocess.PIPE) for first in (0, 1)]
    assert [(one.communicate(timeout=60)[1], one.returncode) for one in writers] == [(b"", 0)] * 2
    standing = path_of(tmp_path, RECORD.serial, RECORD.surface)
    files = [standing, *earlier_in(folder_of(tmp_path, RECORD.serial), RECORD.surface)]
    assert {load_record(path).run for path in files} == {f"run-{number}" for number in range(40)}
    assert load_record(standing).run == "run-39"  # the one taken last, in whatever order they came


def test_a_folder_that_cannot_be_written_to_is_told(tmp_path: Path) -> None:
    (tmp_path / "records").write_text("a file where the folder should be")
    with pytest.raises(BenchError, match="nothing can be written there"):
        write_record(tmp_path / "records", RECORD)
    assert not (tmp_path / "records").stat().st_mode & stat.S_IXUSR

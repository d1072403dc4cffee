"""What the command line loads at its start must stay light."""

import subprocess
import sys

HEAVY = ("numpy", "scipy", "pint", "pydantic")


def test_judging_and_reporting_load_no_heavy_library_until_they_are_used():
    modules = "hil.judge.decision, hil.judge.repeats, hil.results, hil.reports.terminal, hil.reports.markdown"
    code = f"import sys, {modules}; print([name for name in {HEAVY!r} if name in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"

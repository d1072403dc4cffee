"""Rules of the whole suite: where a gate asks for it, a skipped test is a failure."""

from __future__ import annotations

import os

import pytest


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    skipped = reporter.stats.get("skipped", []) if reporter is not None else []
    if os.environ.get("HIL_NO_SKIPS") and skipped and exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
        reporter.write_line(f"HIL_NO_SKIPS: {len(skipped)} skipped test(s) fail this gate", red=True)

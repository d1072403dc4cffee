"""Property tests run the same examples every time, few enough for the default run."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("default-run", max_examples=100, deadline=None, derandomize=True, database=None)
settings.load_profile("default-run")

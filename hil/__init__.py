"""Hardware-in-the-loop tests for small maze-running robots. This module holds the version only."""

__version__ = "0.1.0"

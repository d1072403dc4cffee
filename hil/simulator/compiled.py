"""The one door to the compiler: a typed face for numba, which ships no types.

A compiled function takes numbers and arrays only. It is compiled on its first call and kept on disk; since the
compiler looks only at the file of a function to see whether it changed, compiled functions call only compiled
functions of their own file. Floating-point rules are the strict ones, so that the same seed gives the same bits.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """Compile `function` to machine code at its first call; its Python signature stays for the type checker."""
    return cast(F, njit(cache=True, fastmath=False)(function))

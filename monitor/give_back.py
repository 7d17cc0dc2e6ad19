"""Gives memory that is free back to the system.

Passing a moment takes large arrays for a short while; the C library keeps their room in its heap, between what lives
on. Where it offers `malloc_trim` (glibc), that is called after the moment is over; elsewhere nothing is done.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable


def _found() -> Callable[[int], int] | None:
    trim: Callable[[int], int] | None = getattr(ctypes.CDLL(None), "malloc_trim", None)
    return trim


_TRIM = _found()


def give_back() -> None:
    """Give back what is free."""
    if _TRIM is not None:
        _TRIM(0)

"""Memory given back to the system after work that needed much of it for a while."""

from __future__ import annotations

import ctypes
import ctypes.util
from functools import cache

__all__ = ["give_back"]


def give_back() -> None:
    """Hand freed memory back, where the C library keeps it for itself (glibc); else do nothing."""
    trim = _trim()
    if trim is not None:
        trim(0)


@cache
def _trim() -> ctypes._FuncPointer | None:
    name = ctypes.util.find_library("c")
    return None if name is None else getattr(ctypes.CDLL(name), "malloc_trim", None)

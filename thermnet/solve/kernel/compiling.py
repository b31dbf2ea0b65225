"""How functions are compiled: with numba where it can be used, kept on disk, and renewed when any file of this folder changes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

try:
    import numba
except ImportError:  # a platform without compiled code: same results, slowly
    numba = None
else:
    if numba.config.DISABLE_JIT:  # numba's own switch for looking into things: the same
        numba = None


FREEDOMS = {"contract", "reassoc"}
"""What the compiler may do to sums: fuse multiply and add, and sum in vector lanes.  NaN and infinity keep their meaning."""


def compile_when_possible(function: Any) -> Any:
    """Compile with numba and keep the result on disk; fall back to plain Python.

    The loop allocates nothing, so reference counting is switched off: it took three quarters of the time.
    """
    if numba is None:
        return function
    options = {"nogil": True, "error_model": "numpy", "fastmath": FREEDOMS}
    for more in ({"cache": True, "_nrt": False}, {"_nrt": False}, {"cache": True}, {}):
        try:
            return _renewed_with_its_folder(numba.njit(**options, **more)(function))
        except (RuntimeError, KeyError, TypeError):  # no folder for compiled code, or no such switch in this numba
            continue
    return function


def woven_in(function: Any) -> Any:
    """Compile as part of the caller: a call that passes thirty arrays costs more than the physics in it."""
    return function if numba is None else numba.njit(inline="always", error_model="numpy", fastmath=FREEDOMS)(function)


def _renewed_with_its_folder(compiled: Any) -> Any:
    """Let compiled code on disk count as old when any file of this folder has changed, not only the function's own.

    Functions woven in from other files are part of it.  numba has no public way to say so; where its insides differ,
    its own rule stays.
    """
    kept: Any = getattr(getattr(compiled, "_cache", None), "_cache_file", None)
    if kept is not None and hasattr(kept, "_source_stamp"):
        files = sorted(Path(__file__).parent.glob("*.py"))
        kept._source_stamp = tuple((path.name, path.stat().st_mtime, path.stat().st_size) for path in files)
    return compiled

"""The scheme as a plain C loop, built with the system compiler: what the hardware allows."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np

from thermnet.solve import kernel
from thermnet.solve.closed_loop import Loop

KEPT = ("x", "power", "frequency", "work", "average", "sensor", "level", "bound")


def compiler() -> str | None:
    """Path of a C compiler, or None."""
    return next((found for name in ("cc", "gcc", "clang") if (found := shutil.which(name))), None)


class CLoop:
    """The compiled C loop."""

    def __init__(self) -> None:
        cc = compiler()
        if cc is None:
            raise RuntimeError("no C compiler on this machine")
        source = Path(__file__).with_suffix(".c")
        with tempfile.TemporaryDirectory() as folder:
            library, compiled = Path(folder) / "c_loop.so", Path(folder) / "c_loop.o"
            # Linked by itself: gcc links code to -ffast-math that flushes subnormal numbers to zero for the whole process.
            steps = (
                ["-O3", "-march=native", "-ffast-math", "-std=gnu11", "-fPIC", "-c", str(source), "-o", str(compiled)],
                ["-shared", str(compiled), "-o", str(library), "-lm"],
            )
            for flags in steps:
                built = subprocess.run([cc, *flags], capture_output=True, text=True, check=False)
                if built.returncode:
                    break
            if built.returncode:
                raise RuntimeError(f"the C loop does not build: {built.stderr[:300]}")
            # What is loaded stays loaded when the file is gone.
            self._run = ctypes.CDLL(str(library)).c_loop
        self._run.restype = ctypes.c_int64

    def run(self, loop: Loop, samples: int) -> dict[str, np.ndarray]:
        """Run ``samples`` from the loop's state (which is changed); returns the histories.

        The fan levels that the run meets must have been provided before.
        """
        plant, state, silicon, rules = loop.plant, loop.state, loop.silicon, loop.rules
        thermal = plant.thermal(loop.boundary)
        if plant.basis is not None or thermal.boundary.shape[0] > 1:
            raise RuntimeError("the C loop knows no reduced basis and no varying ambient")
        nx, chips, sensors = state.x.size, rules.burst.size, loop.senses.offset.size
        kept = {
            "x": np.empty((samples, nx)), "power": np.empty((samples, chips)), "frequency": np.empty((samples, chips)),
            "work": np.empty((samples, chips)), "average": np.empty((samples, chips)), "sensor": np.empty((samples, sensors)),
            "level": np.empty(samples, dtype=np.int32), "bound": np.empty((samples, chips), dtype=np.int8),
        }  # fmt: skip
        sizes = np.array(
            [
                nx, thermal.correct.shape[2], thermal.hold.shape[2], len(plant.boundaries), len(thermal.law_index),
                thermal.quick_laws.size, len(silicon.leak_index), chips, silicon.curve.shape[1], sensors,
                rules.skin_limit.size, rules.table_fan.size, rules.fan_idle.size, rules.charger_on.size,
                kernel.SUBDIVISIONS, state.sensor_ring.shape[1], silicon.demand.shape[1], loop.tuning.slow_limit,
                *thermal.propagate.shape[2:], 0,
            ],
            dtype=np.int64,
        )  # fmt: skip
        sizes[-1:].view(np.float64)[0] = loop.tuning.step
        groups = [
            _pointers(_upto(thermal, "quick_laws")), _pointers(silicon), _pointers(loop.senses), _pointers(rules),
            _pointers(_upto(state, "work")), _pointers([kept[name] for name in KEPT]), sizes,
        ]  # fmt: skip
        missing = self._run(*(ctypes.c_void_p(group.ctypes.data) for group in groups), ctypes.c_int64(samples))
        if missing >= 0:
            raise RuntimeError(f"fan level {missing} has not been provided")
        state.count[0] = samples
        return kept


def _upto(arrays: tuple[np.ndarray, ...], last: str) -> tuple[np.ndarray, ...]:
    return arrays[: arrays._fields.index(last) + 1]  # type: ignore[attr-defined]


def _pointers(arrays: object) -> np.ndarray:
    """Addresses of arrays, in order, as the C structures hold them."""
    arrays = list(arrays)  # type: ignore[call-overload]
    if not all(array.flags.c_contiguous for array in arrays):
        raise RuntimeError("an array handed to C must be contiguous")
    return np.array([array.ctypes.data for array in arrays], dtype=np.uintp)

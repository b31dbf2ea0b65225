"""Worked checks of thermal impedance that take more than one call."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from thermnet.physics import zth


def round_trip_error(time: Any, resistances: ArrayLike, capacities: ArrayLike) -> Any:
    """Heating curve of the converted Cauer ladder minus that of the Foster stages it was made from, K/W."""
    ladder = zth.foster_to_cauer(resistances, capacities)
    return zth.cauer_impedance(time, *ladder) - zth.foster_impedance(time, resistances, capacities)


def kernel_area(lowest: float, highest: float, points: int) -> float:
    """Area under the logarithmic kernel between two values of ln(t/tau), by the trapezoid rule."""
    z = np.linspace(lowest, highest, int(points))
    return float(np.trapezoid(zth.logarithmic_kernel(z), z))


def ladder_reach(resistances: ArrayLike, capacities: ArrayLike) -> dict[str, float]:
    """Total resistance and capacity at the far end of the structure function of the converted ladder."""
    resistance, capacity = zth.structure_function(*zth.foster_to_cauer(resistances, capacities))
    return {"resistance": float(resistance[-1]), "capacity": float(capacity[-1])}

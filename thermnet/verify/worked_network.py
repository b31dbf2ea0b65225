"""Networks with exact answers that need more than one call: time constants, a slab cut into many nodes."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.network import ThermalNetwork

Array = NDArray[np.float64]


def slow_time_constant(
    *,
    capacity_1: float,
    capacity_2: float,
    resistance_12: float,
    resistance_2a: float,
    after: float,
    apart: float,
) -> float:
    """Slowest time constant in s of two nodes in a chain, read off the cooling of the first.

    Parameters
    ----------
    capacity_1, capacity_2 : float
        J/K.
    resistance_12, resistance_2a : float
        Between the nodes and from the second to the room, K/W.
    after, apart : float
        The temperature is read at ``after`` (the fast part has died out by then) and ``apart`` later, s.
    """
    net = ThermalNetwork()
    net.add_node("first", capacity=capacity_1)
    net.add_node("second", capacity=capacity_2)
    net.add_boundary("room", 0.0)
    net.add_link("first", "second", resistance=resistance_12)
    net.add_link("second", "room", resistance=resistance_2a)
    run = net.transient(
        {}, initial={"first": 100.0, "second": 100.0}, times=[after, after + apart], tolerance=1e-9
    )
    early, late = np.interp([after, after + apart], run.time, run.temperature("first"))
    return float(apart / math.log(early / late))


def slab_step_response(*, fourier: Any, cells: int) -> Array:
    """Temperature of the heated face of a slab after a step of heat, over its steady value.

    The slab (unit thickness, conductivity, capacity and area) is held at zero on its far face and cut into
    ``cells`` slices; ``fourier`` is time over thickness squared times diffusivity.
    """
    net = ThermalNetwork()
    net.add_boundary("far face", 0.0)
    slice_resistance = 1.0 / cells
    net.add_node("near face")
    previous, distance = "near face", 0.5 * slice_resistance
    for number in range(cells):
        name = f"slice {number}"
        net.add_node(name, capacity=1.0 / cells)
        net.add_link(previous, name, resistance=distance)
        previous, distance = name, slice_resistance
    net.add_link(previous, "far face", resistance=0.5 * slice_resistance)
    times = np.atleast_1d(np.asarray(fourier, dtype=float))
    run = net.transient({"near face": 1.0}, initial=0.0, times=times, tolerance=1e-8)
    return np.asarray(np.interp(times, run.time, run.temperature("near face")), dtype=float)

"""From a map of area resistance to what the die sees: averages under its blocks, and temperature rise under a flux.

Area resistances in K m^2/W, fluxes in W/m^2, rises in K over the plate's side of the joint.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def side_by_side(area_resistance: Any, share: Any, gap: Any, gas_conductivity: Any) -> Any:
    """Area resistance of a cell of which a ``share`` is filled and the rest is gas across the gap, K m^2/W."""
    share = np.asarray(share, dtype=float)
    gas = np.asarray(gas_conductivity) / np.maximum(gap, 1e-9)
    return 1.0 / (share / np.asarray(area_resistance) + (1.0 - share) * gas)


def mean_area_resistance(area_resistance: Any, weight: Any, flux: str = "free") -> Any:
    """Area resistance under a patch of a map (cells along the first axis), K m^2/W.

    Parameters
    ----------
    area_resistance : array (cells,) or (cells, samples)
    weight : array (cells,) or (cells, samples)
        Area (or share) of each cell in the patch.
    flux : str
        ``"free"``: both faces are of one temperature and heat takes the easy way (mean conductance, the lower bound:
        what a node of the network means); ``"even"``: flux is the same everywhere (mean resistance, the upper bound:
        silicon too thin to spread).

    Source: parallel and series bounds of any heat-transfer text.
    """
    value, weight = np.asarray(area_resistance, dtype=float), np.asarray(weight, dtype=float)
    total = np.sum(np.broadcast_to(weight, np.broadcast_shapes(weight.shape, value.shape)), axis=0)
    if np.any(total <= 0.0):
        raise ValueError("the patch covers no cell of the map; expected a patch on the chip")
    if flux == "free":
        return total / np.sum(weight / value, axis=0)
    if flux == "even":
        return np.sum(weight * value, axis=0) / total
    raise ValueError(f"flux {flux!r}; expected free or even")


def rise_under_flux(flux: Any, area_resistance: Any) -> Any:
    """Rise in K where heat goes straight across the joint: flux times area resistance, place by place."""
    return np.asarray(flux, dtype=float) * area_resistance


def rise_with_spreading(
    flux: ArrayLike, area_resistance: ArrayLike, cell_x: float, cell_y: float, thickness: float, conductivity: float,
    layers: int = 4,
) -> Array:  # fmt: skip
    """Rise of a die's heated face with heat spreading sideways in the silicon, K over the plate.

    Finite volumes in three dimensions: the flux enters the heated face, leaves through the joint on the other one, and
    the rim is insulated.  One map at a time (sparse direct solution, a tenth of a second at 40 x 40 x 4 cells).

    Parameters
    ----------
    flux, area_resistance : array (rows, columns)
        W/m^2 into the heated face, K m^2/W from the opposite face to the plate.
    cell_x, cell_y : float
        Sides of a cell along columns and rows, m.
    thickness, conductivity : float
        Of the die, m and W/(m K).
    layers : int
        Cells through the thickness.

    Returns
    -------
    array (rows, columns)

    Held against the Fourier series of :mod:`thermnet.physics.plate_spreading` in the tests.
    """
    from scipy.sparse import diags_array, eye_array, kron
    from scipy.sparse.linalg import spsolve

    q, resistance = np.broadcast_arrays(
        np.asarray(flux, dtype=float), np.asarray(area_resistance, dtype=float)
    )
    if q.ndim != 2 or np.any(resistance <= 0.0):
        raise ValueError(f"maps of shape {q.shape}; expected rows and columns, with area resistances above 0")
    rows, columns = q.shape
    depth, area = thickness / layers, cell_x * cell_y

    def second(count: int) -> Any:
        ones = np.ones(count)
        ones[[0, -1]] -= 0.5
        middle = 2.0 * ones if count > 1 else np.zeros(1)
        return diags_array([middle, -np.ones(count - 1), -np.ones(count - 1)], offsets=[0, 1, -1])

    def whole(a: Any, b: Any, c: Any) -> Any:
        return kron(a, kron(b, c))

    i_z, i_y, i_x = eye_array(layers), eye_array(rows), eye_array(columns)
    matrix = conductivity * (
        cell_y * depth / cell_x * whole(i_z, i_y, second(columns))
        + cell_x * depth / cell_y * whole(i_z, second(rows), i_x)
        + area / depth * whole(second(layers), i_y, i_x)
    )
    out = np.zeros((layers, rows, columns))
    out[-1] = area / (resistance + 0.5 * depth / conductivity)
    heat = np.zeros_like(out)
    heat[0] = q * area
    answer = spsolve((matrix + diags_array(out.ravel())).tocsc(), heat.ravel()).reshape(out.shape)
    # The heated face lies half a cell before the first centres.
    face: Array = answer[0] + 0.5 * depth / conductivity * q
    return face


def block_flux(shares: list[Array], heats: list[Any], cell_area: Any) -> Array:
    """Flux map in W/m^2 of blocks that each spread a heat in W evenly over their share of the cells."""
    total: Any = 0.0
    for share, heat in zip(shares, heats, strict=True):
        total = total + heat * share / (np.sum(share, axis=0) * cell_area)
    return np.asarray(total, dtype=float)

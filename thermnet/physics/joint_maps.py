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
    the rim is insulated.  The silicon is solved exactly in cosines (its discrete modes between insulated walls), layer
    by layer; only the joint, which differs from cell to cell, couples them, and conjugate gradients settle that to
    1e-12 of the heat.  One map at a time: some milliseconds at 40 x 40 x 4 cells, twenty times less than a direct
    sparse solution.

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

    Held against the direct sparse solution and the Fourier series of :mod:`thermnet.physics.plate_spreading` in the tests.
    """
    from scipy.fft import dctn, idctn
    from scipy.sparse.linalg import LinearOperator, cg

    q, resistance = np.broadcast_arrays(
        np.asarray(flux, dtype=float), np.asarray(area_resistance, dtype=float)
    )
    if q.ndim != 2 or np.any(resistance <= 0.0):
        raise ValueError(f"maps of shape {q.shape}; expected rows and columns, with area resistances above 0")
    depth, area = thickness / layers, cell_x * cell_y
    along_y, along_x = (2.0 - 2.0 * np.cos(np.pi * np.arange(count) / count) for count in q.shape)
    sideways = conductivity * depth * (cell_x / cell_y * along_y[:, None] + cell_y / cell_x * along_x)
    down = conductivity * area / depth
    # From the heated face down: what each mode loses sideways above, and the heat that arrives.
    lost, heat = [sideways], [dctn(q * area, norm="ortho")]
    for _ in range(layers - 1):
        heat.append(heat[-1] * down / (down + lost[-1]))
        lost.append(sideways + down * lost[-1] / (down + lost[-1]))
    joint = area / (resistance + 0.5 * depth / conductivity)
    even = lost[-1] + float(joint.mean())

    def balance(cells: Array) -> Array:
        t = cells.reshape(q.shape)
        return np.ravel(idctn(lost[-1] * dctn(t, norm="ortho"), norm="ortho") + joint * t)

    def nearly(cells: Array) -> Array:
        return np.ravel(idctn(dctn(cells.reshape(q.shape), norm="ortho") / even, norm="ortho"))

    square = (q.size, q.size)
    found, left = cg(
        LinearOperator(square, matvec=balance, dtype=float), np.ravel(idctn(heat[-1], norm="ortho")),
        rtol=1e-12, maxiter=2000, M=LinearOperator(square, matvec=nearly, dtype=float),
    )  # fmt: skip
    if left:
        raise ArithmeticError(
            f"the rise over the joint did not settle in {left} steps; expected area resistances within a factor of 1e6"
        )
    mode = dctn(found.reshape(q.shape), norm="ortho")
    for above, arriving in zip(lost[-2::-1], heat[-2::-1], strict=True):
        mode = (arriving + down * mode) / (down + above)
    # The heated face lies half a cell before the first centres.
    face: Array = idctn(mode, norm="ortho") + 0.5 * depth / conductivity * q
    return face


def block_flux(shares: list[Array], heats: list[Any], cell_area: Any) -> Array:
    """Flux map in W/m^2 of blocks that each spread a heat in W evenly over their share of the cells."""
    total: Any = 0.0
    for share, heat in zip(shares, heats, strict=True):
        total = total + heat * share / (np.sum(share, axis=0) * cell_area)
    return np.asarray(total, dtype=float)

"""Shapes of chip and plate, and where the filler of a joint is: bow, tilt, flatness, dispensed paste, voids, pads.

Maps live on a grid of equal cells over the chip, flattened to one axis of cells (rows along y, columns along x);
samples, if any, follow as a second axis.  The origin is the centre of the chip.  Lengths in m, volumes in m^3.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

BOWS = ("spherical", "cylindrical_x", "cylindrical_y", "saddle")
"""Shapes of a bow: a dome, a ridge across x or across y, and a saddle that is convex along x."""


def cell_centres(length: Any, width: Any, across: int) -> tuple[Array, Array]:
    """Centres of ``across`` x ``across`` cells on a chip of a length along x and a width along y, m.

    Scalar sides give arrays (cells,), sides over samples (cells, samples).
    """
    at = (np.arange(across) + 0.5) / across - 0.5
    x, y = np.tile(at, across), np.repeat(at, across)
    return np.multiply.outer(x, np.asarray(length, dtype=float)), np.multiply.outer(
        y, np.asarray(width, dtype=float)
    )


def bow_height(x: Any, y: Any, length: Any, width: Any, bow: Any, shape: str = "spherical") -> Any:
    """Height of a bowed surface below its highest point of the same shape, m (0 or less for a convex bow).

    Parameters
    ----------
    x, y : array
        Places, m from the centre.
    length, width : float or array
        Sides of the surface, m.
    bow : float or array
        Height of the centre over the corners (spherical) or over the edges (cylindrical, saddle), m; convex is
        positive, concave negative.
    shape : str
        One of :data:`BOWS`.

    Source: parabola for a shallow sphere or cylinder (its error is bow^2/length^2, some 1e-5).
    """
    u, v = 2.0 * np.asarray(x) / length, 2.0 * np.asarray(y) / width
    if shape == "spherical":
        across = (np.square(np.asarray(x)) + np.square(np.asarray(y))) / (
            0.25 * (np.square(np.asarray(length)) + np.square(np.asarray(width)))
        )
    elif shape == "cylindrical_x":
        across = u * u
    elif shape == "cylindrical_y":
        across = v * v
    elif shape == "saddle":
        across = u * u - v * v
    else:
        raise ValueError(f"shape of bow {shape!r}; expected one of {', '.join(BOWS)}")
    return -np.asarray(bow, dtype=float) * across


def bow_at_temperature(
    temperature: Any, bow_cold: Any, bow_hot: Any, cold: Any = 25.0, hot: Any = 90.0
) -> Any:
    """Bow at a temperature in degC, on the straight line through its values at two temperatures, m.

    A chip on its package flattens as it warms, because it was joined hot: 20 to 60 um convex at 25 degC, 5 to 30 um at
    80 to 100 degC (common practice, no source).
    """
    share = (np.asarray(temperature, dtype=float) - cold) / (np.asarray(hot) - cold)
    return bow_cold + (np.asarray(bow_hot, dtype=float) - bow_cold) * share


def wedge_resistance(rise: Any, conductivity: Any) -> Any:
    """Area resistance that a wedge of filler adds at its open edge: thickness over conductivity, K m^2/W.

    40 um at 4 W/(m K) add 10 K mm^2/W.
    """
    return np.asarray(rise, dtype=float) / conductivity


def flatness(x: ArrayLike, y: ArrayLike, z: ArrayLike) -> float:
    """Flatness of measured points: the smallest distance of two parallel planes that hold them all, m.

    For shallow surfaces the distance is taken along z.  A linear programme: over all planes the least possible
    largest deviation.  Source: the minimum zone of ISO 1101 (definition from memory).

    Raises
    ------
    ValueError
        Fewer than three points, or points in one line.
    """
    from scipy.optimize import linprog

    px, py, pz = (np.asarray(v, dtype=float).ravel() for v in (x, y, z))
    if px.size < 3 or not px.size == py.size == pz.size:
        raise ValueError(
            f"{px.size}, {py.size} and {pz.size} values of x, y and z; expected three or more of each"
        )
    scale = max(np.ptp(px), np.ptp(py)) or 1.0
    tall = float(np.ptp(pz)) or 1.0
    plane = np.stack([np.ones_like(px), (px - px.mean()) / scale, (py - py.mean()) / scale], axis=1)
    if np.linalg.matrix_rank(plane, tol=1e-9) < 3:
        raise ValueError("the points lie in one line; expected points that span a plane")
    height, ones = (pz - pz.mean()) / tall, np.ones((px.size, 1))
    # Least half width w with |z - plane| <= w.
    answer = linprog(
        [0.0, 0.0, 0.0, 1.0], A_ub=np.block([[-plane, -ones], [plane, -ones]]), b_ub=np.concatenate([-height, height]),
        bounds=[(None, None)] * 3 + [(0.0, None)], method="highs",
    )  # fmt: skip
    return float(2.0 * answer.x[3] * tall)


# -- where the filler is -------------------------------------------------------------------------------------------


def sheet_share(
    x: Array,
    y: Array,
    cell_x: Any,
    cell_y: Any,
    length: Any,
    width: Any,
    centre_x: Any = 0.0,
    centre_y: Any = 0.0,
) -> Array:
    """Share of every cell under a rectangle: a pad laid askew, or a hot spot anywhere on the chip (exact).

    Parameters
    ----------
    x, y : array (cells,) or (cells, samples)
    cell_x, cell_y : float or array
        Sides of a cell, m.
    length, width, centre_x, centre_y : float or array
        Sides and centre of the rectangle, m.
    """

    def along(at: Array, cell: Any, size: Any, middle: Any) -> Array:
        half, reach = 0.5 * np.asarray(cell), 0.5 * np.asarray(size)
        overlap = np.minimum(at + half, middle + reach) - np.maximum(at - half, middle - reach)
        found: Array = np.clip(overlap / (2.0 * half), 0.0, 1.0)
        return found

    return along(x, cell_x, length, centre_x) * along(y, cell_y, width, centre_y)


def disc_share(
    x: Array, y: Array, cell_x: Any, cell_y: Any, radius: Any, centre_x: Any = 0.0, centre_y: Any = 0.0
) -> Array:
    """Share of every cell under a disc, with an edge one cell wide that falls off evenly (negative radius: none)."""
    size = np.sqrt(np.multiply(cell_x, cell_y))
    away = np.hypot(x - centre_x, y - centre_y)
    share: Array = np.clip(0.5 + (radius - away) / size, 0.0, 1.0)
    return share


def void_share(
    x: Array, y: Array, cell_x: Any, cell_y: Any, fraction: Any, centre_x: Any = 0.0, centre_y: Any = 0.0
) -> Array:
    """Share of every cell that is void, for one round void of ``fraction`` of the chip's area about a place.

    Where the disc would reach over the chip's edge its radius grows until the void on the chip has that area.
    """
    target = np.asarray(fraction, dtype=float)
    if np.any(target < 0.0) or np.any(target > 1.0):
        raise ValueError(f"void fraction {fraction!r}; expected 0 to 1")
    if not np.any(target):
        return np.zeros(np.broadcast_shapes(np.shape(x), target.shape))
    size = np.sqrt(np.multiply(cell_x, cell_y))
    largest = np.max(np.hypot(x - centre_x, y - centre_y), axis=0) + size
    low, high = (
        np.broadcast_to(-size, np.broadcast_shapes(np.shape(largest), target.shape)),
        largest + 0.0 * target,
    )
    for _ in range(60):
        middle = 0.5 * (low + high)
        small = np.mean(disc_share(x, y, cell_x, cell_y, middle, centre_x, centre_y), axis=0) < target
        low, high = np.where(small, middle, low), np.where(small, high, middle)
    share = disc_share(x, y, cell_x, cell_y, high, centre_x, centre_y)
    return np.where(target > 0.0, share, 0.0)


def spread_dots(
    x: Array, y: Array, cell_x: Any, cell_y: Any, gap: Array, dots: tuple[tuple[Any, Any, Any], ...]
) -> tuple[Array, Any]:
    """Share of every cell that dispensed paste has reached, and the volume squeezed out over the chip's edge, m^3.

    Every dot spreads as a disc whose area goes with its volume; all discs grow together until the paste in the gap
    under them, on the chip and as far beyond its edge as the nearest gap reaches, is what was dispensed.  Paste that
    runs over a near edge is lost to the far one, which is why an off-centre dot leaves a dry corner.  A plain
    picture: real paste runs faster where the gap is wide.  Common practice, no source.

    Parameters
    ----------
    x, y, gap : array (cells,) or (cells, samples)
        Cells of a square grid (as many along x as along y) and the gap there, m.
    cell_x, cell_y : float or array
        Sides of a cell, m.
    dots : tuple of (x, y, volume)
        Places in m and volumes in m^3, floats or arrays over samples.
    """
    across = round(np.sqrt(x.shape[0]))
    if across * across != x.shape[0]:
        raise ValueError(f"{x.shape[0]} cells; expected a square grid")
    beyond = max(across // 2, 1)
    side = np.arange(-beyond, across + beyond)
    nearest = np.clip(side, 0, across - 1)
    index = (nearest[:, None] * across + nearest[None, :]).ravel()
    step = side - nearest
    row, column = np.repeat(step, side.size), np.tile(step, side.size)
    more = (slice(None),) + (None,) * (x.ndim - 1)
    far_x = x[index] + column[more] * np.asarray(cell_x)
    far_y = y[index] + row[more] * np.asarray(cell_y)
    depth, cell = gap[index], np.multiply(cell_x, cell_y)
    total = sum(np.asarray(volume, dtype=float) for _, _, volume in dots)
    if np.any(np.asarray(total) <= 0.0):
        raise ValueError("the dispensed volume is 0; expected a volume above 0 of at least one dot")
    relative = [np.sqrt(np.asarray(volume, dtype=float) / total) for _, _, volume in dots]

    def reached(at_x: Array, at_y: Array, radius: Any) -> Array:
        shares = [
            disc_share(at_x, at_y, cell_x, cell_y, r * radius, dot_x, dot_y)
            for r, (dot_x, dot_y, _) in zip(relative, dots, strict=True)
        ]
        found: Array = np.max(np.broadcast_arrays(*shares), axis=0)
        return found

    reach = np.max(np.hypot(far_x, far_y), axis=0) * 2.5 / np.min(np.broadcast_arrays(*relative), axis=0)
    low, high = np.zeros_like(reach), reach
    for _ in range(60):
        middle = 0.5 * (low + high)
        short = np.sum(reached(far_x, far_y, middle) * depth, axis=0) * cell < total
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    share = reached(x, y, high)
    kept = np.sum(share * gap, axis=0) * cell
    return share, np.maximum(total - kept, 0.0)

"""A rigid plate pressed on what lies under it: height and tilt from the balance of forces and moments.

What lies under the plate is cut into cells.  A *bed law* gives the pressure of a cell for the gap between plate and
component there; no law pulls, so the plate may lift off anywhere.  Height and tilt minimise a convex potential, which
makes the answer unique; Newton's method with a search along each step finds it in a few iterations.

The plate's underside is at ``height + slope_x x + slope_y y`` over a datum plane (m), the gap of a cell at
that less ``surface`` of the cell.  Cells lie along the first axis of every array and samples along the second, if any.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import copy
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

Columns = tuple[Any, Any, Any, Any] | list[Any]
"""Four arrays of one length: what there is of every cell, or of every load."""

BedLaw = Callable[..., tuple[Array, Array]]
"""Gap in m of every cell, and parameters, to pressure in Pa and stiffness -dp/dgap in Pa/m, both 0 or more."""

HARD = 1e12
"""Pa/m; stiffness given to what is meant to be rigid (touching metal, jammed particles): 1 MPa moves it by 1 um."""

BALANCED = 1e-12
"""Force and moments left over, relative to the load and its arm, at which the search ends."""
ACCEPTED = 1e-9
"""The same, above which the answer is refused."""

TIPPED = 0.1
"""m, rise of the plate over its own half length, at which it counts as tipped over."""


class Settled(NamedTuple):
    """Where a plate has come to rest.

    Attributes
    ----------
    height : float or array (samples,)
        Of the plate's underside over the datum at the origin, m.
    slope_x, slope_y : float or array (samples,)
        Rise per length along x and y.
    gap, pressure : array (cells,) or (cells, samples)
        Between plate and component, m (negative: pressed in); Pa.
    loads : array (loads,) or (loads, samples)
        What each screw or spring presses with, N.
    imbalance : float or array (samples,)
        Largest of force and moments left over, relative to the load and its arm (held tilts excepted).
    """

    height: Any
    slope_x: Any
    slope_y: Any
    gap: Array
    pressure: Array
    loads: Array
    imbalance: Any


def elastic_bed(gap: Any, thickness: Any, stiffness: Any) -> tuple[Array, Array]:
    """Pressure of springs side by side that are ``thickness`` long when free and ``stiffness`` Pa/m.

    The bed of E. Winkler (1867); an elastic pad pressed at its free length has stiffness E/thickness.
    """
    pressed = np.asarray(thickness) - gap
    touching = pressed > 0.0
    return np.where(touching, pressed * stiffness, 0.0), np.where(touching, stiffness, 0.0)


def paste_bed(
    gap: Any, yield_stress: Any, filler_limit: Any, constant: Any, exponent: Any
) -> tuple[Array, Array]:
    """Pressure that squeezes a paste to ``gap``: the bond-line law read backwards, yield stress (c/gap)^(1/m).

    At the filler's limit the particles jam: from there on the pressure rises on its tangent, or with ``HARD`` if
    that is steeper.  The law was measured under even pressure; using it place by place is an assumption.  Source:
    as :func:`thermnet.physics.interface.paste_bond_line`.
    """
    power = 1.0 / np.asarray(exponent, dtype=float)
    floor = np.maximum(filler_limit, 1e-7)
    flowing = np.maximum(gap, floor)
    pressure = np.asarray(yield_stress) * (np.asarray(constant) / flowing) ** power
    slope = power * pressure / flowing
    jammed = gap < floor
    slope = np.where(jammed, np.maximum(slope, HARD), slope)
    return np.where(jammed, pressure + slope * (floor - gap), pressure), slope


def pad_bed(gap: Any, thickness: Any, pressures: Any, strains: Any) -> tuple[Array, Array]:
    """Pressure of a pad ``thickness`` m thick when free, from its compression curve.

    Linear between the points of the curve (Pa, strain), from the free pad to the first point, and on along the
    last piece beyond its end.
    """
    p, e = np.asarray(pressures, dtype=float), np.asarray(strains, dtype=float)
    if np.any(np.diff(e) <= 0.0) or np.any(np.diff(p) <= 0.0):
        raise ValueError("compression curve: expected pressure and strain that rise strictly")
    if e[0] > 0.0:
        p, e = np.concatenate([[0.0], p]), np.concatenate([[0.0], e])
    strain = 1.0 - np.asarray(gap) / thickness
    piece = np.clip(np.searchsorted(e, strain, side="right") - 1, 0, e.size - 2)
    rise = np.diff(p) / np.diff(e)
    touching = strain > e[0]
    pressure = p[piece] + (strain - e[piece]) * rise[piece]
    return np.where(touching, pressure, 0.0), np.where(touching, rise[piece] / thickness, 0.0)


def settle_plate(
    law: BedLaw,
    cells: Columns,
    loads: Columns,
    *,
    slopes: tuple[Any, Any] | None = None,
    parameters: Sequence[Any] = (),
) -> Settled:
    """Find where a rigid plate comes to rest.

    Parameters
    ----------
    law : callable
        Pressure and stiffness of all cells from their gaps and ``parameters``, see :data:`BedLaw`.
    cells : (x, y, area, surface)
        Arrays (cells,) or (cells, samples): places (m) and areas (m^2), an area of 0 bearing nothing; and the height
        of the component's surface over the datum less that of the plate's underside over its own plane, m.
    loads : (x, y, force, rate)
        Arrays (loads,) or (loads, samples): where screws and springs press (m), the force of each with the plate at
        the datum there (N), and the rate in N/m by which it grows as the plate is lifted; a spring that comes loose
        presses with nothing.
    slopes : (float or array, float or array), optional
        Tilt held from outside (stand-offs); the plate then only finds its height and moments are borne elsewhere.
    parameters : sequence of float or array (samples,) or (cells, samples)
        Handed to the law behind the gap.

    Returns
    -------
    Settled
        Force and moments balance to 1e-9 of the load.

    Raises
    ------
    ValueError
        There is no balance: no load, or the load acts outside what bears it, so that the plate tips over.
    """
    shape, spread_cells, spread_loads, held = _shapes(cells, loads, slopes)
    px, py, weight, top = spread_cells
    at_x, at_y, pressing, rate = spread_loads
    arm = float(max(np.max(np.abs(v)) for v in (px, py, at_x, at_y, np.array([1e-6]))))
    if np.any(np.sum(pressing, axis=0) <= 0.0) and not np.any(rate > 0.0):
        raise ValueError("no load presses the plate down; expected a clamp load above 0 N")
    problem = _Problem(
        law, (px / arm, py / arm, weight, top), (at_x / arm, at_y / arm, pressing, rate),
        [np.asarray(p, dtype=float) for p in parameters],
    )  # fmt: skip
    start = problem.level(np.stack([np.zeros_like(held[0]), held[0] * arm, held[1] * arm]))
    pose = start if slopes is not None else problem.tilted(start)
    gap, pressure, _, force, _ = problem.state(pose)
    left = problem.left_over(weight * pressure, force)
    worst = left[0] if slopes is not None else np.max(left, axis=0)
    if not np.all(worst <= ACCEPTED):
        bad = int(np.sum(~(worst <= ACCEPTED)))
        where_x = np.sum(at_x * force, axis=0) / np.maximum(np.sum(force, axis=0), 1e-30)
        where_y = np.sum(at_y * force, axis=0) / np.maximum(np.sum(force, axis=0), 1e-30)
        k = int(np.argmax(~(worst <= ACCEPTED)))
        of_many = f" ({bad} of {worst.size} samples)" if worst.size > 1 else ""
        raise ValueError(
            f"the plate finds no rest{of_many}: the load acts {where_x[k] * 1e3:.3g} mm, "
            f"{where_y[k] * 1e3:.3g} mm from the origin; expected it inside what bears the plate"
        )
    heights = pose / np.array([[1.0], [arm], [arm]])

    def cut(value: Array) -> Any:
        short = value if shape else value[..., 0]
        return float(short) if np.ndim(short) == 0 else short

    height, slope_x, slope_y = (cut(v) for v in heights)
    return Settled(height, slope_x, slope_y, cut(gap), cut(pressure), cut(force), cut(worst))


def edge_pressures(force: Any, length: Any, width: Any, eccentricity: Any) -> Any:
    """Pressures at the two ends of a rigid plate on an even elastic bed under a force off its centre, Pa.

    F/(a b) (1 +- 6 e/a) while the whole length bears, which it does up to e = a/6; beyond, the far end lifts off and
    the near one carries 2 F/(3 b (a/2 - e)).

    Parameters
    ----------
    force, length, width, eccentricity : float or array
        N, m along the eccentricity, m across, m (0 or more, below half the length).

    Returns
    -------
    array (2, ...)
        At the near and at the far end.

    Source: force and moment balance (the middle-third rule of any text on foundations).
    """
    e, a = np.asarray(eccentricity, dtype=float), np.asarray(length, dtype=float)
    if np.any(e < 0.0) or np.any(e >= a / 2):
        raise ValueError(
            f"eccentricity {eccentricity!r} m on a length of {length!r} m; expected 0 or more, below half of it"
        )
    mean = np.asarray(force) / (a * width)
    lifted = 2.0 * np.asarray(force) / (3.0 * np.asarray(width) * (a / 2 - e))
    bears = e <= a / 6
    return np.stack(
        [np.where(bears, mean * (1 + 6 * e / a), lifted), np.where(bears, mean * (1 - 6 * e / a), 0.0)]
    )


def bearing_length(length: Any, eccentricity: Any) -> Any:
    """Length of a rigid plate on an elastic bed that still bears: a up to e = a/6, then 3 (a/2 - e), m."""
    e, a = np.asarray(eccentricity, dtype=float), np.asarray(length, dtype=float)
    return np.clip(3.0 * (a / 2 - e), 0.0, a)


# -- inside ------------------------------------------------------------------------------------------------------


class _Problem:
    """Potential, its gradient and its curvature, in heights: pose = (height, rise over the arm along x and y), m."""

    def __init__(
        self, law: BedLaw, cells: tuple[Array, ...], loads: tuple[Array, ...], parameters: list[Array]
    ) -> None:
        (x, y, self.weight, self.top), (at_x, at_y, self.load, self.rate) = cells, loads
        self.law, self.parameters = law, parameters
        self.basis = np.stack([np.ones_like(x), x, y])
        self.under = np.stack([np.ones_like(at_x), at_x, at_y])

    def of(self, samples: Array) -> _Problem:
        """Return the same for some of the samples."""
        part = copy(self)
        for name in ("weight", "top", "load", "rate", "basis", "under"):
            setattr(part, name, getattr(self, name)[..., samples])
        part.parameters = [p[..., samples] if p.ndim else p for p in self.parameters]
        return part

    def state(self, pose: Array) -> tuple[Array, Array, Array, Array, Array]:
        gap = np.sum(self.basis * pose[:, None], axis=0) - self.top
        pressure, stiffness = self.law(gap, *self.parameters)
        raised = np.sum(self.under * pose[:, None], axis=0)
        force = np.maximum(self.load + self.rate * raised, 0.0)
        return gap, pressure, self.weight * stiffness, force, np.where(force > 0.0, self.rate, 0.0)

    def slope(self, bearing: Array, force: Array) -> Array:
        """Gradient of the potential: load less bearing forces, and their moments over the arm, N."""
        found: Array = np.sum(self.under * force, axis=1) - np.sum(self.basis * bearing, axis=1)
        return found

    def left_over(self, bearing: Array, force: Array) -> Array:
        scale = np.maximum(np.sum(np.abs(force), axis=0), 1e-30)
        found: Array = np.abs(self.slope(bearing, force)) / scale
        return found

    def level(self, pose: Array) -> Array:
        """Height at which forces balance, the tilt staying as it is: Newton between bounds that close in."""
        bears = self.weight > 0.0
        tilted = np.sum(self.basis * pose[:, None], axis=0) - self.top
        low = -np.max(np.where(bears, tilted, -np.inf), axis=0) - 1e-4
        high = -np.min(np.where(bears, tilted, np.inf), axis=0) + 1e-4
        if not np.all(np.isfinite(low)):
            raise ValueError("nothing bears the plate; expected at least one cell with an area above 0")

        def excess(height: Array) -> tuple[Array, Array, Array]:
            _, pressure, stiff, force, rate = self.state(np.concatenate([height[None], pose[1:]]))
            return (
                np.sum(force, axis=0) - np.sum(self.weight * pressure, axis=0),
                np.sum(stiff, axis=0) + np.sum(rate, axis=0), np.sum(force, axis=0),
            )  # fmt: skip

        for _ in range(40):  # a soft bed is pressed deeper, a paste carries its load on a wider gap
            too_high, too_low = excess(low)[0] > 0.0, excess(high)[0] < 0.0
            if not np.any(too_high | too_low):
                break
            span = high - low
            low, high = np.where(too_high, low - span, low), np.where(too_low, high + span, high)
        height = 0.5 * (low + high)
        for step in range(200):
            left, stiff, load = excess(height)
            low, high = np.where(left < 0.0, height, low), np.where(left >= 0.0, height, high)
            if np.all(np.abs(left) <= 0.01 * BALANCED * load):
                break
            newton = height - left / np.maximum(stiff, 1e-30)
            inside = (newton > low) & (newton < high) & (step % 4 != 3)
            following = np.where(inside, newton, 0.5 * (low + high))
            if np.all(following == height):
                break
            height = following
        return np.concatenate([height[None], pose[1:]])

    def tilted(self, pose: Array) -> Array:
        """Height and tilt at which forces and moments balance."""
        best, least, since = pose.copy(), np.full(pose.shape[1], np.inf), np.zeros(pose.shape[1], dtype=int)
        busy = np.arange(pose.shape[1])
        part = self
        for _ in range(200):
            _, pressure, stiff, force, rate = part.state(pose)
            bearing = part.weight * pressure
            gradient = part.slope(bearing, force)
            worst = np.max(part.left_over(bearing, force), axis=0)
            better = worst < least[busy]
            since[busy] = np.where(better, 0, since[busy] + 1)
            best[:, busy] = np.where(better, pose, best[:, busy])
            least[busy] = np.where(better, worst, least[busy])
            # Done; or as good as rounding lets it be; or tipping over without end.  (What is left over may well grow
            # for some steps while the potential falls.)
            fallen = np.max(np.abs(pose[1:]), axis=0) > TIPPED
            patience = np.where(least[busy] <= ACCEPTED, 8, 150)
            going = (least[busy] > BALANCED) & (since[busy] < patience) & ~fallen
            if not np.any(going):
                break
            curvature = np.einsum("icn,jcn,cn->nij", part.basis, part.basis, stiff)
            curvature = curvature + np.einsum("icn,jcn,cn->nij", part.under, part.under, rate)
            size = np.trace(curvature, axis1=1, axis2=2)
            curvature = curvature + (1e-13 * size + 1e-12)[:, None, None] * np.eye(3)
            step = -np.linalg.solve(curvature, gradient.T[..., None])[..., 0].T
            if not np.all(going):
                busy, part = busy[going], part.of(going)
                pose, step, gradient = pose[:, going], step[:, going], gradient[:, going]
            pose = pose + part._share(pose, step, gradient) * step
        return best

    def _share(self, pose: Array, step: Array, gradient: Array) -> Array:
        """Share of a step to take: all of it unless the potential rises again before its end."""
        first = np.sum(gradient * step, axis=0)

        def along(share: Array) -> Array:
            _, pressure, _, force, _ = self.state(pose + share * step)
            found: Array = np.sum(self.slope(self.weight * pressure, force) * step, axis=0)
            return found

        low, high = np.zeros_like(first), np.ones_like(first)
        ahead = along(high)
        fine = ahead <= 0.1 * np.abs(first)
        if np.all(fine):
            return np.ones_like(first)
        share = np.where(fine, 1.0, 0.0)
        low_value, high_value = first, ahead
        for k in range(60):
            middle = 0.5 * (low + high)
            if k % 3:  # mostly the chord, every third time the middle
                chord = low - low_value * (high - low) / np.where(
                    high_value == low_value, 1.0, high_value - low_value
                )
                middle = np.clip(chord, low + 0.01 * (high - low), high - 0.01 * (high - low))
            value = along(middle)
            short = value <= 0.0
            low, low_value = np.where(short, middle, low), np.where(short, value, low_value)
            high, high_value = np.where(short, high, middle), np.where(short, high_value, value)
            # A share at which the potential still falls, most of the way to where it is least.
            share = np.where(fine, share, low)
            fine = fine | ((low > 0.0) & (low_value >= -0.5 * np.abs(first)))
            if np.all(fine):
                break
        return share


def _shapes(
    cells: Columns, loads: Columns, slopes: tuple[Any, Any] | None
) -> tuple[tuple[int, ...], tuple[Array, ...], tuple[Array, ...], tuple[Array, Array]]:
    """Bring everything to (cells, samples), (loads, samples) and (samples,); samples have the shape () for one."""
    columns = [[np.asarray(v, dtype=float) for v in rows] for rows in (cells, loads)]
    held = [np.asarray(v, dtype=float) for v in (slopes if slopes is not None else (0.0, 0.0))]
    samples = np.broadcast_shapes(*(v.shape[1:] for rows in columns for v in rows), *(v.shape for v in held))
    if len(samples) > 1:
        raise ValueError(f"samples of shape {samples}; expected one axis of samples behind that of the cells")
    width = samples or (1,)

    def spread(values: list[Array]) -> tuple[Array, ...]:
        count = max(v.shape[0] if v.ndim else 1 for v in values)
        lifted = [v.reshape(-1, *(v.shape[1:] or (1,))) if v.ndim else v.reshape(1, 1) for v in values]
        return tuple(np.broadcast_to(v, (count, *width)) for v in lifted)

    both = tuple(np.broadcast_to(v, width) for v in held)
    return samples, spread(columns[0]), spread(columns[1]), (both[0], both[1])

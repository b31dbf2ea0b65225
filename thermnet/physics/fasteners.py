"""Screws and springs: preload from torque, springs together, what each of several springs under a plate carries.

Lengths in m, forces in N, torques in N m, spring rates in N/m, stresses in Pa.  All functions broadcast over
arrays; where several screws or springs belong together they lie along the first axis and samples follow.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

NUT_FACTOR = 0.20
"""Usual nut factor of dry steel screws; 0.12 (waxed) to 0.30 (rusty) are met, so a torque fixes a force poorly."""

POUND_FORCE = 4.4482216152605
"""N per pound-force, exact by the definitions of the pound and of standard gravity."""


def screw_preload(torque: Any, nut_factor: Any, diameter: Any) -> Any:
    """Axial force of a screw tightened to a torque: T/(K d), N.

    Parameters
    ----------
    torque : float or array
        N m, against the joint alone (what a locking patch or a thread insert eats is lost).
    nut_factor : float or array
        K, all friction in one number: 0.2 dry, 0.12 lubricated, up to 0.3 rough.
    diameter : float or array
        Nominal thread diameter, m.

    Source: J. E. Shigley, C. R. Mischke, Mechanical Engineering Design, ch. 8 (torque coefficient).
    """
    return np.asarray(torque, dtype=float) / (np.asarray(nut_factor) * diameter)


def screw_torque(preload: Any, nut_factor: Any, diameter: Any) -> Any:
    """Torque in N m that gives an axial force in N: K F d, the inverse of :func:`screw_preload`."""
    return np.asarray(nut_factor, dtype=float) * preload * diameter


def tensile_stress(force: Any, stress_area: Any) -> Any:
    """Mean stress of a thread's stress area, Pa."""
    return np.asarray(force, dtype=float) / stress_area


def spring_force(rate: Any, travel: Any) -> Any:
    """Force of a spring pressed together by ``travel`` m; none where it hangs loose (negative travel), N."""
    return np.asarray(rate, dtype=float) * np.maximum(travel, 0.0)


def springs_in_series(rates: Any) -> Any:
    """Rate of springs one on top of the other (along the first axis), N/m: 1/sum(1/k)."""
    return 1.0 / np.sum(1.0 / np.asarray(rates, dtype=float), axis=0)


def springs_in_parallel(rates: Any) -> Any:
    """Rate of springs side by side under a plate that stays level (along the first axis), N/m: sum(k)."""
    return np.sum(np.asarray(rates, dtype=float), axis=0)


def forces_on_springs(x: Any, y: Any, rates: Any, force: Any, force_x: Any = 0.0, force_y: Any = 0.0) -> Any:
    """Share of a force that each of several springs under a rigid plate carries, N.

    Parameters
    ----------
    x, y : array (springs,)
        Places of the springs, m.
    rates : float or array (springs,) or (springs, samples)
        N/m.
    force, force_x, force_y : float or array (samples,)
        Force pressing the plate down (N) and where it acts (m).

    Returns
    -------
    array (springs,) or (springs, samples)
        Negative where a spring would have to pull: a plate that may lift is
        :func:`thermnet.physics.contact_mechanics.settle_plate`.

    Raises
    ------
    ValueError
        The springs stand in one line (or fewer than three), so that they leave the plate free to tip.

    Source: force and moment balance of a rigid plate; for four equal springs at the corners
    F/4 (1 + x xi/<x^2> + y yi/<y^2>).
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    rates = np.broadcast_to(np.asarray(rates, dtype=float).T, (*np.shape(rates)[1:], x.size)).T
    sideways = float(np.max(np.hypot(x - x.mean(), y - y.mean()))) or 1.0
    basis = np.stack([np.ones_like(x), x / sideways, y / sideways])
    if np.linalg.matrix_rank(basis, tol=1e-9) < 3:
        raise ValueError(
            f"springs at x = {x.tolist()}, y = {y.tolist()} m leave the plate free to tip; expected three or more "
            "that do not stand in one line"
        )
    moments = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (1.0, np.asarray(force_x) / sideways, np.asarray(force_y) / sideways)),
        np.asarray(force, dtype=float), rates[0],
    )  # fmt: skip
    load = np.stack([m * moments[3] for m in moments[:3]], axis=-1)
    stiffness = np.einsum("is,js,s...->...ij", basis, basis, rates)
    pose = np.linalg.solve(stiffness, load[..., None])[..., 0]
    return rates * np.einsum("is,...i->s...", basis, pose)


def load_for_pressure(area: Any, pressure: Any) -> Any:
    """Clamp load in N that gives a chip of ``area`` m^2 a mean pressure in Pa.

    At 300 kPa chips of 150 to 370 mm^2 want 45 to 111 N (10 to 25 lbf): the load goes with the area.  What a
    bare die, its package and the board may carry is the supplier's to say.  Common practice, no source.
    """
    return np.asarray(area, dtype=float) * pressure


def in_pound_force(force: Any) -> Any:
    """Turn a force in N into pound-force (1 lbf = 4.4482216152605 N)."""
    return np.asarray(force, dtype=float) / POUND_FORCE

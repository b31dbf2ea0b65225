"""Other integrators on the same closed loop, restarted at each firmware sample."""

from __future__ import annotations

import numpy as np
from cases import PERIOD, second


def by_scipy(method, rtol, atol=None):
    """``scipy.integrate.solve_ivp`` with the numpy right-hand side, restarted at each sample."""
    from scipy.integrate import solve_ivp

    absolute = rtol * 1e-1 if atol is None else atol

    def advance(network, level, heat, scales, x):
        found = solve_ivp(network.numpy_rhs(level, heat, scales), (0.0, PERIOD), x, method=method, rtol=rtol, atol=absolute)
        return found.y[:, -1]

    return advance


def by_cvode(rtol, atol=None):
    """SUNDIALS CVODE (scikit-sundae) with compiled right-hand side and Jacobian, restarted at each sample."""
    from sksundae.cvode import CVODE

    kept = {}
    absolute = rtol * 1e-1 if atol is None else atol

    def rhs(t, y, yp):
        second.rhs(y, yp, *kept["arrays"])

    def jacobian(t, y, yp, matrix):
        second.jacobian(y, matrix, *kept["arrays"])

    solver = CVODE(rhs, jacfn=jacobian, rtol=rtol, atol=absolute, max_num_steps=100_000)

    def advance(network, level, heat, scales, x):
        kept["arrays"] = network.arrays(level, heat, scales)
        solver.init_step(0.0, x)
        return np.array(solver.step(PERIOD).y)

    return advance


def has_cvode():
    """Whether scikit-sundae is there."""
    try:
        import sksundae.cvode  # noqa: F401
    except ImportError:
        return False
    return True


def tight():
    """The reference: CVODE, or Radau without it, at a relative tolerance of 1e-10."""
    return by_cvode(1e-10, 1e-10) if has_cvode() else by_scipy("Radau", 1e-10, 1e-10)

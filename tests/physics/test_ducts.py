"""Laminar ducts, against the exact series and independent numerical solutions."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import legendre
from scipy.integrate import simpson
from scipy.linalg import eigh, solve_banded

from thermnet.physics import ducts


def series_profile(aspect, terms=60, points=401):
    """Friction (Darcy f Re) and 2 (Ke - Kd) of developed flow in a rectangle, by Fourier series."""
    a = 1.0 / aspect
    x, y = np.linspace(0, a, points), np.linspace(0, 1, points)
    u = np.zeros((points, points))
    for k in range(1, 2 * terms, 2):
        ratio = np.exp(k * np.pi / 2 * (x - a)) * (1 + np.exp(-k * np.pi * x)) / (1 + np.exp(-k * np.pi * a))
        u += np.outer((1 - ratio) * (-1) ** ((k - 1) // 2) / k**3, np.cos(k * np.pi * y / 2))
    u *= 16 / np.pi**3

    def mean(f):
        return simpson(simpson(f, y, axis=1), x) / a

    w = u / mean(u)
    dh = 4 * a / (a + 1)
    return 2 * dh**2 / mean(u), 2 * (mean(w**3) - mean(w**2))


@pytest.mark.parametrize("aspect", [0.05, 0.1, 0.2, 0.35, 0.5, 0.8, 1.0])
def test_friction_and_entrance_loss_against_the_exact_series(aspect):
    friction, loss = series_profile(aspect)
    assert ducts.friction_developed(aspect) == pytest.approx(friction, rel=1e-3)
    assert ducts.entrance_loss_number(aspect) == pytest.approx(loss, rel=0.02)


def graetz(x_star, modes=60):
    """Mean Nusselt number between isothermal plates from an eigenvalue problem in Legendre polynomials."""
    y, weight = legendre.leggauss(200)
    y, weight = (y + 1) / 2, weight / 2
    values, slopes = [], []
    for k in range(1, modes + 1):
        series = np.zeros(2 * k + 1)
        series[-1] = 1
        values.append(legendre.legval(y, series) - 1)
        slopes.append(legendre.legval(y, legendre.legder(series)))
    values, slopes = np.array(values), np.array(slopes)
    flow = weight * (1 - y**2)
    eigenvalues, vectors = eigh((slopes * weight) @ slopes.T, (values * flow) @ values.T)
    share = (vectors.T @ (values * flow).sum(axis=1)) ** 2 / flow.sum()
    mean = (share[:, None] * np.exp(-(32 / 3) * eigenvalues[:, None] * x_star)).sum(axis=0)
    return -np.log(mean) / (4 * x_star)


def test_thermally_developing_plates_against_an_eigen_solution():
    x = np.geomspace(2.5e-5, 0.5, 40)
    np.testing.assert_allclose(ducts.nusselt_plates_thermally_developing(x), graetz(x), rtol=5e-3)
    longer = x[x > 2e-4]
    np.testing.assert_allclose(ducts.nusselt_plates_thermally_developing(longer), graetz(longer), rtol=2e-5)


def march(prandtl, steps=2500, cells=300):
    """Boundary-layer equations between plates from a flat inlet profile: x+, apparent Darcy f Re, mean Nu."""
    y = np.linspace(0, 1, cells + 1) ** 1.6
    h = np.diff(y)
    weight = np.zeros(cells + 1)
    weight[1:] += h / 2
    weight[:-1] += h / 2
    before, after = h[:-1], h[1:]
    first, second = np.zeros((3, cells + 1)), np.zeros((3, cells + 1))
    first[0, 1:-1], first[2, 1:-1] = -after / (before * (before + after)), before / (after * (before + after))
    first[1, 1:-1] = (after - before) / (before * after)
    second[0, 1:-1], second[2, 1:-1] = 2 / (before * (before + after)), 2 / (after * (before + after))
    second[1, 1:-1] = -(second[0, 1:-1] + second[2, 1:-1])
    second[0, -1], second[1, -1] = 2 / h[-1] ** 2, -2 / h[-1] ** 2

    def solve(rows, right):
        band = np.zeros((3, cells + 1))
        band[0, 1:], band[1], band[2, :-1] = rows[2][:-1], rows[1], rows[0][1:]
        band[0, 1], band[1, 0] = 0.0, 1.0
        return solve_banded((1, 1), band, right)

    x = np.concatenate([[0.0], np.geomspace(1e-6, 1.0, steps)]) * 16
    u, v, t = np.ones(cells + 1), np.zeros(cells + 1), np.ones(cells + 1)
    u[0] = t[0] = 0.0
    drop, out = 0.0, []
    for i in range(steps):
        dx, old, u_try = x[i + 1] - x[i], u.copy(), u.copy()
        for _ in range(3):
            rows = v * first - second
            rows[1] += u_try / dx
            rhs, push = u_try * old / dx, np.ones(cells + 1)
            rhs[0] = push[0] = 0.0
            free, driven = solve(rows, rhs), solve(rows, push)
            gradient = (1 - weight @ free) / (weight @ driven)
            u_try = free + gradient * driven
            change = (u_try - old) / dx
            v = np.concatenate([[0.0], -np.cumsum(0.5 * (change[1:] + change[:-1]) * h)])
        u = u_try
        rows = v * first - second / prandtl
        rows[1] += u / dx
        rhs = u * t / dx
        rhs[0] = 0.0
        t = solve(rows, rhs)
        drop += gradient * dx
        bulk = weight @ (u * t) / (weight @ u)
        out.append((x[i + 1] / 16, 4 * drop * 8 / x[i + 1], -np.log(bulk) / (4 * x[i + 1] / 16 / prandtl)))
    return np.array(out).T


def test_developing_plates_against_a_march_of_the_boundary_layer_equations():
    x, friction, nusselt = march(0.71)
    part = (x > 2e-4) & (x < 0.3)
    np.testing.assert_allclose(ducts.friction_apparent(x[part]), friction[part], rtol=0.03)
    mouth, fin = (x > 7e-4) & (x < 0.02), (x > 0.02) & (x < 0.1)
    np.testing.assert_allclose(
        ducts.nusselt_plates_developing(x[mouth] / 0.71, 0.71), nusselt[mouth], rtol=0.07
    )
    np.testing.assert_allclose(ducts.nusselt_plates_developing(x[fin] / 0.71, 0.71), nusselt[fin], rtol=0.015)


@pytest.mark.parametrize(
    "function",
    [
        ducts.friction_apparent,
        ducts.nusselt_plates_thermally_developing,
        lambda x: ducts.nusselt_plates_thermally_developing(x, "flux"),
        ducts.nusselt_plates_developing,
        lambda x: ducts.nusselt_duct_developing(x, 0.2),
    ],
)
def test_no_jump_over_any_change_of_formula(function):
    x = np.geomspace(1e-6, 10.0, 10_000)
    y = function(x)
    slope = np.diff(np.log(y)) / np.diff(np.log(x))
    assert np.all(slope < 1e-9), "falls towards the developed value"
    assert np.min(slope) > -0.7


def test_no_jump_in_aspect():
    a = np.linspace(0.0, 1.0, 10_001)
    for values in (
        ducts.friction_developed(a), ducts.entrance_loss_number(a), ducts.nusselt_developed(a),
        ducts.nusselt_developed(a, "flux"), ducts.friction_apparent(0.01, a),
    ):  # fmt: skip
        assert np.max(np.abs(np.diff(values))) < 1e-3 * np.max(values)


def test_long_ducts_reach_the_developed_values():
    assert ducts.nusselt_plates_thermally_developing(1e3) == pytest.approx(7.5407, abs=1e-3)
    assert ducts.nusselt_plates_thermally_developing(1e3, "flux") == pytest.approx(8.235, abs=1e-3)
    assert ducts.nusselt_duct_developing(1e5, 0.25) == pytest.approx(ducts.nusselt_developed(0.25), rel=1e-4)
    assert ducts.friction_apparent(1e4, 0.3) == pytest.approx(ducts.friction_developed(0.3), rel=1e-4)


def test_short_ducts_forget_their_shape():
    x = 1e-6
    flat, square = (ducts.nusselt_duct_developing(x, a) for a in (0.0, 1.0))
    assert square == pytest.approx(flat, rel=0.01)
    # A thin boundary layer on each wall: Nu = 0.664 x*^(-1/2) Pr^(-1/6).
    assert flat == pytest.approx(0.664 * 1e3 * 0.71 ** (-1 / 6), rel=0.05)


@pytest.mark.parametrize("velocity", [0.5, 2.0, 4.0, 6.0])
def test_linear_and_quadratic_drop_follows_the_developing_friction(velocity):
    gap, height, length, rho, mu = 1e-3, 6e-3, 0.02, 1.127, 1.92e-5
    dh = ducts.hydraulic_diameter(gap, height)
    re = rho * velocity * dh / mu
    x_plus = length / (dh * re)
    exact = ducts.friction_apparent(x_plus, gap / height) / re * length / dh * 0.5 * rho * velocity**2
    drop = ducts.pressure_drop(velocity, length, gap, height, rho, mu)
    assert x_plus > 0.015
    assert exact < drop < 1.05 * exact
    assert ducts.pressure_drop(velocity, length, height, gap, rho, mu) == pytest.approx(drop, rel=1e-14)


def test_arrays_equal_a_loop():
    x, a = np.array([1e-4, 1e-2, 1.0]), np.array([[0.1], [0.9]])
    for function in (ducts.friction_apparent, ducts.nusselt_duct_developing):
        together = function(x, a)
        for i in range(2):
            for j in range(3):
                assert together[i, j] == pytest.approx(function(x[j], a[i, 0]), rel=1e-14)
    series = ducts.nusselt_plates_thermally_developing(x)
    assert [ducts.nusselt_plates_thermally_developing(v) for v in x] == pytest.approx(series, rel=1e-14)


def test_refuses_what_is_no_duct():
    with pytest.raises(ValueError, match="short side over long side"):
        ducts.friction_developed(1.5)
    with pytest.raises(ValueError, match="expected temperature or flux"):
        ducts.nusselt_developed(0.5, "both")
    with pytest.raises(ValueError, match="expected temperature or flux"):
        ducts.nusselt_plates_thermally_developing(0.1, "both")


def test_borda_expansion_agrees_with_fluids():
    fittings = pytest.importorskip("fluids.fittings")
    share = np.linspace(0.1, 1.0, 10)
    np.testing.assert_allclose(
        ducts.expansion_loss(share), [fittings.diffuser_sharp(np.sqrt(s), 1.0) for s in share], atol=1e-14
    )
    assert ducts.contraction_loss(1.0) == 0.0
    assert ducts.contraction_loss(0.0) == pytest.approx(0.42)

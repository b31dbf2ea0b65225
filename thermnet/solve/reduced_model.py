"""Fewer states for firmware: balanced truncation of a linear model, with its error stated.

Balancing (B. C. Moore, IEEE Trans. Automatic Control 26, 1981) in the form that keeps the steady gain (singular
perturbation: Y. Liu, B. D. O. Anderson, Int. J. Control 50, 1989).  Twice the sum of the Hankel singular values
left out bounds the error's gain at every frequency (K. Glover, Int. J. Control 39, 1984).  What firmware people
ask for is the largest error over time for inputs that stay within their ranges: that is the integral of the
error's impulse response, computed here for every output.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.solve.linear_model import LinearModel

Array = NDArray[np.float64]
SCHEMA = "thermnet-estimator/1"
USUAL_RANGE = {"W": 30.0, "degC": 10.0, "rpm": 1500.0}
"""Largest departure of an input from its operating point, by unit, where none is given."""

RULE = (
    "u = inputs - operating values; y = c x + d u + operating values of the outputs; then x = a x + b u; "
    "start with x = 0 at the operating point, or settled: x = (1 - a)^-1 b u"
)
"""How the coefficients are used, for whoever finds them in a file."""

DROWNED = 1e-7
"""Share of the largest Hankel singular value below which a state is lost in the rounding of the Gramians."""

POINTS = 6000
"""Points in time, evenly on a logarithmic scale, over which impulse responses are integrated."""


@dataclass(frozen=True, eq=False)
class ReducedModel:
    """A reduced linear model and how far it can be off.

    Attributes
    ----------
    model : LinearModel
        With as many states as kept (no temperatures, but mixtures).
    full : LinearModel
        What was reduced.
    ranges : mapping of input to its largest departure from the operating point
    hankel : (x,) Hankel singular values, K, for inputs scaled by their ranges
    frequency_bound : float
        K per unit of scaled input, at any frequency: twice the sum of the values left out.
    worst_error : mapping of output to K
        Largest error against the full model for any inputs that stay within their ranges, whatever their course,
        after a start from the operating point.
    """

    model: LinearModel
    full: LinearModel
    ranges: Mapping[str, float]
    hankel: Array
    frequency_bound: float
    worst_error: Mapping[str, float]
    facts: Mapping[str, Any] = field(default_factory=dict)

    @property
    def order(self) -> int:
        """Number of states kept."""
        return len(self.model.states)

    def coefficients(self, period: float) -> dict[str, Any]:
        """Numbers that firmware needs, sampled every ``period`` s.

        Returns
        -------
        dict
            ``a`` (list of one factor per state, ``form`` "diagonal"; or rows, ``form`` "matrix"), ``b``, ``c``,
            ``d`` as rows, ``inputs``/``outputs`` with name, unit and operating value, the error, the ranges, and
            ``rule``: the update in words.  :func:`run_estimator` is the same in Python.
        """
        sampled = self.model.discrete(period)
        a, b, c, form = _diagonal(sampled.a, sampled.b, sampled.c)
        return {
            "schema": SCHEMA, "period_s": float(period), "form": form,
            "rule": RULE,
            "a": np.diag(a).tolist() if form == "diagonal" else a.tolist(), "b": b.tolist(), "c": c.tolist(),
            "d": sampled.d.tolist(),
            "inputs": [
                {"name": n, "unit": self.model.units[n], "operating_value": float(v), "range": float(self.ranges[n])}
                for n, v in zip(self.model.inputs, self.model.u0, strict=True)
            ],
            "outputs": [
                {"name": n, "unit": "degC", "operating_value": float(v), "worst_error_K": float(self.worst_error[n])}
                for n, v in zip(self.model.outputs, self.model.y0, strict=True)
            ],
            "frequency_bound_K": float(self.frequency_bound), "origin": {k: v for k, v in self.facts.items()},
        }  # fmt: skip

    def save(self, path: str | Path, period: float) -> list[Path]:
        """Write :meth:`coefficients` as ``<path>.json`` and, row by row, as ``<path>.csv``; return both paths."""
        target = Path(path)
        content = self.coefficients(period)
        as_json, as_csv = target.with_suffix(".json"), target.with_suffix(".csv")
        as_json.write_text(json.dumps(content, indent=2, default=str) + "\n", encoding="utf-8")
        rows = ["matrix,row,column,value"]
        rows += [f"{m},{r},{c},{v:.12g}" for m, r, c, v in coefficient_rows(content)]
        as_csv.write_text("\n".join(rows) + "\n", encoding="utf-8")
        return [as_json, as_csv]

    def __repr__(self) -> str:
        worst = ", ".join(f"{name} {value:.2g} K" for name, value in self.worst_error.items())
        return f"<ReducedModel: {self.order} of {len(self.full.states)} states, worst error {worst}>"


def reduced_model(
    model: LinearModel, order: int | None = None, error: float | None = None, *, outputs: Sequence[str] | None = None,
    inputs: Sequence[str] | None = None, ranges: Mapping[str, float] | None = None,
) -> ReducedModel:  # fmt: skip
    """Reduce a continuous linear model to an order, or to the least order that keeps the error.

    Parameters
    ----------
    model : LinearModel
        Continuous.
    order : int, optional
    error : float, optional
        K: ``worst_error`` of every output stays below.  Give one of the two.
    outputs, inputs : sequence of names, optional
        What the reduced model is for; all if left out.
    ranges : mapping of input to departure, optional
        In the input's unit; 30 W, 1500 rpm and 10 K where left out.

    Raises
    ------
    ValueError
        Both or neither of order and error, an order that is not below the model's, an error that cannot be kept,
        a sampled or unstable model.
    """
    if (order is None) == (error is None):
        raise ValueError("give either the order or the error in K, not both or neither")
    if model.period is not None:
        raise ValueError("the model is sampled; reduce the continuous one, then sample the reduced one")
    full = model.select(inputs, outputs)
    n = len(full.states)
    if order is not None and not 1 <= int(order) < n:
        raise ValueError(f"order {order!r}; expected 1 to {n - 1}: the model has {n} states")
    if error is not None and not (np.isfinite(error) and error > 0):
        raise ValueError(f"error {error!r} K; expected a finite number above 0")
    wide = {name: USUAL_RANGE.get(full.units[name], 1.0) for name in full.inputs} | dict(ranges or {})
    unknown = [name for name in wide if name not in full.inputs]
    if unknown:
        raise ValueError(f"ranges: no input {unknown[0]!r}; there is {', '.join(full.inputs)}")
    if any(not (np.isfinite(v) and v > 0) for v in wide.values()):
        raise ValueError("ranges: expected finite numbers above 0")
    scale = np.array([wide[name] for name in full.inputs])
    balanced, hankel = _balanced(full, scale)
    orders = [int(order)] if order is not None else range(1, n)
    for kept in orders:
        if kept >= len(balanced[0]):
            break
        reduced = _residualised(balanced, full, kept)
        worst = worst_errors(full, reduced, scale)
        if error is None or max(worst.values()) <= error:
            bound = 2.0 * float(np.sum(hankel[kept:]))
            return ReducedModel(reduced, full, wide, hankel, bound, worst, dict(model.facts))
    if order is not None:
        matter = len(balanced[0])
        raise ValueError(
            f"order {order}: only {matter} states matter to these outputs; expected fewer than that"
        )
    raise ValueError(f"error {error!r} K cannot be kept with fewer than {len(balanced[0])} states")


def worst_errors(full: LinearModel, reduced: LinearModel, scale: Array) -> dict[str, float]:
    """Largest difference in K of every output between two continuous models, for inputs within +-``scale``.

    The integral over time of the absolute impulse response of the difference, summed over the inputs, plus the
    difference at once (a bang-bang input reaches it: exact for a linear system but for the integration).
    """
    total = np.abs(full.d - reduced.d) @ scale
    responses = []
    rates: list[Array] = []
    for one in (full, reduced):
        poles, vectors = np.linalg.eig(one.a)
        responses.append((poles, one.c @ vectors, np.linalg.solve(vectors, one.b.astype(complex))))
        rates.append(-poles.real)
    slowest, quickest = float(min(r.min() for r in rates)), float(max(r.max() for r in rates))
    times = np.concatenate([[0.0], np.geomspace(1e-4 / quickest, 40.0 / slowest, POINTS)])
    impulse = np.zeros((times.size, *full.d.shape))
    for sign, (poles, left, right) in zip((1.0, -1.0), responses, strict=True):
        fading = np.exp(np.multiply.outer(times, poles))
        impulse += sign * np.einsum("tp,yp,pu->tyu", fading, left, right, optimize=True).real
    total = total + np.trapezoid(np.abs(impulse), times, axis=0) @ scale
    return {name: float(value) for name, value in zip(full.outputs, total, strict=True)}


def run_estimator(
    coefficients: Mapping[str, Any], inputs: Sequence[Sequence[float]], settled: Sequence[float] | None = None
) -> list[list[float]]:
    """Run an estimator as firmware would: plain numbers, one step per row of inputs, one row of outputs each.

    Parameters
    ----------
    coefficients : mapping
        As :meth:`ReducedModel.coefficients` gives them, or read from its JSON file.
    inputs : rows of input values, one per sample, in the order of ``coefficients["inputs"]``
    settled : input values, optional
        Start settled at these; at the operating point if left out.
    """
    form, period = coefficients["form"], coefficients["period_s"]
    if not period > 0:
        raise ValueError(f"period {period!r} s; expected above 0")
    a = coefficients["a"]
    b, c, d = coefficients["b"], coefficients["c"], coefficients["d"]
    u0 = [one["operating_value"] for one in coefficients["inputs"]]
    y0 = [one["operating_value"] for one in coefficients["outputs"]]
    size = len(b)
    x = [0.0] * size
    if settled is not None:
        drive = [sum(b[i][j] * (settled[j] - u0[j]) for j in range(len(u0))) for i in range(size)]
        inner = np.eye(size) - (np.diag(a) if form == "diagonal" else np.array(a))
        x = np.linalg.solve(inner, drive).tolist()
    rows = []
    for row in inputs:
        u = [value - at for value, at in zip(row, u0, strict=True)]
        rows.append(
            [
                y0[k] + sum(c[k][i] * x[i] for i in range(size)) + sum(d[k][j] * u[j] for j in range(len(u)))
                for k in range(len(y0))
            ]
        )
        carried = [
            a[i] * x[i] if form == "diagonal" else sum(a[i][m] * x[m] for m in range(size))
            for i in range(size)
        ]
        x = [carried[i] + sum(b[i][j] * u[j] for j in range(len(u))) for i in range(size)]
    return rows


def coefficient_rows(content: Mapping[str, Any]) -> list[tuple[str, str, str, float]]:
    """Coefficients as (matrix, row, column, value) rows, named by input and output."""
    size = len(content["b"])
    ins, outs = [one["name"] for one in content["inputs"]], [one["name"] for one in content["outputs"]]
    states = [f"x{k}" for k in range(size)]
    rows: list[tuple[str, str, str, float]] = []
    for i, state in enumerate(states):
        if content["form"] == "diagonal":
            rows.append(("a", state, state, content["a"][i]))
        else:
            rows += [("a", state, other, content["a"][i][m]) for m, other in enumerate(states)]
    rows += [("b", states[i], name, content["b"][i][j]) for i in range(size) for j, name in enumerate(ins)]
    rows += [("c", name, states[i], content["c"][k][i]) for k, name in enumerate(outs) for i in range(size)]
    rows += [
        ("d", name, other, content["d"][k][j]) for k, name in enumerate(outs) for j, other in enumerate(ins)
    ]
    rows += [
        ("operating value", one["name"], one["unit"], one["operating_value"]) for one in content["inputs"]
    ]
    rows += [
        ("operating value", one["name"], one["unit"], one["operating_value"]) for one in content["outputs"]
    ]
    return rows


# -- inside ------------------------------------------------------------------------------------------------


def _balanced(full: LinearModel, scale: Array) -> tuple[tuple[Array, Array, Array], Array]:
    """Balanced matrices (inputs still in their own units) and Hankel singular values (inputs scaled).

    States whose value is below a millionth of the largest are left out of the matrices: rounding in the Gramians
    drowns them.
    """
    from scipy.linalg import solve_continuous_lyapunov

    if np.max(np.linalg.eigvals(full.a).real) >= 0:
        raise ValueError("the linear model is unstable at this operating point (leakage outruns cooling)")
    b = full.b * scale
    controllable = _root(solve_continuous_lyapunov(full.a, -b @ b.T))
    observable = _root(solve_continuous_lyapunov(full.a.T, -full.c.T @ full.c))
    left, values, right = np.linalg.svd(observable.T @ controllable)
    if values[0] <= 0:
        raise ValueError("no input reaches any of these outputs")
    known = values > DROWNED * values[0]
    into = controllable @ right[known].T / np.sqrt(values[known])
    back = (left[:, known] / np.sqrt(values[known])).T @ observable.T
    return (back @ full.a @ into, back @ full.b, full.c @ into), values


def _root(gramian: Array) -> Array:
    """Square root of a Gramian: ``L`` with ``L L^T`` equal to it, rounding below zero left out."""
    values, vectors = np.linalg.eigh(0.5 * (gramian + gramian.T))
    root: Array = vectors * np.sqrt(np.maximum(values, 0.0))
    return root


def _residualised(balanced: tuple[Array, Array, Array], full: LinearModel, kept: int) -> LinearModel:
    """Keep the first states of a balanced model; the others follow at once, so that steady states are exact."""
    a, b, c = balanced
    first, rest = slice(0, kept), slice(kept, None)
    follow_x = -np.linalg.solve(a[rest, rest], a[rest, first])
    follow_u = -np.linalg.solve(a[rest, rest], b[rest])
    reduced = LinearModel(
        a=a[first, first] + a[first, rest] @ follow_x, b=b[first] + a[first, rest] @ follow_u,
        c=c[:, first] + c[:, rest] @ follow_x, d=full.d + c[:, rest] @ follow_u,
        states=tuple(f"x{k}" for k in range(a[first].shape[0])), inputs=full.inputs, outputs=full.outputs,
        units=full.units, x0=np.zeros(a[first].shape[0]), u0=full.u0, y0=full.y0, facts=full.facts,
    )  # fmt: skip
    # What was drowned in rounding is made up for in the steady gain, to the last digit.
    return replace(reduced, d=reduced.d + full.gain().to_numpy() - reduced.gain().to_numpy())


def _diagonal(a: Array, b: Array, c: Array) -> tuple[Array, Array, Array, str]:
    """Diagonal form, slowest state first, where the poles are real and apart; else the matrices as they are."""
    poles, vectors = np.linalg.eig(a)
    if np.max(np.abs(poles.imag)) > 1e-12 or np.linalg.cond(vectors) > 1e8:
        return a, b, c, "matrix"
    order = np.argsort(-poles.real)
    basis = vectors.real[:, order]
    return np.diag(poles.real[order]), np.linalg.solve(basis, b), c @ basis, "diagonal"


__all__ = ["ReducedModel", "coefficient_rows", "reduced_model", "run_estimator", "worst_errors"]

"""A network linearised at an operating point, as named state space for colleagues.

``dx/dt = A (x - x0) + B (u - u0)``, ``y = y0 + C (x - x0) + D (u - u0)``: states are the nodes with heat
capacity, inputs carry names and units, outputs are temperatures in degC.  Everything that depends on temperature
(radiation, natural convection, dry-out, leakage) enters with its slope at the operating point.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import DesignError, NetworkError, Problem
from thermnet.network.compiled import CompiledNetwork, compile_network
from thermnet.network.graph import ThermalNetwork, nearest
from thermnet.solve.equations import HeatBalance
from thermnet.solve.powers import read_powers
from thermnet.solve.propagator import phi_functions
from thermnet.solve.steady import steady_temperatures

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
SCHEMA = "thermnet-linear-model/1"
BOUNDARY_STEP = 1e-3
"""K; step of the differences by which the slope along a boundary temperature is taken."""


@dataclass(frozen=True, eq=False)
class LinearModel:
    """Named state space of a network at an operating point.

    Attributes
    ----------
    a, b, c, d : (x, x), (x, u), (y, x), (y, u)
        Per s for a continuous model; per sample for one with a ``period``.
    states, inputs, outputs : names
        States and outputs are temperatures in degC, except the states of a reduced model.
    units : mapping of input to unit (``W``, ``degC``, ``rpm``)
    x0, u0, y0 : operating point
    period : float or None
        s between samples (inputs held in between); None for a continuous model.
    facts : mapping
        Where the model comes from.
    """

    a: Array
    b: Array
    c: Array
    d: Array
    states: tuple[str, ...]
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    units: Mapping[str, str]
    x0: Array
    u0: Array
    y0: Array
    period: float | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)

    # -- other forms ---------------------------------------------------------------------------------------

    def state_space(self) -> Any:
        """Return a :class:`scipy.signal.StateSpace`, in differences from the operating point."""
        from scipy.signal import StateSpace

        more = {} if self.period is None else {"dt": self.period}
        return StateSpace(self.a, self.b, self.c, self.d, **more)

    def discrete(self, period: float) -> LinearModel:
        """Sample the model every ``period`` s with inputs held in between (exact).

        Raises
        ------
        ValueError
            A period that is not above 0, or a model that is sampled already.
        """
        if self.period is not None:
            raise ValueError(
                f"the model is sampled already, every {self.period:g} s; expected a continuous one"
            )
        if not (np.isfinite(period) and period > 0):
            raise ValueError(f"period {period!r} s; expected a finite number above 0")
        phi0, phi1, *_ = phi_functions(self.a, float(period))[0]
        return replace(self, a=phi0, b=float(period) * phi1 @ self.b, period=float(period))

    def select(
        self, inputs: Sequence[str] | None = None, outputs: Sequence[str] | None = None
    ) -> LinearModel:
        """Keep some inputs and outputs, in the order given; inputs left out stay at their operating point."""
        u = [self._index(self.inputs, name, "input") for name in (self.inputs if inputs is None else inputs)]
        y = [
            self._index(self.outputs, name, "output")
            for name in (self.outputs if outputs is None else outputs)
        ]
        if not u or not y:
            raise ValueError("select: expected at least one input and one output")
        names = tuple(self.inputs[k] for k in u)
        return replace(
            self, b=self.b[:, u], c=self.c[y], d=self.d[np.ix_(y, u)], inputs=names, u0=self.u0[u], y0=self.y0[y],
            outputs=tuple(self.outputs[k] for k in y), units={name: self.units[name] for name in names},
        )  # fmt: skip

    # -- answers -------------------------------------------------------------------------------------------

    def gain(self) -> pd.DataFrame:
        """Steady change of every output per unit of every input (K per W, per K, per rpm)."""
        import pandas as pd

        inner = -self.a if self.period is None else np.eye(len(self.states)) - self.a
        values = self.d + self.c @ np.linalg.solve(inner, self.b)
        return pd.DataFrame(values, index=list(self.outputs), columns=list(self.inputs))

    def time_constants(self) -> Array:
        """Time constants in s, longest first (complex pairs by their decay)."""
        poles = np.linalg.eigvals(self.a)
        rates = -poles.real if self.period is None else -np.log(np.abs(poles)) / self.period
        return np.sort(1.0 / rates)[::-1]

    def steady_state(self, inputs: Mapping[str, float] | None = None) -> Array:
        """States (x,) at constant inputs; those left out stay at the operating point."""
        u = self._constant(inputs or {})
        inner = -self.a if self.period is None else np.eye(len(self.states)) - self.a
        state: Array = self.x0 + np.linalg.solve(inner, self.b @ u)
        return state

    def response(
        self, times: Any, inputs: Mapping[str, Any], initial: Mapping[str, float] | Array | None = None
    ) -> pd.DataFrame:
        """Compute the outputs in degC at ``times`` (s) for inputs held from each time to the next.

        Parameters
        ----------
        times : (n,) s, rising; multiples of the period for a sampled model
        inputs : mapping of input to a number or (n,) values
            In the input's own unit, absolute; inputs left out stay at the operating point.
        initial : mapping of input to value, or (x,) states, optional
            Settled at these inputs, or in these states; the operating point if left out.

        Returns
        -------
        pandas.DataFrame
            One column per output, indexed by time.  Exact for the linear model.
        """
        import pandas as pd

        t = np.asarray(times, dtype=float)
        if t.ndim != 1 or t.size < 1 or not np.all(np.isfinite(t)) or np.any(np.diff(t) <= 0):
            raise ValueError("times: expected finite, rising numbers of s")
        u = np.zeros((t.size, len(self.inputs)))
        for name, values in inputs.items():
            k = self._index(self.inputs, name, "input")
            try:
                u[:, k] = np.asarray(values, dtype=float) - self.u0[k]
            except ValueError:
                raise ValueError(
                    f"input {name!r}: {np.shape(values)} values; expected one or {t.size}"
                ) from None
        if initial is None:
            x = np.zeros(len(self.states))
        elif isinstance(initial, Mapping):
            x = self.steady_state(initial) - self.x0
        else:
            x = np.asarray(initial, dtype=float) - self.x0
        steps = np.diff(t)
        known: dict[float, tuple[Array, Array]] = {}
        y = np.empty((t.size, len(self.outputs)))
        for k in range(t.size):
            y[k] = self.c @ x + self.d @ u[k]
            if k < t.size - 1:
                key = round(float(steps[k]), 9)
                if key not in known:
                    known[key] = self._propagators(float(steps[k]))
                x = known[key][0] @ x + known[key][1] @ u[k]
        return pd.DataFrame(y + self.y0, index=pd.Index(t, name="time_s"), columns=list(self.outputs))

    # -- files ---------------------------------------------------------------------------------------------

    def save(self, path: str | Path) -> Path:
        """Write matrices, names, units and operating point as one ``.npz`` file and return its path.

        ``numpy.load`` reads it anywhere: arrays ``a b c d x0 u0 y0 states inputs outputs input_units``, and
        ``about`` (JSON text with schema, period and origin).
        """
        target = Path(path).with_suffix(".npz")
        about = {"schema": SCHEMA, "period_s": self.period, **{k: v for k, v in self.facts.items()}}
        np.savez_compressed(
            target, a=self.a, b=self.b, c=self.c, d=self.d, x0=self.x0, u0=self.u0, y0=self.y0,
            states=np.array(self.states), inputs=np.array(self.inputs), outputs=np.array(self.outputs),
            input_units=np.array([self.units[name] for name in self.inputs]),
            about=np.array(json.dumps(about, default=str)),
        )  # fmt: skip
        return target

    def to_csv(self, folder: str | Path) -> list[Path]:
        """Write ``linear_a.csv`` ... ``linear_d.csv`` and ``linear_point.csv`` with names on rows and columns."""
        import pandas as pd

        target = Path(folder)
        frames = {
            "a": pd.DataFrame(self.a, self.states, self.states), "b": pd.DataFrame(self.b, self.states, self.inputs),
            "c": pd.DataFrame(self.c, self.outputs, self.states), "d": pd.DataFrame(self.d, self.outputs, self.inputs),
        }  # fmt: skip
        written = []
        for name, frame in frames.items():
            written.append(target / f"linear_{name}.csv")
            frame.to_csv(written[-1], index_label="name", lineterminator="\n", float_format="%.12g")
        point = pd.DataFrame(
            [("state", n, v, "degC") for n, v in zip(self.states, self.x0, strict=True)]
            + [("input", n, v, self.units[n]) for n, v in zip(self.inputs, self.u0, strict=True)]
            + [("output", n, v, "degC") for n, v in zip(self.outputs, self.y0, strict=True)],
            columns=["kind", "name", "value", "unit"],
        )
        written.append(target / "linear_point.csv")
        point.to_csv(written[-1], index=False, lineterminator="\n", float_format="%.12g")
        return written

    def __repr__(self) -> str:
        kind = "continuous" if self.period is None else f"every {self.period:g} s"
        return (
            f"<LinearModel, {kind}: {len(self.states)} states, inputs {', '.join(self.inputs)}, "
            f"{len(self.outputs)} outputs>"
        )

    # -- inside --------------------------------------------------------------------------------------------

    def _propagators(self, step: float) -> tuple[Array, Array]:
        if self.period is None:
            phi0, phi1, *_ = phi_functions(self.a, step)[0]
            return phi0, step * phi1 @ self.b
        count = round(step / self.period)
        if count < 1 or abs(count * self.period - step) > 1e-6 * self.period:
            raise ValueError(
                f"times: a step of {step:g} s; expected multiples of the period, {self.period:g} s"
            )
        power = np.eye(len(self.states))
        total = np.zeros_like(self.b)
        for _ in range(count):
            total = self.a @ total + self.b
            power = self.a @ power
        return power, total

    def _constant(self, inputs: Mapping[str, float]) -> Array:
        u = np.zeros(len(self.inputs))
        for name, value in inputs.items():
            k = self._index(self.inputs, name, "input")
            u[k] = float(value) - self.u0[k]
        return u

    @staticmethod
    def _index(names: tuple[str, ...], name: str, what: str) -> int:
        if name not in names:
            raise NetworkError(f"no {what} {name!r}{nearest(name, names)}")
        return names.index(name)


def load_linear_model(path: str | Path) -> LinearModel:
    """Read back what :meth:`LinearModel.save` wrote.

    Raises
    ------
    DesignError
        Not such a file, or of another schema.
    OSError
        The file cannot be read.
    """
    try:
        with np.load(Path(path), allow_pickle=False) as content:
            arrays = {name: content[name] for name in content.files}
        about = json.loads(str(arrays["about"]))
        if about.get("schema") != SCHEMA:
            raise DesignError(str(path), [Problem("schema", repr(about.get("schema")), repr(SCHEMA))])
        names = {key: tuple(map(str, arrays[key])) for key in ("states", "inputs", "outputs")}
        return LinearModel(
            a=arrays["a"], b=arrays["b"], c=arrays["c"], d=arrays["d"], states=names["states"], inputs=names["inputs"],
            outputs=names["outputs"],
            units=dict(zip(names["inputs"], map(str, arrays["input_units"]), strict=True)),
            x0=arrays["x0"], u0=arrays["u0"], y0=arrays["y0"], period=about["period_s"],
            facts={k: v for k, v in about.items() if k not in ("schema", "period_s")},
        )  # fmt: skip
    except (KeyError, ValueError, TypeError, EOFError) as error:
        found = f"{type(error).__name__}: {error}"
        raise DesignError(str(path), [Problem("file", found, "a file written by LinearModel.save")]) from None


def linearised(
    compiled: CompiledNetwork, temperature: Array, boundary: Array, columns: Mapping[str, tuple[Array, float, str]],
    *, more_slope: Array | None = None, facts: Mapping[str, Any] | None = None,
) -> LinearModel:  # fmt: skip
    """Linearise the heat balance of one machine at steady temperatures.

    Parameters
    ----------
    compiled : CompiledNetwork
    temperature : (n,) degC of all nodes
    boundary : (b,) degC
    columns : mapping of input to (derivative of the net heat into every node (n,), operating value, unit)
        Boundary temperatures that are not among them are added as inputs under their own names.
    more_slope : (n, n), optional
        W/K to add to the derivative of the net heat by the node temperatures.

    Notes
    -----
    Nodes without heat capacity are eliminated; they stay outputs.
    """
    balance = HeatBalance(compiled)
    slope = balance.jacobian(temperature, boundary)
    slope = slope if isinstance(slope, np.ndarray) else slope.toarray()
    if more_slope is not None:
        slope = slope + more_slope
    inputs = {
        name: (np.asarray(column, dtype=float), value, unit)
        for name, (column, value, unit) in columns.items()
    }
    nothing = np.zeros(compiled.size)
    for k, name in enumerate(compiled.boundaries):
        if name in inputs:
            continue
        high, low = boundary.copy(), boundary.copy()
        high[k] += BOUNDARY_STEP
        low[k] -= BOUNDARY_STEP
        rise = balance.residual(temperature, high, nothing) - balance.residual(temperature, low, nothing)
        inputs[name] = (rise / (2.0 * BOUNDARY_STEP), float(boundary[k]), "degC")
    drive = np.stack([column for column, *_ in inputs.values()], axis=1)
    active, massless = np.flatnonzero(compiled.capacity > 0), np.flatnonzero(compiled.capacity == 0)
    if active.size == 0:
        raise NetworkError("no node has a heat capacity: there is nothing to describe over time")
    follow_x, follow_u = np.zeros((0, active.size)), np.zeros((0, drive.shape[1]))
    if massless.size:
        inner = slope[np.ix_(massless, massless)]
        follow_x = -np.linalg.solve(inner, slope[np.ix_(massless, active)])
        follow_u = -np.linalg.solve(inner, drive[massless])
    capacity = compiled.capacity[active][:, None]
    a = (slope[np.ix_(active, active)] + slope[np.ix_(active, massless)] @ follow_x) / capacity
    b = (drive[active] + slope[np.ix_(active, massless)] @ follow_u) / capacity
    c, d = np.zeros((compiled.size, active.size)), np.zeros((compiled.size, drive.shape[1]))
    c[active, np.arange(active.size)] = 1.0
    c[massless], d[massless] = follow_x, follow_u
    names = tuple(inputs)
    return LinearModel(
        a, b, c, d, states=tuple(compiled.nodes[k] for k in active), inputs=names, outputs=compiled.nodes,
        units={name: unit for name, (*_, unit) in inputs.items()}, x0=temperature[active],
        u0=np.array([value for _, value, _ in inputs.values()]), y0=np.array(temperature), facts=dict(facts or {}),
    )  # fmt: skip


def network_model(
    network: ThermalNetwork, power: Mapping[str, float] | None = None, heated: Sequence[str] | None = None
) -> LinearModel:
    """Linearise a bare network at its steady state.

    Parameters
    ----------
    network : ThermalNetwork
    power : mapping of node to W
        At the operating point.
    heated : sequence of node names, optional
        Nodes whose heat is an input (named ``heat.<node>``); all with a power, or all, if left out.

    Raises
    ------
    NetworkError, ThermalRunawayError
        Unknown names, many machines in one network, no steady state.
    """
    compiled = compile_network(network)
    if compiled.batch_shape:
        raise NetworkError(
            f"a linear model is of one machine; this network holds {compiled.batch_shape} of them"
        )
    watts = read_powers(compiled, power or {}).at(0.0)
    wanted = heated if heated is not None else (list(power) if power else list(compiled.nodes))
    columns: dict[str, tuple[Array, float, str]] = {}
    for name in wanted:
        row = compiled.row(name)
        if row >= compiled.size:
            raise NetworkError(f"heat at {name!r}: a boundary takes no heat")
        column = np.zeros(compiled.size)
        column[row] = 1.0
        columns[f"heat.{name}"] = (column, float(watts[row]), "W")
    temperature = steady_temperatures(compiled, watts)
    return linearised(compiled, temperature, compiled.boundary_temperature(0.0), columns)


__all__ = ["LinearModel", "linearised", "load_linear_model", "network_model"]

"""Run reference cases and tell which hold."""

from __future__ import annotations

import dataclasses
import importlib
import math
import types
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.network import DryOut, Leakage, SurfaceExchange, ThermalNetwork
from thermnet.network.graph import nearest
from thermnet.verify.case import FUNCTION, Case, load_cases, tolerance_of

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, eq=False)
class CaseResult:
    """What came out of one case.

    Attributes
    ----------
    case : Case
    value, expected : array
        What the package gives and what is expected, of one shape (0-d for a single number).
    error, tolerance : float
        Difference and tolerance, in the unit, at the element that stands worst.
    holds : bool
    message : str
        Why the case could not be computed, or empty.
    """

    case: Case
    value: Array
    expected: Array
    error: float
    tolerance: float
    holds: bool
    message: str = ""
    worst: tuple[int, ...] = ()

    def __str__(self) -> str:
        if self.message:
            return f"{self.case.name}: {self.message}"
        state = "holds" if self.holds else "does not hold"
        at = f" (element {', '.join(map(str, self.worst))})" if self.worst else ""
        return (
            f"{self.case.name} {state}: {self.value[self.worst]:.8g} {self.case.unit}{at}, expected "
            f"{self.expected[self.worst]:.8g}, off by {self.error:.3g}, tolerance {self.tolerance:.3g}"
        )


def run_case(case: Case) -> CaseResult:
    """Compute one case and compare it with what is expected; never raises for what the case does."""
    expected = np.asarray(case.expected.value, dtype=float)
    try:
        value = _function_value(case) if case.network is None else _network_value(case)
        if value.shape != expected.shape and value.size == expected.size == 1:
            value = value.reshape(expected.shape)
    except Exception as error:  # whatever a case does wrong belongs in its row, not in the way of the others
        return _failed(case, expected, f"{type(error).__name__}: {error}")
    if value.shape != expected.shape:
        return _failed(
            case, expected, f"gives values of shape {value.shape}; expected shape {expected.shape}"
        )
    number, relative = tolerance_of(case.tolerance, case.unit)
    allowed = np.abs(expected) * number if relative else np.full(expected.shape, number)
    difference = np.abs(value - expected)
    # Half a unit in the last place of double arithmetic is not a difference.
    rounding = 4.0 * np.finfo(float).eps * np.abs(expected)
    excess = np.where(np.isfinite(difference), difference - allowed, math.inf)
    worst = tuple(int(i) for i in np.unravel_index(int(np.argmax(excess)), expected.shape))
    return CaseResult(
        case,
        value,
        expected,
        float(difference[worst]),
        float(allowed[worst]),
        bool(np.all(excess <= rounding)),
        "",
        worst,
    )


def verify(
    folder: str | Path | None = None, *, cases: Sequence[Case] | None = None, progress: Progress | None = None
) -> pd.DataFrame:
    """Run every reference case.

    Parameters
    ----------
    folder : path, optional
        Where the case files are; the package's own if left out.
    cases : sequence of Case, optional
        Cases already loaded, instead of a folder.
    progress : callable, optional
        Called with (done, total, name of the case about to run).

    Returns
    -------
    pandas.DataFrame
        A row per case: ``case``, ``what``, ``value``, ``expected``, ``unit``, ``error``, ``tolerance`` (both
        in the unit), ``points`` (the numbers shown stand for the worst of so many), ``holds``, ``source``,
        ``provenance``, ``message``.

    Raises
    ------
    DesignError
        A case file is malformed; every problem is listed.
    """
    import pandas as pd

    todo = list(cases) if cases is not None else load_cases(folder)
    rows = []
    for done, case in enumerate(todo):
        if progress is not None:
            progress(done, len(todo), case.name)
        rows.append(_row(run_case(case)))
    if progress is not None:
        progress(len(todo), len(todo), "")
    return pd.DataFrame(rows)


def resolve(name: str) -> Callable[..., Any]:
    """Return the public function of the physics, the materials or the worked examples that a case names.

    Raises
    ------
    LookupError
        The name is outside these, or there is no such function.
    """
    if not FUNCTION.fullmatch(name):
        raise LookupError(
            f"{name!r} is no function of thermnet.physics, thermnet.materials, thermnet.tolerance.capability or thermnet.verify.worked_..."
        )
    module_name, function_name = name.split(":")
    try:
        module = importlib.import_module(module_name)
    except ModuleNotFoundError:
        raise LookupError(f"there is no module {module_name}") from None
    found = getattr(module, function_name, None)
    inner = getattr(found, "__wrapped__", found)  # a cached function is still that function
    home = ".".join(module_name.split(".")[:2])
    if not isinstance(inner, types.FunctionType) or not f"{inner.__module__}.".startswith(f"{home}."):
        known = [
            key
            for key, value in vars(module).items()
            if isinstance(value, types.FunctionType) and key[0] != "_"
        ]
        raise LookupError(f"{module_name} has no function {function_name!r}{nearest(function_name, known)}")
    function: Any = found
    return function  # type: ignore[no-any-return]


def network_of(case: Case) -> ThermalNetwork:
    """Build the network that a case describes, through the public interface."""
    row = case.network
    if row is None:
        raise NetworkError(f"{case.name} describes no network")
    net = ThermalNetwork()
    for name, capacity in row.nodes.items():
        net.add_node(name, capacity=capacity)
    for name, temperature in row.boundaries.items():
        net.add_boundary(name, temperature)
    for link in row.links:
        law: Any = None
        if link.surface is not None:
            law = SurfaceExchange(**link.surface.model_dump())
        elif link.dry_out is not None:
            law = DryOut(**link.dry_out.model_dump())
        net.add_link(*link.between, resistance=link.resistance, conductance=link.conductance, law=law)
    for stream in row.streams:
        net.add_stream(*stream.between, capacity_rate=stream.capacity_rate)
    for leak in row.leakage:
        net.add_leakage(leak.node, Leakage(power=leak.power, reference=leak.reference, slope=leak.slope))
    return net


# -- inside ------------------------------------------------------------------------------------------------


def _function_value(case: Case) -> Array:
    inputs = {key: _argument(value) for key, value in case.inputs.items()}
    answer = resolve(str(case.function))(**inputs)
    item = case.expected.item
    if isinstance(item, list):
        return np.array([np.asarray(_pick(answer, name), dtype=float) for name in item])
    return np.asarray(answer if item is None else _pick(answer, item), dtype=float)


def _argument(value: Any) -> Any:
    """Turn lists of numbers into arrays; everything else stays what the file says."""
    if (
        isinstance(value, list)
        and value
        and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in value)
    ):
        return np.array(value, dtype=float)
    if isinstance(value, list) and value and all(isinstance(v, list) for v in value):
        rows = [_argument(row) for row in value]
        return np.array(rows, dtype=float) if all(isinstance(row, np.ndarray) for row in rows) else rows
    return value


def _pick(answer: Any, item: str | int) -> Any:
    """One part of an answer: by key, by position, or by the name of a field."""
    if isinstance(answer, dict):
        if item not in answer:
            raise LookupError(f"the answer has no item {item!r}{nearest(str(item), map(str, answer))}")
        return answer[item]
    fields = getattr(answer, "_fields", ())
    if dataclasses.is_dataclass(answer):
        fields = tuple(f.name for f in dataclasses.fields(answer))
    if isinstance(item, str) and item in fields:
        return getattr(answer, item)
    position = int(item) if isinstance(item, int) or item.isdecimal() else None
    if isinstance(answer, (tuple, list, np.ndarray)) and position is not None and position < len(answer):
        return answer[position]
    raise LookupError(f"the answer has no item {item!r}{nearest(str(item), fields)}")


def _network_value(case: Case) -> Array:
    if case.network is None or case.ask is None:
        raise NetworkError(f"{case.name} describes no network")
    net, ask, powers = network_of(case), case.ask, dict(case.network.powers)
    if ask.times is None:
        steady = net.steady(powers)
        return np.array([float(steady[name]) for name in ask.nodes])
    run = net.transient(
        powers,
        duration=ask.times[-1],
        initial=ask.initial,
        times=np.array(ask.times),
        tolerance=ask.tolerance,
    )
    time = np.asarray(run.time, dtype=float)
    missing = [t for t in ask.times if not np.any(np.isclose(time, t, rtol=1e-12, atol=1e-12))]
    if missing:
        raise LookupError(f"the run does not report at {', '.join(f'{t:g} s' for t in missing)}")
    columns = [
        np.interp(ask.times, time, np.asarray(run.temperature(name), dtype=float)) for name in ask.nodes
    ]
    return np.stack(columns, axis=-1)


def _failed(case: Case, expected: Array, message: str) -> CaseResult:
    return CaseResult(case, np.full(expected.shape, math.nan), expected, math.nan, math.nan, False, message)


def _row(result: CaseResult) -> dict[str, Any]:
    case = result.case
    at = result.worst if result.worst or result.expected.ndim == 0 else (0,) * result.expected.ndim
    return {
        "case": case.name,
        "what": case.what,
        "value": float(result.value[at]),
        "expected": float(result.expected[at]),
        "unit": case.unit,
        "error": result.error,
        "tolerance": result.tolerance,
        "points": int(result.expected.size),
        "holds": result.holds,
        "source": case.source,
        "provenance": case.provenance,
        "message": result.message,
    }

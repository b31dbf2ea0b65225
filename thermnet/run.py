"""The labelled result of a simulation: what happened, at what accuracy, and where to read it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, cast

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import DesignError, Problem
from thermnet.handover import hand_over
from thermnet.network.graph import nearest

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

Array = NDArray[np.float64]


class Status(Enum):
    """How a run ended; the text is advice."""

    COMPLETE = "complete"
    RUNAWAY = "thermal runaway: leakage outgrew the cooling; lower the power, the voltage or the ambient"
    STOPPED = "stopped before its end; what was solved is kept"


@dataclass(frozen=True)
class RunLimit:
    """A limit watched during the run; ``node`` for temperature limits (degC), ``link`` for heat limits (W)."""

    name: str
    kind: str
    value: float
    node: str = ""
    link: str = ""


@dataclass(frozen=True)
class Channel:
    """A recorded quantity other than temperature: values over (time, label)."""

    dimension: str
    labels: tuple[str, ...]
    values: NDArray[Any]
    unit: str
    meaning: str
    flags: tuple[str, ...] = ()
    """For integer codes: the meaning of 0, 1, 2 ..."""


ROUNDING = 1e-7
"""Share of the heat turned over below which a heat account says nothing: differences of large terms, rounded."""


@dataclass(frozen=True)
class Energy:
    """Heat accounts of a run in J.

    Attributes
    ----------
    into : put in by the sources
    out : left through the boundaries, net (negative: drawn from them)
    stored : gone into store (negative: released)
    gross : size of the terms that ``out`` and ``stored`` are differences of (0: not known)
    """

    into: float
    out: float
    stored: float
    gross: float = 0.0

    @property
    def residual(self) -> float:
        """``|in - out - stored|`` over the heat put in, drawn from the boundaries or released, whichever is most.

        In a powered run this is the heat put in.  Where hardly any heat moves at all, rounding of the
        ``gross`` terms is not taken for a residual.
        """
        scale = max(abs(self.into), abs(self.out), abs(self.stored), ROUNDING * self.gross)
        return abs(self.into - self.out - self.stored) / scale if scale > 0.0 else 0.0


@dataclass(frozen=True)
class KeptHeat:
    """Heat through links that has been worked out: names, and W by (time, link)."""

    names: tuple[str, ...]
    values: Array

    def __call__(self) -> tuple[tuple[str, ...], Array]:
        """Names and values."""
        return self.names, self.values


class Columns(Protocol):
    """Temperatures that are worked out when they are read."""

    def column(self, index: int) -> Array:
        """One column of the table."""
        ...

    def everything(self) -> Array:
        """The whole table, (times, names)."""
        ...


class _Worked:
    """Field for a table given as an array, or as :class:`Columns` that become one when first read."""

    def __init__(self, name: str) -> None:
        self.name = name

    def __get__(self, run: Any, owner: type | None = None) -> Array:
        if run is None:
            return self  # type: ignore[return-value]
        kept = run.__dict__[self.name]
        if not isinstance(kept, np.ndarray):
            kept = run.__dict__[self.name] = kept.everything()
        return cast("Array", kept)

    def __set__(self, run: Any, value: Array | Columns) -> None:
        run.__dict__[self.name] = value


@dataclass(frozen=True, eq=False)
class Run:
    """What a simulation found.

    Attributes
    ----------
    time : (t,) s
    names : node names followed by boundary names, in column order of ``temperatures``
    temperatures : (t, names) degC
        May be given as :class:`Columns`; :meth:`temperature` then works out one column only.
    energy : Energy
    status : Status
    channels : mapping of name to Channel (power, frequency, fan_speed, noise, limit, sensor ...)
    limits : RunLimit watched
    events : (time s, text) pairs
    solver : statistics of the solver (steps, refinements, largest error estimate ...)
    provenance : design, version, mode, ambient, workload, seed
    """

    time: Array
    names: tuple[str, ...]
    temperatures: Array
    energy: Energy
    status: Status = Status.COMPLETE
    channels: Mapping[str, Channel] = field(default_factory=dict)
    limits: tuple[RunLimit, ...] = ()
    events: tuple[tuple[float, str], ...] = ()
    solver: Mapping[str, Any] = field(default_factory=dict)
    provenance: Mapping[str, Any] = field(default_factory=dict)
    boundaries: tuple[str, ...] = ()
    final_state: Any = None
    _between: Callable[[int, float], Array] | None = None
    _link_heat: Callable[[], tuple[tuple[str, ...], Array]] | None = None

    # -- reading -------------------------------------------------------------------------------------------

    def temperature(self, name: str) -> Array:
        """Temperature of a node or boundary at every reported time, degC."""
        return self._temperature(self._column(name))

    def _temperature(self, column: int) -> Array:
        kept = self.__dict__["temperatures"]
        values: Array = kept[:, column] if isinstance(kept, np.ndarray) else kept.column(column)
        return values

    def channel(self, name: str, label: str | None = None) -> NDArray[Any]:
        """Values of a recorded channel, all labels or one."""
        if name not in self.channels:
            raise KeyError(f"no channel {name!r}{nearest(name, self.channels)}")
        channel = self.channels[name]
        if label is None:
            return channel.values
        if label not in channel.labels:
            raise KeyError(f"channel {name!r} has no {label!r}{nearest(label, channel.labels)}")
        return channel.values[:, channel.labels.index(label)]

    def time_to(self, name: str, limit: float) -> float:
        """Time in s at which ``name`` first reaches ``limit`` degC, by root finding between steps; nan if never.

        Where it stands there from the beginning, that is the first reported time.  A rise and fall that both happen
        between two reported times is not seen.  A run read from a file, or thinned, is taken as straight between them.
        """
        column = self._column(name)
        if not np.isfinite(limit):
            raise ValueError(f"limit {limit!r}; expected a finite number of degC")
        values = self._temperature(column) - limit
        if values[0] >= 0.0:
            return float(self.time[0])
        above = np.flatnonzero(values >= 0.0)
        if above.size == 0:
            return float("nan")
        k = int(above[0]) - 1
        low, high = float(self.time[k]), float(self.time[k + 1])
        between = self._between
        if between is None:
            fraction = -values[k] / (values[k + 1] - values[k])
            return low + float(fraction) * (high - low)
        from scipy.optimize import brentq

        def miss(t: float) -> float:
            if t <= low:
                return float(values[k])
            return float(values[k + 1]) if t >= high else float(between(k, t)[column]) - limit

        return float(brentq(miss, low, high, xtol=1e-9 * max(1.0, high), rtol=1e-12))

    @property
    def energy_residual(self) -> float:
        """``|heat in - heat out - heat stored| / heat in``."""
        return self.energy.residual

    @property
    def link_heat(self) -> tuple[tuple[str, ...], Array]:
        """Link names and the heat through each at every reported time, W (positive from first to second end)."""
        if self._link_heat is None:
            return (), np.zeros((self.time.size, 0))
        return self._link_heat()

    @property
    def dataset(self) -> xr.Dataset:
        """Everything as an xarray Dataset with units in the attributes."""
        import xarray as xr

        names, heat = self.link_heat
        variables: dict[str, Any] = {
            "temperature": (("time", "node"), self.temperatures, {"units": "degC", "long_name": "temperature"})
        }
        coordinates: dict[str, Any] = {
            "time": ("time", self.time, {"units": "s", "long_name": "time"}), "node": list(self.names),
        }  # fmt: skip
        if names:
            variables["heat"] = (("time", "link"), heat, {"units": "W", "long_name": "heat from first to second end"})
            coordinates["link"] = list(names)
        for name, channel in self.channels.items():
            attributes: dict[str, Any] = {"units": channel.unit, "long_name": channel.meaning}
            if channel.flags:
                attributes["flag_values"] = list(range(len(channel.flags)))
                attributes["flag_meanings"] = " ".join(flag.replace(" ", "_") for flag in channel.flags)
            variables[name] = (("time", channel.dimension), channel.values, attributes)
            coordinates[channel.dimension] = list(channel.labels)
        data = xr.Dataset(variables, coordinates)
        data.attrs.update(
            energy_residual=self.energy_residual, energy_in_J=self.energy.into, energy_out_J=self.energy.out,
            energy_stored_J=self.energy.stored, energy_gross_J=self.energy.gross, status=self.status.name,
            **{f"provenance_{k}": _plain(v) for k, v in self.provenance.items()},
        )  # fmt: skip
        return data

    def to_dataframe(self) -> pd.DataFrame:
        """Temperatures and channels as one table indexed by time in s; units stand in the column names."""
        import pandas as pd

        columns = {f"{name}_degC": self.temperatures[:, i] for i, name in enumerate(self.names)}
        for name, channel in self.channels.items():
            unit = f"_{channel.unit}" if channel.unit not in ("", "1") else ""
            for i, label in enumerate(channel.labels):
                columns[f"{name}.{label}{unit}"] = channel.values[:, i]
        return pd.DataFrame(columns, index=pd.Index(self.time, name="time_s"))

    def peaks(self) -> dict[str, float]:
        """Highest temperature of every node, degC."""
        return {name: float(self._temperature(i).max()) for i, name in enumerate(self.names)}

    def margins(self) -> dict[str, float]:
        """Smallest distance to every watched temperature limit over the run, K (negative: exceeded)."""
        return {
            limit.name: float(limit.value - self.temperature(limit.node).max()) for limit in self.limits if limit.node
        }

    def residency(self) -> dict[str, dict[str, float]]:
        """Share of time that each limit binds, by chip."""
        if "limit" not in self.channels:
            return {}
        channel = self.channels["limit"]
        return {
            label: {
                flag: float(np.mean(channel.values[:, i] == code))
                for code, flag in enumerate(channel.flags)
                if np.any(channel.values[:, i] == code)
            }
            for i, label in enumerate(channel.labels)
        }

    def summary(self) -> dict[str, Any]:
        """Headline numbers and signs of trouble."""
        found: dict[str, Any] = {
            "status": self.status.value,
            "duration_s": float(self.time[-1]),
            "energy_residual": self.energy_residual,
            **{f"peak.{limit.name}_degC": float(self.temperature(limit.node).max()) for limit in self.limits if limit.node},
            **{f"margin.{name}_K": margin for name, margin in self.margins().items()},
        }
        if "power" in self.channels:
            for i, label in enumerate(self.channels["power"].labels):
                found[f"mean_power.{label}_W"] = float(self.channels["power"].values[:, i].mean())
        if "noise" in self.channels:
            found["peak_noise_dBA"] = float(self.channels["noise"].values.max())
        if "work" in self.channels:
            for i, label in enumerate(self.channels["work"].labels):
                found[f"work.{label}_s"] = float(self.channels["work"].values[-1, i])
        for chip, shares in self.residency().items():
            found.update({f"bound.{chip}.{flag}": share for flag, share in shares.items()})
        found["trouble"] = [text for _, text in self.events]
        return found

    # -- keeping -------------------------------------------------------------------------------------------

    def save(self, path: str | Path) -> Path:
        """Write the run as a netCDF file that :func:`load_run` and any netCDF reader understand."""
        path = Path(path)
        data = self.dataset
        data.attrs["thermnet"] = json.dumps(
            {
                "limits": [vars(limit) for limit in self.limits], "events": [list(e) for e in self.events],
                "solver": _plain_mapping(self.solver), "provenance": _plain_mapping(self.provenance),
                "boundaries": list(self.boundaries),
                "channels": {
                    n: [c.dimension, list(c.labels), c.unit, c.meaning, list(c.flags)] for n, c in self.channels.items()
                },
            }
        )  # fmt: skip
        data.to_netcdf(path, engine="h5netcdf")
        return path

    # -- showing -------------------------------------------------------------------------------------------

    def plot(self, axes: Any = None, **options: Any) -> Any:
        """Draw the run: temperatures, power, fan and which limit binds (see ``thermnet.show``)."""
        return hand_over("show.figures:plot_run")(self, axes, **options)

    def __repr__(self) -> str:
        count = len(self.events)
        trouble = f", {count} sign{'s' if count > 1 else ''} of trouble" if count else ""
        return (
            f"<Run: {len(self.names)} temperatures at {self.time.size} times to {self.time[-1]:g} s, "
            f"{self.status.name.lower()}, energy residual {self.energy_residual:.1e}{trouble}>"
        )

    def _repr_html_(self) -> str:
        from html import escape

        rows = "".join(
            f"<tr><th style='text-align:left'>{escape(str(k))}</th><td>"
            f"{escape(f'{v:.4g}' if isinstance(v, float) else str(v))}</td></tr>"
            for k, v in self.summary().items()
        )
        return f"<table>{rows}</table>"

    # -- inside --------------------------------------------------------------------------------------------

    def __getstate__(self) -> dict[str, Any]:
        # What is worked out on demand holds on to the machine; a copy carries its results instead.
        return {**self.__dict__, "temperatures": self.temperatures, "_between": None, "_link_heat": KeptHeat(*self.link_heat)}

    def _column(self, name: str) -> int:
        try:
            return self.names.index(name)
        except ValueError:
            raise KeyError(f"no node {name!r}{nearest(name, self.names)}") from None

    def with_provenance(self, **more: Any) -> Run:
        """Return a copy with more provenance."""
        return self.changed(provenance={**self.provenance, **more})

    def changed(self, **fields: Any) -> Run:
        """Return a copy with other values of some fields; nothing is worked out for it."""
        other = object.__new__(type(self))
        other.__dict__.update({**self.__dict__, **fields})
        return other


# Set here, not in the class, where it would be taken for a default.
Run.temperatures = _Worked("temperatures")  # type: ignore[assignment]


def load_run(path: str | Path) -> Run:
    """Read a run written by :meth:`Run.save`.

    Raises
    ------
    DesignError
        The file is missing or is not such a run.
    """
    import xarray as xr

    path = Path(path)
    if not path.is_file():
        raise DesignError(str(path), [Problem("file", "not found", "a run written by Run.save")])
    try:
        with xr.open_dataset(path, engine="h5netcdf", decode_timedelta=False) as opened:
            data = opened.load()
        return _from_dataset(data, json.loads(data.attrs["thermnet"]))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise DesignError(
            str(path), [Problem("file", f"cannot be read as one ({type(error).__name__})", "a run written by Run.save")]
        ) from None


def _from_dataset(data: xr.Dataset, extra: Mapping[str, Any]) -> Run:
    channels = {
        name: Channel(dimension, tuple(labels), data[name].values, unit, meaning, tuple(flags))
        for name, (dimension, labels, unit, meaning, flags) in extra["channels"].items()
    }
    heat = KeptHeat(tuple(str(v) for v in data["link"].values), data["heat"].values) if "heat" in data else None
    energy = Energy(*(float(data.attrs.get(f"energy_{word}_J", 0.0)) for word in ("in", "out", "stored", "gross")))
    return Run(
        time=data["time"].values, names=tuple(str(v) for v in data["node"].values),
        temperatures=data["temperature"].values, energy=energy, status=Status[data.attrs["status"]], channels=channels,
        limits=tuple(RunLimit(**limit) for limit in extra["limits"]),
        events=tuple((float(t), str(text)) for t, text in extra["events"]), solver=extra["solver"],
        provenance=extra["provenance"], boundaries=tuple(extra["boundaries"]), _link_heat=heat,
    )  # fmt: skip


def _plain(value: Any) -> Any:
    return value if isinstance(value, (str, int, float)) else json.dumps(value, default=str)


def _plain_mapping(values: Mapping[str, Any]) -> dict[str, Any]:
    plain: dict[str, Any] = json.loads(json.dumps(dict(values), default=str))
    return plain


__all__ = ["Channel", "Energy", "Run", "RunLimit", "Status", "load_run"]

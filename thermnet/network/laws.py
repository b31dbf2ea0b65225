"""Laws for links and heat sources whose strength depends on the temperatures at hand.

A law with a ``code`` is known to the compiled kernel, which evaluates it from its row of ``parameters``; a
law without one (code 0) is any object with a ``conductance`` method and runs through the general solver
only. Temperatures are in degC, conductances in W/K.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError

Array = NDArray[np.float64]

STEFAN_BOLTZMANN = 5.670374419e-8
"""W/(m^2 K^4), CODATA 2018."""

ZERO_CELSIUS = 273.15
WIDTH = 8
"""Parameters per law row."""

PLAIN, SURFACE, DRY_OUT, MELTING = 0, 1, 2, 3

COLD_FLOOR = 0.02
"""Share of the heat limit left to a frozen pipe."""

CLOSED = 1e-6
"""Share of its conductance that a full or empty melting store keeps, so that a steady state exists."""

SMALLEST_LIMIT = 1e-9
"""W; a pipe whose limit is 0 is given this, so that the blend around the limit has a width."""


def _check(law: Any, **bounds: tuple[float, float, str]) -> None:
    """Refuse parameters of a law that are not finite or outside (lowest, highest, expected)."""
    for name, (lowest, highest, expected) in bounds.items():
        found = getattr(law, name)
        try:
            values = np.asarray(found, dtype=float)
            good = bool(np.all((values >= lowest) & (values <= highest)))
        except (TypeError, ValueError):
            good = False
        if not good:
            raise NetworkError(f"{type(law).__name__}: {name} {found!r}; expected {expected}")


_ABOVE = (1e-300, 1e300, "a finite value above 0")
_AT_LEAST = (0.0, 1e300, "a finite value of 0 or more")
_ANY = (-1e300, 1e300, "a finite value")
_SHARE = (1e-6, 1.0, "a value above 0 and at most 1")


@runtime_checkable
class LinkLaw(Protocol):
    """What a link needs of a law: a conductance from the two end temperatures."""

    def conductance(self, hot: Any, cold: Any) -> Any:
        """Conductance in W/K between ends at ``hot`` and ``cold`` degC (arrays broadcast)."""
        ...


def surface_conductance(parameters: Any, hot: Any, cold: Any) -> Any:
    """Radiation plus natural convection plus a floor; ``parameters`` has the law's values on axis 0."""
    a, b = np.asarray(hot) + ZERO_CELSIUS, np.asarray(cold) + ZERO_CELSIUS
    radiation = parameters[0] * STEFAN_BOLTZMANN * (a * a + b * b) * (a + b)
    convection = parameters[1] * (np.abs(a - b) + 1e-9) ** parameters[2]
    return radiation + convection + parameters[3]


def dry_out_limit(parameters: Any, hot: Any, cold: Any) -> Any:
    """Heat limit in W of a heat pipe at the mean of its end temperatures; nearly none when frozen."""
    mean = 0.5 * (np.asarray(hot, dtype=float) + np.asarray(cold, dtype=float))
    warm = parameters[1] * np.clip(1.0 + parameters[3] * (mean - parameters[2]), 0.05, 3.0)
    full_above = np.asarray(parameters[7], dtype=float)
    place = np.clip(mean / np.where(full_above > 0.0, full_above, 1.0), 0.0, 1.0)
    share = COLD_FLOOR + (1.0 - COLD_FLOOR) * place * place * (3.0 - 2.0 * place)
    return warm * np.where(full_above > 0.0, share, 1.0)


def dry_out_conductance(parameters: Any, hot: Any, cold: Any) -> Any:
    """Heat-pipe conductance: constant below the heat limit, falling smoothly (C1) above it, heat conserved."""
    resistance, steepness, blend = parameters[0], parameters[4], parameters[5]
    hot, cold = np.asarray(hot, dtype=float), np.asarray(cold, dtype=float)
    limit = dry_out_limit(parameters, hot, cold)
    drop = np.abs(hot - cold)
    unlimited = drop / resistance
    low, high = limit * (1.0 - blend), limit * (1.0 + blend)
    inverse = 1.0 / steepness
    # Between low and high the slope dQ/d(unlimited) falls linearly from 1 to 1/steepness.
    inside = np.clip(unlimited, low, high) - low
    blended = inside - (1.0 - inverse) * inside**2 / (2.0 * (high - low))
    heat = np.minimum(unlimited, low) + blended + np.maximum(unlimited - high, 0.0) * inverse
    return np.where(drop > 1e-9, heat / np.where(drop > 1e-9, drop, 1.0), 1.0 / resistance)


@dataclass(frozen=True, kw_only=True)
class SurfaceExchange:
    """Heat given to the surroundings by radiation and natural convection, with an optional constant part.

    Parameters
    ----------
    radiating_area : float
        Emissivity (or grey-body exchange factor) times area, m^2.
    convection : float
        Area times the coefficient of ``|dT|**exponent``, W/K^(1+exponent).
    exponent : float
        Power of the temperature difference in the convection coefficient (0.25 laminar, 1/3 turbulent).
    floor : float
        Constant conductance in parallel (conduction through still air), W/K.
    """

    code: ClassVar[int] = SURFACE
    radiating_area: Any = 0.0
    convection: Any = 0.0
    exponent: Any = 0.25
    floor: Any = 0.0

    def __post_init__(self) -> None:
        _check(self, radiating_area=_AT_LEAST, convection=_AT_LEAST, exponent=_AT_LEAST, floor=_AT_LEAST)

    @property
    def parameters(self) -> tuple[Any, ...]:
        """Kernel row."""
        return (self.radiating_area, self.convection, self.exponent, self.floor)

    def conductance(self, hot: Any, cold: Any) -> Any:
        """Conductance in W/K; see class."""
        return surface_conductance(self.parameters, hot, cold)


@dataclass(frozen=True, kw_only=True)
class DryOut:
    """Two-phase transport with a heat limit: resistance rises smoothly once the limit is passed.

    Parameters
    ----------
    resistance : float
        K/W below the limit.
    limit : float
        Heat limit at the reference vapour temperature, W.
    reference : float
        Vapour temperature of ``limit``, degC.
    slope : float
        Relative change of the limit per K of vapour temperature, 1/K.
    steepness : float
        Ratio of the incremental resistance well past the limit to ``resistance`` (at least 1).
    blend : float
        Half width of the smooth transition as a fraction of the limit (0 to 1).
    rewet : float
        Once the limit has been passed, heat must fall to this fraction of it before the wick is wet again
        (1 = no hysteresis).  Until then the limit stands at that fraction.
    full_above : float
        Vapour temperature in degC above which a cold start no longer holds the pipe back: the limit falls
        smoothly to 2 % between there and freezing.  0 = no cold start.
    """

    code: ClassVar[int] = DRY_OUT
    resistance: Any
    limit: Any
    reference: Any = 50.0
    slope: Any = 0.0
    steepness: Any = 4.0
    blend: Any = 0.1
    rewet: Any = 1.0
    full_above: Any = 0.0

    def __post_init__(self) -> None:
        _check(
            self, resistance=_ABOVE, limit=_AT_LEAST, reference=_ANY, slope=_ANY, steepness=(1.0, 1e300, "a finite value of 1 or more"),
            blend=_SHARE, rewet=_SHARE, full_above=_AT_LEAST,
        )  # fmt: skip

    @property
    def parameters(self) -> tuple[Any, ...]:
        """Kernel row."""
        return (
            self.resistance, np.maximum(self.limit, SMALLEST_LIMIT), self.reference, self.slope, self.steepness, self.blend, self.rewet,
            self.full_above,
        )  # fmt: skip

    def conductance(self, hot: Any, cold: Any) -> Any:
        """Conductance in W/K of the wetted pipe; see class."""
        return dry_out_conductance(self.parameters, hot, cold)

    def heat_limit(self, hot: Any, cold: Any) -> Any:
        """Heat limit in W at the mean of the two end temperatures."""
        return dry_out_limit(self.parameters, hot, cold)


def melting_conductance(parameters: Any, hot: Any, cold: Any) -> Any:
    """Conductance in W/K from a body at ``hot`` degC into a melting store whose node stands at ``cold`` degC.

    Heat passes while there is something left to melt or to freeze; the last share ``taper`` of either
    closes the link linearly, so that the heat is continuous and the store never overfills.
    """
    conductance, melting, melting_range, taper = parameters[0], parameters[1], parameters[3], parameters[4]
    hot, cold = np.asarray(hot, dtype=float), np.asarray(cold, dtype=float)
    fraction = (cold - melting) / melting_range + 0.5
    room = np.where(hot > cold, 1.0 - fraction, fraction)
    return conductance * (CLOSED + np.clip(room / taper, 0.0, 1.0))


def melting_heat(parameters: Any, temperature: Any, fraction: Any) -> Any:
    """Heat in W from a body at ``temperature`` degC into a melting store molten to ``fraction`` (0 to 1)."""
    store = parameters[1] + (np.asarray(fraction, dtype=float) - 0.5) * parameters[3]
    return melting_conductance(parameters, temperature, store) * (np.asarray(temperature) - store)


@dataclass(frozen=True, kw_only=True)
class Melting:
    """Latent heat behind a conductance: link from a body (first end) to the store's own node (second end).

    The store is a node of capacity ``latent_energy / melting_range`` (:attr:`capacity`) whose temperature
    runs through the melting range as it melts, so that the heat it holds is in the network's accounts like
    any other; :meth:`fraction` reads the share molten off that temperature.  Outside the range the link is
    shut.  A run must begin with the store inside its range: see ``CompiledNetwork.settled``.

    Parameters
    ----------
    melt_conductance : float
        Into the melt, W/K.
    melting_temperature : float
        Middle of the melting range, degC.
    latent_energy : float
        J to melt all of it.
    melting_range : float
        Width of the range over which it melts, K (above 0).
    taper : float
        Last share of the melt (or of the solid) over which the link closes (above 0).
    """

    code: ClassVar[int] = MELTING
    melt_conductance: Any
    melting_temperature: Any
    latent_energy: Any
    melting_range: Any = 1.0
    taper: Any = 0.02

    def __post_init__(self) -> None:
        _check(
            self, melt_conductance=_AT_LEAST, melting_temperature=_ANY, latent_energy=_AT_LEAST, melting_range=_ABOVE,
            taper=_ABOVE,
        )  # fmt: skip

    @property
    def parameters(self) -> tuple[Any, ...]:
        """Kernel row."""
        return (
            self.melt_conductance, self.melting_temperature, self.latent_energy, self.melting_range,
            self.taper,
        )  # fmt: skip

    @property
    def capacity(self) -> Any:
        """Capacity in J/K to give the store's node."""
        return self.latent_energy / self.melting_range

    def conductance(self, hot: Any, cold: Any) -> Any:
        """Conductance in W/K from the body at ``hot`` to the store's node at ``cold`` degC; see class."""
        return melting_conductance(self.parameters, hot, cold)

    def fraction(self, store_temperature: Any) -> Any:
        """Share molten, 0 to 1, of a store whose node stands at ``store_temperature`` degC."""
        warmth = np.asarray(store_temperature, dtype=float) - self.melting_temperature
        return np.clip(warmth / self.melting_range + 0.5, 0.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class Leakage:
    """Heat source growing exponentially with the temperature of its own node.

    ``power * exp(slope * (T - reference))``; the exponent is held at 6 (a factor of 400) so that a runaway
    stays finite and can be reported as such.
    """

    power: Any
    reference: Any = 70.0
    slope: Any = 0.018

    def __post_init__(self) -> None:
        _check(self, power=_AT_LEAST, reference=_ANY, slope=_AT_LEAST)

    def heat(self, temperature: Any) -> Any:
        """Heat in W at ``temperature`` degC."""
        return self.power * np.exp(np.minimum(self.slope * (temperature - self.reference), MAXIMUM_EXPONENT))


MAXIMUM_EXPONENT = 6.0
CODED = {SURFACE: surface_conductance, DRY_OUT: dry_out_conductance, MELTING: melting_conductance}

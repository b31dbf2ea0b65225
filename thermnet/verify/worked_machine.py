"""Hand model of a 14-inch machine: eleven nodes, worked out before and apart from this package.

Its resistances, capacities and answers were computed by a separate small script; here the same network is put
together through the public interface, so that a whole machine is compared with answers this package had no
part in.  The model is illustrative: no measurement backs it, and it runs cooler than most real thin machines.

What the hand model leaves open, and how it is read here:

- The length in the natural-convection coefficient, 1.9 (surface facing up) or 1.4 (facing down) times
  (difference / length)^0.25 W/(m^2 K), is not given: 0.20 m.  From 0.15 to 0.22 m every temperature at 28 W
  rounds to the same whole kelvin.
- Preheat 0.25: the air drawn in takes up a quarter of the difference between the board and itself, and the
  board gives that heat.  Recirculation r: the inlet mixes a share r of exhaust air with room air.
- Past its limit the pipe's resistance is R (1 + 4 (Q / limit - 1)).  The hand model applies this to the whole
  pipe, here each half follows its own heat; they differ only past the limit.
- The chamber's spreading resistance of 0.07 K/W is that of the die; the hot spot's falls by as much, to 0.17.

What is not met: junction to ambient at 1.3 cubic feet per minute (1.92 here, 2.02 K/W there), and values
late in a 64 W burst, where the two readings of the pipe's limit differ.  Rows of the model's table that need
values it does not give (a lap, leakage) are left out.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.network import SurfaceExchange, ThermalNetwork

Array = NDArray[np.float64]
FLOW_HEAT = 0.56
"""W/K carried by one cubic foot per minute of air, as the hand model rounds it."""
NODES = {
    "hot": 0.046, "die": 0.145, "plate": 8.0, "pipe": 9.0, "fins": 13.0, "board": 70.0, "bottom_zone": 12.0,
    "bottom": 170.0, "keyboard_zone": 12.0, "keyboard": 160.0, "battery": 260.0,
}  # fmt: skip
"""Heat capacities, J/K."""


@dataclass(frozen=True)
class PipeLimit:
    """Pipe half whose resistance rises with the heat past its limit: R (1 + rise (Q / limit - 1))."""

    resistance: float
    limit: float
    rise: float = 4.0

    def conductance(self, hot: Any, cold: Any) -> Any:
        """Conductance in W/K between ends at ``hot`` and ``cold`` degC."""
        drop = np.abs(np.asarray(hot, dtype=float) - np.asarray(cold, dtype=float))
        # drop = Q R (1 + rise (Q / limit - 1)), solved for Q.
        square, linear = self.resistance * self.rise / self.limit, self.resistance * (1.0 - self.rise)
        heat = (-linear + np.sqrt(linear**2 + 4.0 * square * drop)) / (2.0 * square)
        past = drop > self.resistance * self.limit
        return np.where(past, heat / np.where(past, drop, 1.0), 1.0 / self.resistance)


@dataclass(frozen=True, kw_only=True)
class HandModel:
    """Values of the hand model; the defaults are its base case (28 W, 25 degC, normal fan)."""

    power: float = 28.0  # chip, W
    board_power: float = 5.0  # W
    ambient: float = 25.0  # degC
    flow: float = 1.9  # cubic feet per minute
    flow_factor: float = 1.0  # dust, altitude, a slower fan
    area_resistance: float = 9.0  # of the chip's interface, K mm2/W
    hot_share: float = 0.5  # of chip power on the hot spot
    hot_spreading: float = 0.22  # K/W
    die_spreading: float = 0.12  # K/W
    pipe_resistance: float = 0.30  # plate to fins, K/W
    pipe_limit: float = 45.0  # W; 0: none
    recirculation: float = 0.10
    preheat: float = 0.25
    effectiveness: float = 0.62
    bottom_spread: float = 2.0  # zone to mean, K/W: aluminium 2.0, plastic with graphite 5, plastic 30
    keyboard_spread: float = 2.4  # likewise 2.4, 6, 36
    skin_length: float = 0.20  # m
    copper: float = 1.0  # factor on the capacities of plate, pipe and fins

    def network(self) -> ThermalNetwork:
        """Build the eleven nodes, three massless air cells and the room."""
        net = ThermalNetwork()
        for name, capacity in NODES.items():
            net.add_node(
                name, capacity=capacity * (self.copper if name in ("plate", "pipe", "fins") else 1.0)
            )
        for cell in ("mixed_air", "inlet_air", "exhaust_air"):
            net.add_node(cell)
        net.add_boundary("room", self.ambient)
        for a, b, resistance in self._links():
            net.add_link(a, b, resistance=resistance)
        half = self.pipe_resistance / 2.0
        for a, b in (("plate", "pipe"), ("pipe", "fins")):
            if self.pipe_limit > 0:
                net.add_link(a, b, law=PipeLimit(half, self.pipe_limit))
            else:
                net.add_link(a, b, resistance=half)
        self._add_skins(net)
        self._add_air(net)
        return net

    def powers(self) -> dict[str, float]:
        """Heat by node, W."""
        share = self.hot_share
        return {"hot": share * self.power, "die": (1.0 - share) * self.power, "board": self.board_power}

    def _links(self) -> list[tuple[str, str, float]]:
        return [
            ("hot", "die", 0.45),
            ("hot", "plate", self.area_resistance / 36.0 + 0.12 + self.hot_spreading),
            ("die", "plate", self.area_resistance / 114.0 + 0.06 + self.die_spreading),
            ("die", "board", 12.0), ("board", "bottom", 2.5), ("board", "keyboard", 3.0),
            ("board", "battery", 6.0), ("battery", "bottom", 3.0),
            ("bottom_zone", "plate", 16.0), ("bottom_zone", "pipe", 14.0), ("bottom_zone", "fins", 20.0),
            ("keyboard_zone", "pipe", 18.0), ("keyboard_zone", "fins", 22.0),
            ("keyboard_zone", "plate", 24.0), ("bottom_zone", "bottom", self.bottom_spread),
            ("keyboard_zone", "keyboard", self.keyboard_spread),
        ]  # fmt: skip

    def _add_skins(self, net: ThermalNetwork) -> None:
        for face, coefficient in (("bottom", 1.4), ("keyboard", 1.9)):
            for name, area in ((face, 0.062), (f"{face}_zone", 0.006)):
                law = SurfaceExchange(
                    radiating_area=0.85 * area,
                    convection=coefficient * area / self.skin_length**0.25,
                    exponent=0.25,
                )
                net.add_link(name, "room", law=law)

    def _add_air(self, net: ThermalNetwork) -> None:
        carried = FLOW_HEAT * self.flow * self.flow_factor
        again = self.recirculation * carried
        net.add_stream("room", "mixed_air", capacity_rate=carried - again)
        net.add_stream("mixed_air", "inlet_air", capacity_rate=carried)
        net.add_stream("inlet_air", "exhaust_air", capacity_rate=carried)
        net.add_stream("exhaust_air", "room", capacity_rate=carried - again)
        if again > 0:
            net.add_stream("exhaust_air", "mixed_air", capacity_rate=again)
        # A cell that takes up a share e of the difference to its source is linked by e / (1 - e) of its flow.
        for source, cell, share in (
            ("board", "inlet_air", self.preheat), ("fins", "exhaust_air", self.effectiveness),
        ):  # fmt: skip
            net.add_link(source, cell, conductance=carried * share / (1.0 - share))


def steady_temperature(*, node: str, **values: Any) -> float:
    """Steady temperature of one node of the hand model, degC; ``values`` are fields of :class:`HandModel`."""
    model = HandModel(**values)
    return float(model.network().steady(model.powers())[node])


def change_from_base(*, node: str, **values: Any) -> float:
    """Steady temperature of a node with some fields changed, less that of the base case, K."""
    return steady_temperature(node=node, **values) - steady_temperature(node=node)


def changes_from_base(*, node: str, parameter: str, to: Any) -> Array:
    """Change of a node's steady temperature, K, as one field is set to each of the values ``to`` in turn."""
    return np.array([change_from_base(node=node, **{parameter: float(value)}) for value in np.atleast_1d(to)])


def sustained_power(*, node: str, limit: float, **values: Any) -> float:
    """Chip power in W at which ``node`` settles at ``limit`` degC."""
    from scipy.optimize import brentq

    def excess(watts: float) -> float:
        return steady_temperature(node=node, **{**values, "power": watts}) - limit

    return float(brentq(excess, 1.0, 100.0, xtol=1e-6))


def sustained_powers(*, node: str, limit: float, parameter: str, to: Any) -> Array:
    """Chip power in W at which ``node`` settles at ``limit`` degC, for each value of one field."""
    return np.array([
        sustained_power(node=node, limit=limit, **{parameter: float(value)}) for value in np.atleast_1d(to)
    ])  # fmt: skip


def burst_times(*, limit: float, start_power: Any, start_flow: Any, **values: Any) -> Array:
    """Time in s until the hot spot meets ``limit`` degC, from each soaked start (chip power and air flow)."""
    burst = HandModel(**values)
    found = []
    for watts, air in zip(np.atleast_1d(start_power), np.atleast_1d(start_flow), strict=True):
        initial = _soaked(burst, float(watts), float(air))
        run = burst.network().transient(burst.powers(), 120.0, initial=initial, tolerance=0.002)
        found.append(run.time_to("hot", limit))
    return np.array(found, dtype=float)


def burst_temperatures(*, times: Any, start_power: float, start_flow: float, **values: Any) -> Array:
    """Temperature of the hot spot, degC, at ``times`` after a step of power from a soaked start."""
    burst, at = HandModel(**values), np.asarray(times, dtype=float)
    initial = _soaked(burst, start_power, start_flow)
    run = burst.network().transient(burst.powers(), initial=initial, times=at, tolerance=0.002)
    return np.asarray(np.interp(at, run.time, run.temperature("hot")), dtype=float)


def _soaked(model: HandModel, power: float, flow: float) -> dict[str, float]:
    start = dataclasses.replace(model, power=power, flow=flow)
    steady = start.network().steady(start.powers())
    return {name: float(steady[name]) for name in NODES}

"""Where a run begins: soaked at a steady load with the fans settled, cold, or where another run ended."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import ConvergenceError, NetworkError
from thermnet.network.laws import MELTING
from thermnet.solve import kernel
from thermnet.solve.equations import HeatBalance
from thermnet.solve.plant import Plant
from thermnet.solve.steady import steady_temperatures

Array = NDArray[np.float64]
SOAKS_KEPT = 32
"""Settled states that a plant remembers; the same start is asked for again and again."""



@dataclass(frozen=True)
class Soak:
    """A settled machine.

    Attributes
    ----------
    x : (x,) temperatures of the nodes with capacity, degC
    everything : (n,) all node temperatures, degC
    power : (chips,) W
    indices : (fans,) position of each fan on its speed grid
    table_step : (tables,) step of each fan table
    """

    x: Array
    everything: Array
    power: Array
    indices: NDArray[np.int64]
    table_step: NDArray[np.int64]


def settle(
    plant: Plant, silicon: kernel.Silicon, senses: kernel.Senses, rules: kernel.Rules, power: Array,
    *, fixed_fans: NDArray[np.int64] | None = None,
) -> Soak:  # fmt: skip
    """Steady state at a constant chip power, with the fans where their tables put them.

    The fans start at rest and rise, one step of their tables after another, until these ask for no more, as in a
    machine that soaks slowly; a table that hunts between two steps is left at the higher one.  After the fans, which
    follow quicker sensors, the charger backs off in the same manner.  The plant remembers the last soaks.
    """
    parts = (power, fixed_fans, *silicon[2:-1], *senses, *rules[rules._fields.index("table_fan") :])
    asked = tuple(None if part is None else part.tobytes() for part in parts)
    if asked not in plant.soaks:
        if len(plant.soaks) >= SOAKS_KEPT:
            plant.soaks.pop(next(iter(plant.soaks)))
        plant.soaks[asked] = _settle(plant, silicon, senses, rules, power, fixed_fans)
    return cast("Soak", plant.soaks[asked])


def _settle(
    plant: Plant, silicon: kernel.Silicon, senses: kernel.Senses, rules: kernel.Rules, power: Array,
    fixed_fans: NDArray[np.int64] | None,
) -> Soak:  # fmt: skip
    eased = 0
    tables = np.zeros(rules.table_fan.size, dtype=np.int64)
    indices = fan_request(rules, tables) if fixed_fans is None else fixed_fans
    guess: Array | None = None
    for _ in range(200):
        level = plant.level(indices.tolist())
        everything = soaked(plant, with_charger(silicon, rules, eased), level, power, guess)
        guess = everything
        x = plant.states(everything[plant.active])
        readings = settled_readings(senses, x)
        higher = np.maximum(tables, np.minimum(fan_steps(rules, readings), tables + 1))
        if fixed_fans is None and not np.array_equal(higher, tables):
            tables = higher
            indices = np.maximum(indices, fan_request(rules, tables))
        elif charger_steps(rules, readings) > eased:
            eased += 1
        else:
            break
    return Soak(within_melting_ranges(plant, x), everything, np.array(power, dtype=float), indices, tables)


def settled_readings(senses: kernel.Senses, x: Array) -> Array:
    """What the sensors show of a machine at rest, degC: lag and delay have passed, the rounding stays."""
    raw = senses.weight @ x + senses.offset
    step = np.where(senses.resolution > 0.0, senses.resolution, 1.0)
    readings: Array = np.where(senses.resolution > 0.0, np.floor(raw / step + 0.5) * step, raw)
    return readings


def within_melting_ranges(plant: Plant, x: Array) -> Array:
    """Bring melting stores into their range: all solid below it, all molten above (the link is shut either way)."""
    x = x.copy()
    for k in np.flatnonzero(plant.law_index[:, kernel.CODE] == MELTING):
        _, melting, _, span, *_ = plant.law_value[k]
        store, body = plant.law_to[k], plant.law_from[k]
        x[store] = np.clip(x[body], melting - 0.5 * span, melting + 0.5 * span)
    return x


def soaked(plant: Plant, silicon: kernel.Silicon, level: int, power: Array, guess: Array | None = None) -> Array:
    """Steady node temperatures at total chip powers ``power`` (leakage included in them) and one fan level.

    Newton on the few inputs that depend on temperature (laws, and where a chip's power appears), with the network's
    linear answer to every input at hand; a case that does not settle that way is solved on all nodes.
    """
    balance = _SteadyBalance(plant, silicon, level, power)
    x = balance.settle(None if guess is None else plant.states(guess[plant.active]))
    if x is None:
        return _soaked_on_all_nodes(plant, silicon, level, power, guess)
    system, inputs = plant.system(level), balance.inputs(x)[0]
    everything = np.empty(len(plant.nodes))
    everything[plant.active] = plant.temperatures(x)
    everything[system.massless] = system.massless_x @ x + system.massless_u @ inputs[: system.drive.shape[1]]
    return everything


class _SteadyBalance:
    """States ``x = gain @ inputs(x)`` of a plant at rest: heat inputs, boundaries, heat of surface laws by state."""

    def __init__(self, plant: Plant, silicon: kernel.Silicon, level: int, power: Array) -> None:
        self.plant, self.silicon, self.power = plant, silicon, power
        self.gain = plant.gain(level)
        self.fixed = np.zeros(self.gain.shape[1])
        heats = len(plant.heat_nodes)
        self.fixed[: plant.quick] = (silicon.share + silicon.follow).T @ power
        self.fixed[plant.quick : heats] = silicon.base_heat
        self.fixed[heats : heats + plant.boundary.size] = plant.boundary
        if plant.laws_at_rest is None:
            plant.laws_at_rest = _laws_at_rest(plant, self.gain.shape)
        self.laws, self.surfaces = plant.laws_at_rest

    def inputs(self, x: Array) -> tuple[Array, Array]:
        """Inputs (u,) at states ``x`` and their derivatives (u, x)."""
        u, slope = self.fixed.copy(), np.zeros((self.fixed.size, x.size))
        for laws in (self.laws, self.surfaces):
            if laws is not None:
                heat, change = laws(x)
                u += heat
                slope += change
        index, value = self.silicon.leak_index, self.silicon.leak_value
        if len(index):
            at, into = index[:, kernel.STATE], index[:, kernel.INPUT]
            exponent = value[:, kernel.SLOPE] * (x[at] - value[:, kernel.AT])
            leaks = value[:, kernel.POWER] * np.exp(np.minimum(exponent, 6.0))
            growth = np.where(exponent < 6.0, leaks * value[:, kernel.SLOPE], 0.0)
            totals = np.bincount(index[:, kernel.CHIP], leaks, self.power.size)
            # The total is held: what leaks is not dynamic power; at most all of it leaks.
            scale = np.minimum(1.0, self.power / np.where(totals > 0, totals, 1.0))
            quick = self.plant.quick
            u[:quick] -= (scale * totals) @ self.silicon.share
            for e, c in enumerate(index[:, kernel.CHIP]):
                u[into[e]] += scale[c] * leaks[e]
                slope[into[e], at[e]] += scale[c] * growth[e]
                slope[:quick, at[e]] -= scale[c] * growth[e] * self.silicon.share[c]
        return u, slope

    def settle(self, x: Array | None) -> Array | None:
        """States at rest, or None where Newton does not find them in a few steps."""
        if x is None:
            x = self.gain @ self.fixed
        one = np.eye(x.size)
        for _ in range(25):
            u, slope = self.inputs(x)
            change: Array = np.asarray(np.linalg.solve(one - self.gain @ slope, self.gain @ u - x), dtype=np.float64)
            largest = float(np.max(np.abs(change)))
            if not np.isfinite(largest) or largest > 1e4:
                return None
            x = x + change * min(1.0, 100.0 / max(largest, 100.0))
            if largest < 1e-10 * max(1.0, float(np.max(np.abs(x)))):
                return x
        return None


@dataclass(frozen=True)
class _Departures:
    """Heat beyond the reference conductance of law links, put into the inputs, with derivatives by the states.

    Attributes
    ----------
    code : (k,) which law
    value : (k, 9) numbers as the kernel takes them
    a, b : (k, x) rows that give the temperature at either end from the states, with ``outer_a``, ``outer_b`` (k,) added
    into : (u, k)
        +1 where a law's heat arrives, -1 where it leaves.
    """

    code: NDArray[np.int64]
    value: Array
    a: Array
    b: Array
    outer_a: Array
    outer_b: Array
    into: Array

    def __call__(self, x: Array) -> tuple[Array, Array]:
        """Inputs (u,) and their derivatives (u, x)."""
        heat, by_a, by_b = np.empty((3, self.code.size))
        kernel.departures_at_rest(
            self.code, self.value, self.a @ x + self.outer_a, self.b @ x + self.outer_b, heat, by_a, by_b
        )
        return self.into @ heat, self.into @ (by_a[:, None] * self.a + by_b[:, None] * self.b)


def _laws_at_rest(plant: Plant, shape: tuple[int, ...]) -> tuple[_Departures | None, _Departures | None]:
    """Laws that the kernel evaluates one by one, and surface laws on a basis."""
    states, inputs = shape
    index = plant.law_index
    found: list[_Departures | None] = []
    one_by_one = index[:, kernel.CODE], index[:, kernel.FROM], index[:, kernel.TO]
    for (code, from_, to), value, rows in (
        (one_by_one, plant.law_value, np.eye(states)), (plant.surfaces[3].T, plant.surfaces[4], plant.surfaces[0] @ plant.surfaces[1]),
    ):  # fmt: skip
        if not len(code):
            found.append(None)
            continue
        ends, outer = [], []
        for side in (from_, to):
            ends.append(np.where((side >= 0)[:, None], rows[np.maximum(side, 0)], 0.0))
            outer.append(np.where(side < 0, plant.boundary[np.maximum(-1 - side, 0)] if plant.boundary.size else 0.0, 0.0))
        if value is plant.law_value:
            into = np.zeros((inputs, len(code)))
            for column, sign in ((kernel.INPUT_FROM, -1.0), (kernel.INPUT_TO, 1.0)):
                inner = np.flatnonzero(index[:, column] >= 0)
                np.add.at(into, (index[inner, column], inner), sign)
        else:
            into = np.vstack([np.zeros((inputs - states, len(code))), (ends[1] - ends[0]).T])
        found.append(_Departures(np.ascontiguousarray(code), value, ends[0], ends[1], outer[0], outer[1], into))
    return found[0], found[1]


def _soaked_on_all_nodes(plant: Plant, silicon: kernel.Silicon, level: int, power: Array, guess: Array | None = None) -> Array:
    """As :func:`soaked`, by Newton on all nodes at held leakage, which a few rounds settle."""
    compiled = plant.compiled(level)
    quick = plant.quick
    heat = np.concatenate([(silicon.share + silicon.follow).T @ power, silicon.base_heat])
    everything = _solve(plant, compiled, heat, guess)
    if not len(silicon.leak_index):
        return everything
    for _ in range(20):
        state = everything[plant.state_rows]
        leaks = np.array([kernel_leak(silicon, e, state[silicon.leak_index[e, kernel.STATE]]) for e in range(len(silicon.leak_index))])
        heat[:quick] = silicon.follow.T @ power
        for c, watts in enumerate(power):
            own = silicon.leak_index[:, kernel.CHIP] == c
            scale = min(1.0, watts / leaks[own].sum()) if leaks[own].sum() > 0 else 0.0
            heat[:quick] += silicon.share[c] * (watts - scale * leaks[own].sum())
            np.add.at(heat, silicon.leak_index[own, kernel.INPUT], scale * leaks[own])
        new = _solve(plant, compiled, heat, everything)
        done = float(np.max(np.abs(new - everything))) < 1e-9
        everything = new
        if done:
            break
    return everything


def kernel_leak(silicon: kernel.Silicon, e: int, temperature: float) -> float:
    """Leakage of one entry at full voltage, W (as the kernel computes it)."""
    power, reference, slope = silicon.leak_value[e]
    return float(power * np.exp(min(slope * (temperature - reference), 6.0)))


def _solve(plant: Plant, compiled: Any, heat: Array, guess: Array | None) -> Array:
    from dataclasses import replace

    watts = np.zeros(compiled.size)
    np.add.at(watts, plant.heat_rows, heat)
    bare = replace(compiled, leak_node=np.zeros(0, dtype=np.int64), leakages=())
    try:
        return steady_temperatures(bare, watts, start=guess, balance=HeatBalance(bare))
    except ConvergenceError as error:
        raise NetworkError(f"the start state has no steady solution: {error}") from None


def charger_steps(rules: kernel.Rules, readings: Array) -> int:
    """Step to which the charger backs off at sensor readings, without hysteresis."""
    return int(np.sum(readings[rules.charger_sensor[0]] >= rules.charger_on)) if rules.charger_input[0] >= 0 else 0


def with_charger(silicon: kernel.Silicon, rules: kernel.Rules, step: int) -> kernel.Silicon:
    """Silicon with the charger's part of the base heat as at one of its back-off steps."""
    if step == 0:
        return silicon
    base = silicon.base_heat.copy()
    base[..., rules.charger_input[0]] *= rules.charger_share[step - 1]
    return silicon._replace(base_heat=base)


def fan_steps(rules: kernel.Rules, readings: Array) -> NDArray[np.int64]:
    """Step of each fan table at sensor readings, without hysteresis."""
    steps = np.zeros(rules.table_fan.size, dtype=np.int64)
    for t in range(steps.size):
        on = rules.step_on[rules.table_first[t] : rules.table_first[t + 1]]
        steps[t] = int(np.sum(readings[rules.table_sensor[t]] >= on))
    return steps


def fan_request(rules: kernel.Rules, steps: NDArray[np.int64]) -> NDArray[np.int64]:
    """Position of each fan on its speed grid that the tables' steps ask for."""
    speeds = rules.fan_idle.copy()
    for t, step in enumerate(steps):
        if step > 0:
            f = rules.table_fan[t]
            speeds[f] = max(speeds[f], rules.step_speed[rules.table_first[t] + step - 1])
    speeds = np.minimum(speeds, rules.fan_cap)
    indices: NDArray[np.int64] = np.floor(speeds / rules.fan_grid + 0.5).astype(np.int64)
    return indices

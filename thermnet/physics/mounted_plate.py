"""One plate over several chips, memories and regulators: who gets the force, and in what order screws are tightened.

A :class:`Body` is what lies under the plate at one place.  Heights are told by the *drawn gap*, the distance between
the component's top and the plate's underside on the drawing; the plate as drawn is at height 0.  Lengths in m, forces
in N.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thermnet.materials import air
from thermnet.materials.interface_materials import interface_material
from thermnet.physics.contact_mechanics import BedLaw, Columns, Settled, elastic_bed, settle_plate
from thermnet.physics.gap_maps import bow_height, cell_centres
from thermnet.physics.joint_maps import mean_area_resistance
from thermnet.physics.pressed_layer import layer_area_resistance, layer_bed, layer_thickness

Array = NDArray[np.float64]
Load = tuple[Any, Any, Any, Any]
"""Place (x, y in m), force in N with the plate as drawn, and rate in N/m by which it grows as the plate is lifted."""

STOP = 5e7
"""N/m, stiffness of a stand-off of metal: 50 N press it by 1 um."""
AIR_AT = 60.0
"""degC at which the conductivity of air beside a starved pad is taken."""


@dataclass(frozen=True, kw_only=True)
class Body:
    """A component under a plate and what lies between; numbers may be arrays over samples.

    Attributes
    ----------
    name, material : str
        The material is one of the interface materials.
    x, y, length, width : float or array
        Centre and sides of what bears, m.
    drawn_gap : float or array
        Between component and plate as drawn, m.
    supplied : float or array, optional
        Thickness of a pad before it is pressed, m; from the material if left out.
    bow : float or array
        Centre over corners, m; convex towards the plate is positive.
    """

    name: str
    material: str = "gap_pad"
    x: Any = 0.0
    y: Any = 0.0
    length: Any = 10e-3
    width: Any = 10e-3
    drawn_gap: Any = 0.7e-3
    supplied: Any = None
    bow: Any = 0.0

    def samples(self) -> tuple[int, ...]:
        """Return the shape of the samples: () for one."""
        values = (getattr(self, f.name) for f in fields(self))
        return np.broadcast_shapes(*(np.shape(v) for v in values if not isinstance(v, str) and v is not None))


class BodyState(NamedTuple):
    """How one body fares: force (N), mean pressure (Pa) and gap (m), area resistance (K m^2/W), share that touches."""

    name: str
    force: Any
    pressure: Any
    gap: Any
    area_resistance: Any
    touching: Any


class Mounted(NamedTuple):
    """A plate at rest on several bodies: its pose and loads, and how each body fares."""

    settled: Settled
    bodies: tuple[BodyState, ...]


def mount(bodies: Sequence[Body], loads: Sequence[Load], across: int = 12) -> Mounted:
    """Find how a rigid plate rests on several bodies, and what that means for each.

    Parameters
    ----------
    bodies : sequence of Body
    loads : sequence of (x, y, force, rate)
        Screws (rate 0) and springs; see :data:`Load`.
    across : int
        Cells along each side of every body.

    Raises
    ------
    ValueError
        No bodies or loads, two bodies of one name, or a load that tips the plate over.
    """
    names = [body.name for body in bodies]
    if not bodies or not loads or len(set(names)) < len(names):
        raise ValueError(
            f"bodies {', '.join(names) or 'none'} and {len(loads)} loads; expected bodies of different names, and loads"
        )
    shape = np.broadcast_shapes(
        *(body.samples() for body in bodies), *(np.shape(v) for load in loads for v in load)
    )
    width = shape or (1,)
    pieces = [_piece(body, across, width) for body in bodies]
    law, parameters = _together(
        [piece.law for piece in pieces], [piece.parameters for piece in pieces], across * across
    )
    cells = [np.concatenate([piece.cells[k] for piece in pieces]) for k in range(4)]
    columns = [np.stack([np.broadcast_to(load[k], width) for load in loads]).astype(float) for k in range(4)]
    settled = settle_plate(law, cells, columns, parameters=parameters)
    states = []
    gas = air.conductivity(AIR_AT)
    for k, (body, piece) in enumerate(zip(bodies, pieces, strict=True)):
        part = slice(k * across * across, (k + 1) * across * across)
        gap, pressure, area = settled.gap[part], settled.pressure[part], piece.cells[2]
        row = interface_material(body.material)
        thickness, beside = layer_thickness(row, gap, None, body.supplied)
        resistance = layer_area_resistance(row, thickness, beside, pressure, gas)
        force = np.sum(pressure * area, axis=0)
        states.append(
            BodyState(
                body.name, *(_cut(v, shape) for v in (
                    force, force / np.sum(area, axis=0), np.mean(gap, axis=0), mean_area_resistance(resistance, area),
                    np.mean(pressure > 0.0, axis=0),
                ))
            )
        )  # fmt: skip
    return Mounted(Settled(*(_cut(v, shape) for v in settled)), tuple(states))


def tightening_steps(
    law: BedLaw,
    cells: Columns,
    loads: Columns,
    *,
    order: Sequence[tuple[int, float]],
    clearance: Any,
    hold: Any = 2.0,
    parameters: Sequence[Any] = (),
) -> list[Settled]:
    """Bring one screw after the other to its load and tell how the plate stands after each.

    Every step is a rest of its own (paste is given the time to flow).  A screw that has not been turned presses with
    nothing; the plate is held by hand at the origin, and comes to rest on the stand-off of a screw where it
    tilts so far.

    Parameters
    ----------
    law, cells, loads, parameters
        As for :func:`thermnet.physics.contact_mechanics.settle_plate`.
    order : sequence of (screw, share)
        Which screw is brought to which share of its load, from the first step to the last.
    clearance : float or array
        Between plate and stand-offs with the plate at the datum, m.
    hold : float or array
        Force of the hand, N; it lets go once all screws bear.

    Returns
    -------
    list of Settled
        One per step; gaps and pressures of the cells only.
    """
    own, turned = ([np.asarray(v, dtype=float) for v in rows] for rows in (cells, loads))
    count, screws = own[0].shape[0], turned[0].shape[0]
    width = np.broadcast_shapes(*(v.shape[1:] for v in (*own, *turned)), np.shape(hold), np.shape(clearance))
    stops = [
        turned[0],
        turned[1],
        1.0,
        np.broadcast_to(-np.asarray(clearance, dtype=float), (screws, *width)),
    ]

    def spread(value: Any, rows: int) -> Array:
        value = np.asarray(value, dtype=float)
        lifted = value.reshape(*value.shape, *(1,) * (1 + len(width) - value.ndim)) if value.ndim else value
        return np.broadcast_to(lifted, (rows, *width)).astype(float)

    all_cells = [
        np.concatenate([spread(a, count), spread(b, screws)]) for a, b in zip(own, stops, strict=True)
    ]

    def with_stops(gap: Array, *material: Any) -> tuple[Array, Array]:
        soft, hard = law(gap[:count], *material), elastic_bed(gap[count:], 0.0, STOP)
        return np.concatenate([soft[0], hard[0]]), np.concatenate([soft[1], hard[1]])

    columns = [np.concatenate([spread(v, screws), np.zeros((1, *width))]) for v in turned]
    share, found = np.zeros(screws), []
    for screw, brought in order:
        share[screw] = brought
        now = np.append(share, 1.0).reshape(-1, *(1,) * len(width))
        force = columns[2] * now
        force[-1] = 0.0 if np.all(share >= 1.0) else hold
        now_loads = [columns[0], columns[1], force, columns[3] * (now > 0.0)]
        rest = settle_plate(with_stops, all_cells, now_loads, parameters=parameters)
        found.append(
            rest._replace(gap=rest.gap[:count], pressure=rest.pressure[:count], loads=rest.loads[:-1])
        )
    return found


def crosswise(
    x: Sequence[float], y: Sequence[float], passes: Sequence[float] = (1.0,)
) -> list[tuple[int, float]]:
    """Order in which to tighten: each next screw as far as can be from those done, all once per pass.

    Parameters
    ----------
    x, y : sequence of float
        Places of the screws, m.
    passes : sequence of float
        Share of the load in each pass, e.g. (0.5, 1.0).
    """
    places = np.stack([np.asarray(x, dtype=float), np.asarray(y, dtype=float)], axis=1)
    left, order = list(range(1, len(places))), [0]
    while left:
        # The farthest from the last one; of equals the farthest from all before.
        far = [
            (
                float(np.linalg.norm(places[k] - places[order[-1]])),
                float(np.sum(np.linalg.norm(places[k] - places[order], axis=1))),
            )
            for k in left
        ]
        chosen = left[max(range(len(left)), key=lambda i: (round(far[i][0], 9), far[i][1]))]
        order.append(chosen)
        left.remove(chosen)
    return [(screw, share) for share in passes for screw in order]


# -- inside ------------------------------------------------------------------------------------------------------


class _Piece(NamedTuple):
    law: BedLaw
    parameters: tuple[Any, ...]
    cells: tuple[Array, Array, Array, Array]


def _piece(body: Body, across: int, width: tuple[int, ...]) -> _Piece:
    length, breadth = (np.broadcast_to(np.asarray(v, dtype=float), width) for v in (body.length, body.width))
    x, y = cell_centres(length, breadth, across)
    surface = bow_height(x, y, length, breadth, body.bow) - np.asarray(body.drawn_gap)
    area = np.broadcast_to(length * breadth / across**2, x.shape)
    law, parameters = layer_bed(interface_material(body.material), None, body.supplied)
    return _Piece(law, parameters, (x + body.x, y + body.y, area, np.broadcast_to(surface, x.shape)))


def _together(
    laws: list[BedLaw], parameters: list[tuple[Any, ...]], cells: int
) -> tuple[BedLaw, tuple[Any, ...]]:
    """One law for all cells, each body's in turn, and all their parameters."""
    ends = np.cumsum([0, *(len(p) for p in parameters)])

    def law(gap: Array, *own: Any) -> tuple[Array, Array]:
        found = [
            one(gap[k * cells : (k + 1) * cells], *own[ends[k] : ends[k + 1]]) for k, one in enumerate(laws)
        ]
        return np.concatenate([p for p, _ in found]), np.concatenate(
            [np.broadcast_to(s, p.shape) for p, s in found]
        )

    return law, tuple(p for row in parameters for p in row)


def _cut(value: Any, shape: tuple[int, ...]) -> Any:
    if shape:
        return value
    short = np.asarray(value)
    if short.ndim == 0:
        return float(short)
    short = short[..., 0] if short.shape[-1] == 1 else short
    return float(short) if short.ndim == 0 else short

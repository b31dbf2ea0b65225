"""A joint as it is really put together: screws or springs, bow, tilt, voids and paste in the wrong place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar, NamedTuple

import numpy as np

from thermnet.materials import air
from thermnet.parts.clamping import Clamped
from thermnet.parts.joint_map import JointMap
from thermnet.physics import gap_maps
from thermnet.physics.joint_maps import mean_area_resistance, side_by_side
from thermnet.physics.mounted_plate import crosswise, tightening_steps
from thermnet.physics.pressed_layer import layer_area_resistance, layer_bed, layer_thickness

CELLS = 16
"""Cells along each side of the map behind the resistances of a network."""
MISFIT = 1.10
"""The chip's area may differ by this factor from that of the face it is joined to."""


class TighteningStep(NamedTuple):
    """How a plate stands after one step of tightening.

    Attributes
    ----------
    screw, share : int, float
        Which one was brought to which share of its load.
    tilt : float or array
        By how much the gap opens from one corner of the chip to the opposite one, m.
    peak_pressure : float or array
        Pa, on the chip.
    widest : float or array
        Widest bond line on the chip, m.
    pulled : float or array
        Share of the chip where the bond line was thinner at an earlier step: paste pulled apart, with voids to fear.
    """

    screw: int
    share: float
    tilt: Any
    peak_pressure: Any
    widest: Any
    pulled: Any


@dataclass(frozen=True, kw_only=True)
class ClampedJoint(Clamped):
    """Chip and plate pressed together by screws or springs, with whatever is not flat, parallel or filled.

    Forces and moments settle the plate on the material; the gap left everywhere gives the bond line, that the
    area resistance, and that the link of each block of the die.  Without screws, springs or ``clamp_force`` the
    material's usual pressure acts.  Chip and plate count as rigid: give the bow they have once clamped.

    Places are measured from the chip's centre, x along its length.  A joint that is flat, centred and full is the
    plain ``interface`` with the same force.

    A ``bond_line`` given here is the height of spacers (or high spots) on which the faces rest.
    """

    kind: ClassVar[str] = "clamped_joint"

    # -- the map -------------------------------------------------------------------------------------------------

    def map(self, across: int = CELLS) -> JointMap:
        """Return pressure, bond line and area resistance all over the chip.

        Parameters
        ----------
        across : int
            Cells along each side.

        Raises
        ------
        ValueError
            The load acts outside the chip, so that the plate tips over.
        """
        shape = self.samples()
        width = shape or (1,)
        ground = self.ground(across)
        settled, filled, squeezed_out = self.settle(ground)
        thickness, gap_of_air = layer_thickness(self.row(), settled.gap, self.bond_line)
        gas = air.conductivity(self.temperature)
        new = layer_area_resistance(
            self.row(),
            thickness,
            gap_of_air,
            settled.pressure,
            gas,
            self.conductivity,
            self.contact_resistance,
        )
        aged = self.partly_wetted(new) * self.ageing_factor()
        between = side_by_side(aged, filled, thickness + gap_of_air, gas)

        def cut(value: Any) -> Any:
            whole = (
                np.broadcast_to(value, (*np.shape(value)[:-1], *width))
                if np.ndim(value)
                else np.broadcast_to(value, width)
            )
            return whole if shape else (float(whole[0]) if whole.ndim == 1 else whole[..., 0])

        return JointMap(
            across=across, length=cut(ground.cell_x * across), width=cut(ground.cell_y * across),
            x=cut(ground.x), y=cut(ground.y), gap=cut(settled.gap), bond_line=cut(thickness + gap_of_air),
            pressure=cut(np.where(self.bearing(filled) > 0.0, settled.pressure, 0.0)),
            filled=cut(filled), area_resistance=cut(between), height=cut(settled.height), slope_x=cut(settled.slope_x),
            slope_y=cut(settled.slope_y), loads=cut(settled.loads), squeezed_out=cut(squeezed_out),
            imbalance=cut(settled.imbalance),
        )  # fmt: skip

    def tightening(
        self, order: Sequence[tuple[int, float]] | None = None, clearance: Any = 0.3e-3, hold: Any = 2.0
    ) -> list[TighteningStep]:
        """Bring one screw or spring after the other to its load and tell how the plate stands after each.

        Parameters
        ----------
        order : sequence of (screw, share), optional
            Which one (counted from 0, screws before springs) is brought to which share of its load; crosswise and
            at once if left out.
        clearance : float or array
            Between plate and stand-offs with the plate down on the chip, m.
        hold : float or array
            Force with which a hand holds the plate until all bear, N.

        Returns
        -------
        list of TighteningStep
            One per step; see :func:`thermnet.physics.mounted_plate.tightening_steps`.
        """
        if len(self.screws) + len(self.springs) < 2:
            raise ValueError(
                "ClampedJoint.screws: fewer than two screws or springs; expected some to tighten in turn"
            )
        rows = (*self.screws, *self.springs)
        steps = (
            crosswise([np.mean(r[0]) for r in rows], [np.mean(r[1]) for r in rows])
            if order is None
            else list(order)
        )
        wrong = [screw for screw, _ in steps if not 0 <= screw < len(rows)]
        if wrong:
            raise ValueError(f"order of tightening: screw {wrong[0]}; expected 0 to {len(rows) - 1}")
        shape = self.samples()
        ground = self.ground(CELLS)
        _, filled, _ = self.settle(ground)
        law, parameters = layer_bed(self.row(), self.bond_line)
        found = tightening_steps(
            law, [ground.x, ground.y, ground.cell_x * ground.cell_y * self.bearing(filled), ground.surface],
            self.columns(ground), order=steps, clearance=clearance, hold=hold, parameters=parameters,
        )  # fmt: skip
        told, least = [], np.full(ground.x.shape, np.inf)
        for (screw, share), rest in zip(steps, found, strict=True):
            thickness, beside = layer_thickness(self.row(), rest.gap, self.bond_line)
            least = np.minimum(least, thickness + beside)
            opened = np.abs(rest.slope_x * self.length) + np.abs(rest.slope_y * self.width)
            # Paste once squeezed thinner than the gap it ends with has been pulled apart again.
            pulled = np.mean(thickness + beside > 1.1 * least, axis=0)
            values = (opened, np.max(rest.pressure, axis=0), np.max(thickness + beside, axis=0), pulled)
            told.append(TighteningStep(screw, share, *(v if shape else float(v[0]) for v in values)))
        return told

    @cached_property
    def _own_map(self) -> JointMap:
        return self.map()

    # -- what a network needs ------------------------------------------------------------------------------------

    def new_area_resistance(self) -> Any:
        """Return the area resistance of the whole chip before any ageing, K m^2/W."""
        return self._own_map.whole() / self.ageing_factor()

    def area_resistance(self, hot_material: str = "", cold_material: str = "") -> Any:
        """Area resistance of the whole chip in K m^2/W, contacts, voids and ageing included.

        Raises
        ------
        ValueError
            Liquid metal would touch aluminium and no ``barrier`` is declared.
        """
        self.check_faces(hot_material, cold_material)
        return self._own_map.whole()

    def patch_area_resistances(
        self, areas: Sequence[Any], hot_material: str = "", cold_material: str = ""
    ) -> Sequence[Any]:
        """Area resistance in K m^2/W under the hot spot, the rest and further blocks of a die, in that order.

        Each is the mean conductance over the block, as for faces of one temperature each.
        """
        self.check_faces(hot_material, cold_material)
        if len(areas) == 1:
            return [self._own_map.whole()]
        return [mean_area_resistance(self._own_map.area_resistance, share) for share in self.patches(areas)]

    def patches(self, areas: Sequence[Any], joint_map: JointMap | None = None) -> list[Any]:
        """Share of every cell of a map that belongs to the hot spot, the rest and further blocks of given areas.

        Raises
        ------
        ValueError
            The areas are not those of this chip, or a block reaches over its edge.
        """
        found = self._own_map if joint_map is None else joint_map
        total, own = sum(np.asarray(a, dtype=float) for a in areas), np.asarray(self.chip_area(), dtype=float)
        if np.any(total > MISFIT * own) or np.any(own > MISFIT * total):
            raise ValueError(
                f"ClampedJoint.length: {_text(self.length, 1e3)} by {_text(self.width, 1e3)} mm are "
                f"{_text(own, 1e6)} mm^2, but the face joined has {_text(total, 1e6)} mm^2; expected the chip's own "
                "sides"
            )
        placed = {0: (self.hot_spot_x, self.hot_spot_y, "hot_spot_x")}
        placed |= {
            k: (*place, "block_places") for k, place in enumerate(self.block_places, 2) if k < len(areas)
        }
        shares: dict[int, Any] = {k: self._block(found, areas[k], *place) for k, place in placed.items()}
        rest = np.maximum(1.0 - sum(shares.values()), 0.0)
        return [shares.get(k, rest) for k in range(len(areas))]

    def _block(self, found: JointMap, area: Any, x: Any, y: Any, name: str) -> Any:
        area, length, width = (np.asarray(v, dtype=float) for v in (area, self.length, self.width))
        narrow = np.minimum(np.sqrt(area), np.minimum(length, width))
        along_x = np.where(width <= length, area / narrow, narrow)
        along_y = area / along_x
        over = np.maximum(np.abs(x) + 0.5 * along_x - 0.5 * length, np.abs(y) + 0.5 * along_y - 0.5 * width)
        if np.any(over > 1e-9):
            raise ValueError(
                f"ClampedJoint.{name}: a block of {_text(along_x, 1e3)} by {_text(along_y, 1e3)} mm at "
                f"{_text(x, 1e3)}, {_text(y, 1e3)} mm reaches {_text(np.max(over), 1e3)} mm over the chip's edge; "
                "expected it on the chip"
            )
        return gap_maps.sheet_share(found.x, found.y, found.cell_x, found.cell_y, along_x, along_y, x, y)

    def cautions(self, hot_material: str = "", cold_material: str = "") -> tuple[str, ...]:
        """Return what to tell whoever builds this joint."""
        found = list(super().cautions(hot_material, cold_material))
        own = self._own_map
        peak, mean = float(np.max(own.pressure)), float(np.max(own.mean_pressure()))
        if peak > 3.0 * mean:
            found.append(
                f"The pressure reaches {peak / 1e3:.3g} kPa at a mean of {mean / 1e3:.3g} kPa: an edge or corner of a "
                "bare die may chip; keep to the load its supplier allows."
            )
        tilt = float(np.max(own.tilt()))
        if tilt > 20e-6:
            found.append(f"The gap opens by {tilt * 1e6:.3g} um from one corner of the chip to the other.")
        dry = 1.0 - float(np.min(own.coverage()))
        if dry > 0.02:
            found.append(f"{dry * 100:.3g} % of the chip has no material on it.")
        return tuple(found)


def _text(value: Any, factor: float) -> str:
    low, high = float(np.min(value)) * factor, float(np.max(value)) * factor
    return f"{low:.4g}" if np.isclose(low, high) else f"{low:.4g} to {high:.4g}"

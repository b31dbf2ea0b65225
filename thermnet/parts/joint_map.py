"""What a clamped joint looks like place by place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.physics.joint_maps import mean_area_resistance

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class JointMap:
    """Maps of a joint on a square grid of cells over the chip, rows along y and columns along x.

    Arrays have the cells along one axis, (cells,), and samples behind them, (cells, samples), where the joint has any.

    Attributes
    ----------
    across : int
        Cells along each side.
    length, width : float or array (samples,)
        Of the chip, m.
    x, y : array
        Centres of the cells, m from the chip's centre.
    gap : array
        Between the faces, m, as the mechanics has it; negative where something counted as hard is pressed in.
    bond_line : array
        Thickness of what lies between, m.
    pressure : array
        Pa.
    filled : array
        Share of the cell with material in it.
    area_resistance : array
        K m^2/W, voids and ageing included.
    height, slope_x, slope_y : float or array (samples,)
        The plate's underside over the chip's centre, m, and its rise per length.
    loads : array
        What each screw or spring presses with, N.
    squeezed_out : float or array (samples,)
        Dispensed volume that ran over the edge, m^3.
    imbalance : float or array (samples,)
        Force and moments left over, relative to the load.
    """

    across: int
    length: Any
    width: Any
    x: Array
    y: Array
    gap: Array
    bond_line: Array
    pressure: Array
    filled: Array
    area_resistance: Array
    height: Any
    slope_x: Any
    slope_y: Any
    loads: Array
    squeezed_out: Any
    imbalance: Any

    @property
    def cell_x(self) -> Any:
        """Side of a cell along x, m."""
        return self.length / self.across

    @property
    def cell_y(self) -> Any:
        """Side of a cell along y, m."""
        return self.width / self.across

    def grid(self, name: str) -> Array:
        """One of the maps as (rows, columns) or (rows, columns, samples), for example ``grid("pressure")``."""
        value = np.asarray(getattr(self, name))
        return value.reshape(self.across, self.across, *value.shape[1:])

    def whole(self) -> Any:
        """Area resistance of the whole chip, K m^2/W: mean conductance."""
        return mean_area_resistance(self.area_resistance, np.ones_like(self.area_resistance))

    def force(self) -> Any:
        """Total load, N."""
        return np.sum(self.loads, axis=0)

    def mean_pressure(self) -> Any:
        """Load over the chip's area, Pa."""
        return self.force() / (self.length * self.width)

    def rise_x(self) -> Any:
        """Gap at the +x edge less that at the -x edge, bows apart, m."""
        return self.slope_x * self.length

    def rise_y(self) -> Any:
        """Gap at the +y edge less that at the -y edge, bows apart, m."""
        return self.slope_y * self.width

    def tilt(self) -> Any:
        """By how much the gap opens from one corner to the opposite one, m."""
        return np.abs(self.rise_x()) + np.abs(self.rise_y())

    def coverage(self) -> Any:
        """Share of the chip with material on it."""
        return np.mean(self.filled, axis=0)

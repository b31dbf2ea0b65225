"""Worked examples of assembly mechanics that chain several functions of the package (for the reference cases)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from thermnet.parts.clamped_joint import ClampedJoint
from thermnet.parts.interface import GapPad, InterfaceLayer
from thermnet.physics import gap_maps
from thermnet.physics.contact_mechanics import elastic_bed, settle_plate
from thermnet.physics.fasteners import screw_preload, screw_torque, tensile_stress
from thermnet.physics.joint_maps import block_flux, rise_with_spreading
from thermnet.physics.mounted_plate import Body, crosswise, mount


def bolt_stress(torque: float, nut_factor: float, diameter: float, stress_area: float) -> Any:
    """Tensile stress of a tightened bolt, Pa."""
    return tensile_stress(screw_preload(torque, nut_factor, diameter), stress_area)


def bolt_torque_at_proof(
    stress_area: float, proof_stress: float, share: float, nut_factor: float, diameter: float
) -> Any:
    """Torque that loads a bolt to a share of its proof load, N m."""
    return screw_torque(share * proof_stress * stress_area, nut_factor, diameter)


def preload_ratio(torque: float, diameter: float, slippery: float, rough: float) -> Any:
    """Ratio of the preloads that one torque gives with a low and with a high nut factor."""
    return screw_preload(torque, slippery, diameter) / screw_preload(torque, rough, diameter)


def plate_on_bed(
    force: float, length: float, width: float, eccentricity: float, cells: int = 2000, stiffness: float = 1e9
) -> list[float]:
    """Rigid plate on an even elastic bed, settled numerically: near and far edge pressure (Pa), bearing length (m)."""
    x = ((np.arange(cells) + 0.5) / cells - 0.5) * length
    area = np.full(cells, length * width / cells)
    rest = settle_plate(
        elastic_bed, (x, np.zeros(cells), area, np.zeros(cells)), ([eccentricity], [0.0], [force], [0.0]),
        parameters=(1e-3, stiffness),
    )  # fmt: skip
    edges = [1e-3 - rest.height - side * rest.slope_x * length / 2 for side in (1.0, -1.0)]
    near, far = (stiffness * max(edge, 0.0) for edge in edges)
    lifted = 0.0 if edges[1] >= 0.0 else -edges[1] / (edges[0] - edges[1]) * length
    return [near, far, length - lifted]


def springs_under_plate(
    x: Sequence[float],
    y: Sequence[float],
    rates: Sequence[float],
    force: float,
    force_x: float,
    force_y: float,
) -> list[float]:
    """Force on each spring under a plate that may lift off, settled numerically, N."""
    count = len(x)
    rest = settle_plate(
        elastic_bed, (x, y, np.ones(count), np.zeros(count)), ([force_x], [force_y], [force], [0.0]),
        parameters=(0.01, np.asarray(rates, dtype=float)[:, None]),
    )  # fmt: skip
    return [float(f) for f in rest.pressure]


def saddle_flatness(height: float, half_side: float, points: int = 21) -> float:
    """Flatness of z = height (x^2 - y^2)/half_side^2 over a square, m."""
    side = np.linspace(-half_side, half_side, points)
    x, y = np.meshgrid(side, side)
    return gap_maps.flatness(x, y, height * (x**2 - y**2) / half_side**2)


def compression_window(material: str = "gap_pad") -> tuple[float, float]:
    """Least and most compression at which a pad gives no caution about it."""
    quiet = [
        strain
        for strain in np.arange(0.0, 0.6, 0.005)
        if not any("Compression" in text for text in GapPad(material=material, compression=strain).cautions())
    ]
    return round(float(quiet[0]), 6), round(float(quiet[-1]), 6)


def wedge_at_open_edge(rise: float, conductivity: float, clamp_force: float = 50.0) -> float:
    """Area resistance at the open edge of a joint held askew less that at the closed edge, K m^2/W."""
    across = 40
    found = ClampedJoint(tilt_x=rise, conductivity=conductivity, clamp_force=clamp_force).map(across)
    row = found.grid("area_resistance")[0]
    return float((row[-1] - row[0]) * across / (across - 1))


def flat_over_plain(materials: Sequence[str], clamp_force: float, length: float, width: float) -> list[float]:
    """Area resistance of a flat, centred and full clamped joint over that of the plain interface, by material."""
    joints = [
        ClampedJoint(material=m, clamp_force=clamp_force, length=length, width=width) for m in materials
    ]
    plain = [
        InterfaceLayer(material=m, clamp_force=clamp_force, contact_area=length * width) for m in materials
    ]
    return [float(a.area_resistance() / b.area_resistance()) for a, b in zip(joints, plain, strict=True)]


def tightened(torque: float, passes: Sequence[float], order: Sequence[int]) -> list[float]:
    """Tilt (m) and mean pressure (Pa) once four equal screws about a chip are tight, in some order and passes."""
    places = [(x, y) for x in (-15e-3, 15e-3) for y in (-12e-3, 12e-3)]
    joint = ClampedJoint(screws=tuple((*place, torque) for place in places))
    last = joint.tightening([(int(screw), float(share)) for share in passes for screw in order])[-1]
    return [float(last.tilt), float(joint.map().mean_pressure())]


def crosswise_screws() -> list[float]:
    """Screws of a rectangle in the order in which they are tightened crosswise."""
    return [float(screw) for screw, _ in crosswise([-1.5, 1.5, 1.5, -1.5], [-1.0, -1.0, 1.0, 1.0])]


def pads_at_corners(
    force: float,
    force_x: float,
    force_y: float,
    x: float,
    y: float,
    side: float,
    drawn_gap: float,
    thickness: float,
) -> list[float]:
    """Force on four equal pads at the corners (+-x, +-y) of a plate under an off-centre force, N."""
    bodies = [
        Body(
            name=f"pad {k}",
            x=sx * x,
            y=sy * y,
            length=side,
            width=side,
            drawn_gap=drawn_gap,
            supplied=thickness,
        )
        for k, (sx, sy) in enumerate(((-1, -1), (1, -1), (-1, 1), (1, 1)))
    ]
    return [float(state.force) for state in mount(bodies, [(force_x, force_y, force, 0.0)]).bodies]


def dot_coverage(volume: float, gap: float, length: float, width: float, across: int = 48) -> list[float]:
    """Share of a chip that one central dot of paste reaches in an even gap, and what is squeezed out (m^3)."""
    x, y = gap_maps.cell_centres(length, width, across)
    share, lost = gap_maps.spread_dots(
        x, y, length / across, width / across, np.full(x.shape, gap), ((0.0, 0.0, volume),)
    )
    return [float(np.mean(share)), float(lost)]


def pad_askew(length: float, width: float, offset_x: float, offset_y: float) -> float:
    """Share of a chip still under a pad of its own size that lies off centre."""
    x, y = gap_maps.cell_centres(length, width, 16)
    return float(
        np.mean(gap_maps.sheet_share(x, y, length / 16, width / 16, length, width, offset_x, offset_y))
    )


def voided(fraction: Sequence[float], x: float, y: float) -> list[float]:
    """Share of a chip of 12 mm that is void, for voids of some fractions about a place."""
    at = gap_maps.cell_centres(12e-3, 12e-3, 16)
    return [float(np.mean(gap_maps.void_share(*at, 0.75e-3, 0.75e-3, f, x, y))) for f in fraction]


def half_heated_strip(
    flux: float,
    area_resistance: float,
    length: float,
    thickness: float,
    conductivity: float,
    across: int = 120,
) -> list[float]:
    """Rise of a strip of silicon heated over half its length: at the hot end, the border and the cold end, K."""
    x, y = gap_maps.cell_centres(length, length, across)
    cell = length / across
    half = gap_maps.sheet_share(x, y, cell, cell, length / 2, length, -length / 4, 0.0)
    q = block_flux([half], [flux * length * length / 2], cell * cell).reshape(across, across)
    rise = rise_with_spreading(q[:1], area_resistance, cell, length, thickness, conductivity, layers=2)[0]
    middle = across // 2
    border = 0.5 * (rise[middle - 1] + rise[middle])
    return [float(rise[0]), float(border), float(rise[-1])]

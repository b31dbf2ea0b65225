"""Write ``water.csv``: saturated water at the Chebyshev points of 0.01 to 200 degC.

Run by hand when the table is to be made anew (it needs CoolProp, which the package itself never imports)::

    python thermnet/materials/tables/make_water_table.py

CoolProp evaluates IAPWS-95 for the thermodynamic properties and the IAPWS releases R12-08 (viscosity) and
R15-11 (conductivity).  Surface tension is evaluated here from the release itself: CoolProp's own fit for it
differs by 0.1 % at 27 degC and 0.5 % at 200 degC.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

LOWEST, HIGHEST, POINTS = 0.01, 200.0, 25
COLUMNS = (
    "temperature", "pressure", "liquid_density", "vapour_density", "liquid_viscosity", "vapour_viscosity",
    "liquid_conductivity", "vapour_conductivity", "latent_heat", "surface_tension", "liquid_specific_heat",
    "vapour_specific_heat", "vapour_heat_ratio", "vapour_sound_speed",
)  # fmt: skip
UNITS = (
    "degC", "Pa", "kg/m^3", "kg/m^3", "Pa*s", "Pa*s", "W/(m*K)", "W/(m*K)", "J/kg", "N/m", "J/(kg*K)",
    "J/(kg*K)", "1", "m/s",
)  # fmt: skip


def chebyshev_points(lowest: float, highest: float, points: int) -> list[float]:
    """Chebyshev points of the first kind in [lowest, highest], rising."""
    angle = np.pi * (np.arange(points)[::-1] + 0.5) / points
    return [float(t) for t in 0.5 * (lowest + highest) + 0.5 * (highest - lowest) * np.cos(angle)]


def surface_tension(temperature: float) -> float:
    """Surface tension in N/m at ``temperature`` in degC: IAPWS R1-76(2014), eq. (1)."""
    distance = 1.0 - (temperature + 273.15) / 647.096
    return float(0.2358 * distance**1.256 * (1.0 - 0.625 * distance))


def saturated_row(temperature: float) -> list[float]:
    """Properties at one temperature in degC, in the order of ``COLUMNS``."""
    from CoolProp.CoolProp import PropsSI

    def at(key: str, quality: int) -> float:
        return float(PropsSI(key, "T", temperature + 273.15, "Q", quality, "Water"))

    return [
        temperature, at("P", 0), at("D", 0), at("D", 1), at("V", 0), at("V", 1), at("L", 0), at("L", 1),
        at("H", 1) - at("H", 0), surface_tension(temperature), at("CPMASS", 0), at("CPMASS", 1),
        at("CPMASS", 1) / at("CVMASS", 1), at("A", 1),
    ]  # fmt: skip


def main() -> None:
    """Compute the rows and write the table beside this script."""
    import CoolProp

    lines = [
        f"# Saturated water, made by make_water_table.py with CoolProp {CoolProp.__version__}",
        "# IAPWS-95, viscosity R12-08, conductivity R15-11; surface tension from IAPWS R1-76(2014)",
        "# Chebyshev points of the first kind: the interpolating polynomials pass through these rows",
        "# units: " + ", ".join(UNITS),
        ",".join(COLUMNS),
    ]
    for temperature in chebyshev_points(LOWEST, HIGHEST, POINTS):
        lines.append(",".join(f"{value:.12g}" for value in saturated_row(temperature)))
    Path(__file__).with_name("water.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

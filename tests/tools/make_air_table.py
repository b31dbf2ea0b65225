"""Write thermnet/materials/tables/air.csv: dry air from CoolProp.

CoolProp evaluates the equation of state of Lemmon, Jacobsen, Penoncello and Friend (J. Phys. Chem. Ref. Data
29, 2000, 331) and the transport equations of Lemmon and Jacobsen (Int. J. Thermophys. 25, 2004, 21).

Run from the root of the repository: ``python tests/tools/make_air_table.py``.
"""

from __future__ import annotations

from pathlib import Path

import CoolProp
import CoolProp.CoolProp as coolprop
import numpy as np

TABLE = Path(__file__).parents[2] / "thermnet" / "materials" / "tables" / "air.csv"
TEMPERATURES = np.arange(-40.0, 151.0, 10.0)
PRESSURES = (50662.5, 101325.0)
COLUMNS = (("compressibility", "Z"), ("specific_heat", "C"), ("viscosity", "V"), ("conductivity", "L"))


def rows() -> list[list[float]]:
    """Temperature in degC, then compressibility, J/(kg K), Pa s and W/(m K) at each pressure."""
    return [
        [
            float(t),
            *(
                coolprop.PropsSI(code, "T", t + 273.15, "P", p, "Air")
                for p in PRESSURES
                for _, code in COLUMNS
            ),
        ]
        for t in TEMPERATURES
    ]


def main() -> None:
    """Write the table."""
    head = [
        f"# dry air, CoolProp {CoolProp.__version__}; "
        "written by tests/tools/make_air_table.py; SI units, temperature in degC",
        ",".join(["temperature_degC", *(f"{name}_{p:.1f}_Pa" for p in PRESSURES for name, _ in COLUMNS)]),
    ]
    body = [",".join(f"{value:.9g}" for value in row) for row in rows()]
    TABLE.write_text("\n".join([*head, *body]) + "\n", encoding="utf-8")
    print(f"{TABLE}: {len(body)} rows")


if __name__ == "__main__":
    main()

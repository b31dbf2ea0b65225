"""Small chained examples for functions that take structures: fin stacks, fan curves, wicks, pipe sections."""

from __future__ import annotations

from typing import Any

from thermnet.physics import airflow, deck, fins, heat_pipe, tissue, touch, two_phase, vapor_chamber, wicks


def stack_numbers(
    width: Any, height: Any, depth: Any, pitch: Any, thickness: Any, film_temperature: Any, volume_flow: Any
) -> dict[str, Any]:
    """Geometry, Reynolds number and slow-flow resistance (Pa s/m^3) of a stack of sheet fins."""
    geometry = fins.stack_geometry(width, height, depth, pitch, thickness)
    impedance = fins.stack_impedance(geometry, depth, film_temperature)
    return {
        "flow_area": geometry.flow_area, "fin_area": geometry.fin_area, "base_area": geometry.base_area,
        "hydraulic_diameter": geometry.hydraulic_diameter, "linear": impedance.linear,
        "reynolds": fins.stack_reynolds(volume_flow, geometry, film_temperature),
    }  # fmt: skip


def stack_conductance_slow(
    width: Any,
    height: Any,
    depth: Any,
    pitch: Any,
    thickness: Any,
    conductivity: Any,
    film_temperature: Any,
    volume_flow: Any,
) -> Any:
    """Conductance in W/K of a fin stack at a flow so slow that the channels are fully developed."""
    geometry = fins.stack_geometry(width, height, depth, pitch, thickness)
    return fins.stack_conductance(volume_flow, geometry, depth, thickness, conductivity, film_temperature)


def fan_curve_pressure(
    flow: Any, flows: Any, pressures: Any, speed_ratio: float = 1.0, density_ratio: float = 1.0
) -> Any:
    """Pressure in Pa of a measured fan curve at a flow, speed and density."""
    points = tuple(zip((float(v) for v in flows), (float(v) for v in pressures), strict=True))
    wrong = airflow.check_points(points)
    if wrong:
        raise ValueError(wrong)
    unit = tuple((v / points[-1][0], p / points[0][1]) for v, p in points)
    curve = airflow.FanCurve(free_flow=points[-1][0], shutoff_pressure=points[0][1], points=unit)
    return airflow.fan_pressure(flow, curve, speed_ratio, density_ratio)


def composite_wick(
    fine_diameter: float, coarse_diameter: float, porosity: float, fine_thickness: float, coarse_thickness: float,
    liquid_conductivity: float, solid_conductivity: float,
) -> dict[str, Any]:  # fmt: skip
    """Composite of a fine over a coarse sintered powder of one porosity: pore radius and permeability."""
    fine = wicks.sintered_powder(fine_diameter, porosity, solid_conductivity, liquid_conductivity)
    coarse = wicks.sintered_powder(coarse_diameter, porosity, solid_conductivity, liquid_conductivity)
    both = wicks.composite(fine, fine_thickness, coarse, coarse_thickness)
    return {
        "pore_ratio": both.pore_radius / fine.pore_radius,
        "permeability_ratio": both.permeability / fine.permeability,
    }


def pipe_volumes(
    diameter: float, wall: float, wick_thickness: float, porosity: float, length: float, fill: float
) -> dict[str, Any]:
    """Metal and water in m^3 of a round pipe with a wick of a given porosity."""
    section = heat_pipe.pipe_section(diameter, wall, wick_thickness)
    wick = wicks.sintered_powder(1e-4, porosity, 390.0, 0.6)
    return {
        "metal": heat_pipe.metal_volume(section, wick, length),
        "water": heat_pipe.water_volume(section, wick, length, fill),
    }


def chamber_volumes(
    area: float, wall: float, wick_thickness: float, porosity: float, fill: float
) -> dict[str, Any]:
    """Metal and water in m^3 of a vapor chamber."""
    return {
        "metal": vapor_chamber.metal_volume(area, wall, wick_thickness, porosity),
        "water": vapor_chamber.water_volume(area, wick_thickness, porosity, fill),
    }


def least_limit(values: Any) -> Any:
    """Least of several heat limits."""
    return two_phase.governing({f"limit {i}": value for i, value in enumerate(values)})[1]


def sheet_of_two(
    first_conductivity: float, first_thickness: float, second_conductivity: float, second_thickness: float
) -> Any:
    """Sheet conductance in W/K of two layers side by side."""
    return deck.sheet_conductance(
        (first_conductivity, first_thickness), (second_conductivity, second_thickness)
    )


def one_ring(inner_scale: float, resistance: float) -> Any:
    """Resistance in K/W of a deck left as a single ring."""
    return deck.ring_resistances(inner_scale, 1, resistance)[0][0]


def cloth_and_bloodless_tissue(cloth: float, thickness: Any, conductivity: Any) -> Any:
    """Area resistance in K m^2/W of cloth over tissue without blood flow or metabolism."""
    count = len(thickness)
    dead = tissue.Tissue(
        tuple(map(float, thickness)), tuple(map(float, conductivity)), (0.0,) * count, (0.0,) * count
    )
    return tissue.contact_resistance(cloth, dead)[0]


def limit_of_solid(material: str, contact_time: float) -> Any:
    """Touch limit in degC of a solid's surface class."""
    return touch.touch_limit(touch.surface_class(material), contact_time)


def slope_of_limits(temperature: Any, limit: Any) -> Any:
    """Relative slope in 1/K of the straight line through heat limits, about 55 degC."""
    return two_phase.limit_line(temperature, limit)[1]

"""Skins: zones, spreading, exchange with the surroundings, limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.network import ThermalNetwork
from thermnet.parameter import declarations
from thermnet.parts.base import Assembly
from thermnet.parts.posture import posture
from thermnet.parts.skin import Skin

AREA = 0.312 * 0.220


def assemble(skin, name="bottom", held="desk", ambient=25.0, ratio=1.0):
    net = ThermalNetwork()
    net.add_boundary("ambient", ambient)
    data = posture(held) if isinstance(held, str) else held
    assembly = Assembly(net, {name: skin}, ambient=ambient, posture=data, air_density_ratio=ratio)
    skin.add_to(assembly, name)
    return assembly


def steady(skin, hot=3.0, rest=3.0, **more):
    return assemble(skin, **more).network.steady({"bottom.hot_zone": hot, "bottom.rest": rest})


def test_every_field_says_what_it_is():
    for name, declared in declarations(Skin).items():
        assert declared.doc, name
        if declared.role == "quantity":
            assert declared.plausible is not None, name
            assert declared.step, name
            low, high = declared.plausible
            assert low <= getattr(Skin(), name) <= high, name


def test_capacities_are_near_the_hand_model():
    nodes = assemble(Skin()).network.graph.nodes
    assert nodes["bottom.hot_zone"]["capacity"] == pytest.approx(12.0, rel=0.1)
    assert nodes["bottom.rest"]["capacity"] == pytest.approx(170.0, rel=0.05)


@pytest.mark.parametrize(
    ("wall", "low", "high"),
    [
        ({}, 1.9, 2.5),  # aluminium: 2.0 and 2.4 in the hand model
        ({"material": "plastic", "thickness": 1.5e-3}, 28.0, 38.0),  # 30 to 36
        ({"material": "plastic", "thickness": 1.5e-3, "graphite_thickness": 25e-6}, 5.0, 6.5),  # 5 to 6
    ],
)
def test_spreading_is_near_the_hand_model(wall, low, high):
    assert low < Skin(**wall).zone_to_rest() < high


def test_total_exchange_is_near_common_practice():
    # Painted metal in free air 8 to 12 W/(m2 K) in practice, a hot face down at the low end.
    found = steady(Skin(hot_zone_area=0.02), hot=6.0 * 0.02 / AREA, rest=6.0 * (1 - 0.02 / AREA))
    coefficient = 6.0 / AREA / (found["bottom.rest"] - 25.0)
    assert 6.5 < coefficient < 10.0
    up = steady(
        Skin(hot_zone_area=0.02, orientation="up"), hot=6.0 * 0.02 / AREA, rest=6.0 * (1 - 0.02 / AREA)
    )
    assert up["bottom.rest"] < found["bottom.rest"]


def test_bare_metal_runs_hotter_than_painted():
    assert steady(Skin(emissivity=0.1))["bottom.rest"] > steady(Skin())["bottom.rest"] + 5.0


def test_heat_balances():
    skin = Skin(orientation="vertical")
    assembly = assemble(skin)
    found = assembly.network.steady({"bottom.hot_zone": 3.0, "bottom.rest": 3.0})
    out = 0.0
    for a, b, data in assembly.network.graph.edges(data=True):
        if b == "ambient":
            out += data["law"].conductance(found[a], 25.0) * (found[a] - 25.0)
    assert out == pytest.approx(6.0, rel=1e-6)


@settings(deadline=None, max_examples=25)
@given(graphite=st.floats(0, 150e-6), thickness=st.floats(0.5e-3, 2.4e-3))
def test_more_sheet_means_a_cooler_hot_zone(graphite, thickness):
    base = Skin(material="plastic", thickness=thickness, graphite_thickness=graphite)
    more = Skin(material="plastic", thickness=thickness, graphite_thickness=graphite + 20e-6)
    assert steady(more)["bottom.hot_zone"] < steady(base)["bottom.hot_zone"]
    assert more.mass() > base.mass()


@pytest.mark.parametrize("zones", [3, 4, 6])
def test_more_zones_keep_area_capacity_and_roughly_the_hot_zone(zones):
    two, many = Skin(), Skin(zones=zones)
    assert sum(many.zone_areas()) == pytest.approx(AREA)
    totals = [sum(d["capacity"] for _, d in assemble(s).network.graph.nodes(data=True)) for s in (two, many)]
    assert totals[0] == pytest.approx(totals[1])
    assembly = assemble(many)
    found = assembly.network.steady({"bottom.hot_zone": 6.0})
    ordered = [found[f"bottom.{z}"] for z in many.zone_names()]
    assert np.all(np.diff(ordered) < 0)
    assert found["bottom.hot_zone"] == pytest.approx(steady(two, 6.0, 0.0)["bottom.hot_zone"], abs=1.5)
    assert len(assembly.faces["bottom.rest"].patches) == zones - 1


def test_limits_stand_on_each_zone():
    limits = {
        limit.name: (limit.kind, limit.value) for limit in assemble(Skin(limit=46.0, limit_rest=42.0)).limits
    }
    assert limits == {"bottom.hot_zone": ("skin", 46.0), "bottom.rest": ("skin", 42.0)}


def test_touch_limit_follows_material_and_contact_time():
    assert Skin().touch_limit() == 48.0
    assert Skin(material="plastic", contact_time=5.0).touch_limit() == 77.0
    assert Skin(material="glass", contact_time=5.0).surface_class() == "glass"
    assert Skin(material="plastic", touch_surface="metal", contact_time=5.0).touch_limit() == 60.0


def test_wall_lies_between_the_inside_and_the_node():
    hot = assemble(Skin(material="plastic", thickness=2e-3)).faces["bottom.hot_zone"].patches[0]
    assert hot.resistance == pytest.approx(2e-3 / (0.25 * 0.006))


def test_thin_air_cools_less():
    assert steady(Skin(), ratio=0.7)["bottom.hot_zone"] > steady(Skin())["bottom.hot_zone"] + 0.2


def test_lap_replaces_free_surface_by_the_body():
    assembly = assemble(Skin(), held="lap")
    assert "body" in assembly.network.boundaries
    to_body = [d for _, b, d in assembly.network.graph.edges(data=True) if b == "body"]
    total = sum(float(d["conductance"]) for d in to_body)
    assert 0.5 < total < 1.2
    found = assembly.network.steady({})
    assert 25.0 < found["bottom.rest"] < 37.0


def test_fully_covered_skin_has_no_free_link():
    held = {"up": {"contact": 1.0, "area_resistance": 0.2}}
    assembly = assemble(Skin(orientation="up"), held=held)
    assert all(d["law"] is None for *_, d in assembly.network.graph.edges(data=True))
    found = assembly.network.steady({"bottom.hot_zone": 1.0, "bottom.rest": 5.0})
    mean = (found["bottom.hot_zone"] * 0.006 + found["bottom.rest"] * (AREA - 0.006)) / AREA
    assert mean == pytest.approx(25.0 + 6.0 * 0.2 / AREA)


def test_skin_on_the_other_side_is_left_alone():
    assert steady(Skin(orientation="up"), held="lap")["bottom.rest"] == pytest.approx(
        steady(Skin(orientation="up"))["bottom.rest"]
    )


def test_samples_give_arrays_equal_to_single_machines():
    thickness, emissivity = np.array([0.7e-3, 0.8e-3, 1.0e-3]), np.array([0.5, 0.8, 0.9])
    for zones in (2, 4):
        many = assemble(Skin(thickness=thickness, emissivity=emissivity, zones=zones))
        for i in range(3):
            one = assemble(Skin(thickness=thickness[i], emissivity=emissivity[i], zones=zones))
            for a, b, key, data in one.network.graph.edges(keys=True, data=True):
                twin = many.network.graph.edges[a, b, key]
                if data["law"] is None:
                    assert twin["conductance"][i] == pytest.approx(data["conductance"])
                else:
                    radiating = np.broadcast_to(twin["law"].radiating_area, 3)[i]
                    assert radiating == pytest.approx(data["law"].radiating_area)


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"hot_zone_area": 0.08}, "hot_zone_area"),
        ({"material": "wool"}, "wool"),
        ({"zones": 1}, "zones"),
        ({"emissivity": 1.2}, "emissivity"),
        ({"orientation": "left"}, "orientation"),
        ({"hot_zone_offset_width": 2.0}, "hot_zone_offset_width"),
    ],
)
def test_bad_fields_are_refused_by_name(fields, says):
    with pytest.raises(ValueError, match=says):
        Skin(**fields)

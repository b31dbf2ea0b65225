"""Cold plate as a part: steady resistance, blocks of a chip, energy, properties."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet import parameter
from thermnet.network import ThermalNetwork
from thermnet.parts.base import Assembly, Patch, join
from thermnet.parts.interface import InterfaceLayer
from thermnet.parts.plate import CORE_SHARE, ColdPlate
from thermnet.physics.plate_spreading import between_rectangles, rectangle_on_plate
from thermnet.physics.spreading import through_plate

CHIP = 150e-6


def machine(plate, *, blocks=((CHIP, 1.0),), power=20.0, back=0.4, joint=None):
    """A chip of blocks (area, share) on the plate, cooled from the plate's bottom."""
    net = ThermalNetwork()
    assembly = Assembly(net, {})
    net.add_boundary("ambient", 25.0)
    plate.add_to(assembly, "plate")
    patches = []
    for i, (area, _) in enumerate(blocks):
        net.add_node(f"block_{i}", capacity=1e-3)
        patches.append(Patch(f"block_{i}", area))
    assembly.add_face("chip.top", *patches, material="silicon")
    join(assembly, "chip.top", "plate.top", through=joint or InterfaceLayer(), through_name="joint")
    net.add_link(assembly.faces["plate.bottom"].patches[0].node, "ambient", resistance=back, name="out")
    return net, net.steady({f"block_{i}": power * share for i, (_, share) in enumerate(blocks)})


def test_heat_capacity_and_mass_of_the_usual_plate():
    plate = ColdPlate()
    assert plate.heat_capacity() == pytest.approx(8.3, rel=0.01)
    assert plate.mass() == pytest.approx(0.0215, rel=0.01)
    assert plate.thickness_in_stack() == 0.0015


def test_spreading_lies_in_the_range_met_in_practice():
    # 12 mm source in a 40 mm plate of 1.5 mm copper: 0.08 to 0.20 K/W, common practice.
    for back in (0.1, 0.4, 1.5):
        assert 0.08 <= ColdPlate(back_resistance=back).spreading_resistance(144e-6) <= 0.21


@pytest.mark.parametrize("source_area", [None, CHIP])
def test_junction_to_ambient_is_the_sum_of_its_parts(source_area):
    plate = ColdPlate(source_area=source_area)
    _, steady = machine(plate)
    side = np.sqrt(CHIP)
    film = 1.0 / (0.4 * 0.04**2)
    exact = (
        InterfaceLayer().area_resistance() / CHIP
        + rectangle_on_plate(side, side, 0.04, 0.04, 0.0015, 390.0, film)
        + through_plate(0.04**2, 0.0015, 390.0, film)
    )
    assert (steady["block_0"] - 25.0) / 20.0 == pytest.approx(exact, rel=1e-9)


def test_energy_balance():
    plate = ColdPlate(source_area=CHIP)
    net, steady = machine(plate, blocks=((36e-6, 0.5), (114e-6, 0.5)), power=30.0)
    into = {node: 0.0 for node in steady.index}
    out = 0.0
    temperature = {**steady, "ambient": 25.0}
    for a, b, data in net.graph.edges(data=True):
        heat = data["conductance"] * (temperature[a] - temperature[b])
        for node, sign in ((a, -1), (b, 1)):
            if node == "ambient":
                out += sign * heat
            else:
                into[node] += sign * heat
    assert out == pytest.approx(30.0, abs=1e-9)
    for node, heat in into.items():
        produced = 15.0 if node.startswith("block") else 0.0
        assert heat + produced == pytest.approx(0.0, abs=1e-9)


def test_all_capacity_is_kept_whether_in_one_node_or_two():
    for source in (None, CHIP, 0.0016):
        assembly = Assembly(ThermalNetwork(), {})
        plate = ColdPlate(source_area=source)
        plate.add_to(assembly, "plate")
        held = [data["capacity"] for _, data in assembly.network.graph.nodes(data=True)]
        assert sum(held) == pytest.approx(plate.heat_capacity())
        assert all(value > 0 for value in held)
    assert held[0] == pytest.approx(CORE_SHARE * plate.heat_capacity())


def test_blocks_of_one_chip_share_their_way_into_the_plate():
    """Hot spot in the middle of a chip: the part against the exact influence of block on block."""
    hot, film = 36e-6, 1.0 / (0.4 * 0.04**2)
    a, b = np.sqrt(hot), np.sqrt(CHIP)
    body = (0.04, 0.04, 0.0015, 390.0, film)
    exact_hot = rectangle_on_plate(a, a, *body)
    whole = rectangle_on_plate(b, b, *body)
    share = hot / CHIP
    exact_other = (between_rectangles((a, a, 0, 0), (b, b, 0, 0), *body) - share * exact_hot) / (1 - share)
    exact_rest = (whole - share**2 * exact_hot - 2 * share * (1 - share) * exact_other) / (1 - share) ** 2

    plate = ColdPlate(source_area=CHIP)
    blocks = ((hot, 1.0), (CHIP - hot, 0.0))
    joint = InterfaceLayer(bond_line=1e-9, contact_resistance=0.0)
    through = through_plate(0.04**2, 0.0015, 390.0) + 0.4
    _, steady = machine(plate, blocks=blocks, power=1.0, joint=joint)
    assert steady["block_0"] - 25.0 - through == pytest.approx(exact_hot, rel=0.01)
    assert steady["block_1"] - 25.0 - through == pytest.approx(exact_other, rel=0.05)
    _, steady = machine(plate, blocks=((hot, 0.0), (CHIP - hot, 1.0)), power=1.0, joint=joint)
    assert steady["block_1"] - 25.0 - through == pytest.approx(exact_rest, rel=0.12)


def test_single_node_plate_serves_two_chips():
    net = ThermalNetwork()
    assembly = Assembly(net, {})
    net.add_boundary("ambient", 25.0)
    ColdPlate(length=0.09, width=0.05).add_to(assembly, "plate")
    for name, area in (("cpu", 150e-6), ("gpu", 300e-6)):
        net.add_node(name, capacity=0.2)
        assembly.add_face(f"{name}.top", Patch(name, area), material="silicon")
        join(assembly, f"{name}.top", "plate.top", through=InterfaceLayer(), through_name=f"{name}_joint")
    net.add_link("plate.rim", "ambient", resistance=0.3)
    steady = net.steady({"cpu": 20.0, "gpu": 0.0})
    assert steady["cpu"] > steady["gpu"] == pytest.approx(25.0 + 20 * 0.3)


def test_source_scan_has_no_jump_and_larger_sources_are_cooler():
    plate = ColdPlate(length=0.06, width=0.03)
    area = np.linspace(10e-6, 0.0018, 10_000)
    scan = plate.spreading_resistance(area)
    assert np.all(np.diff(scan) < 1e-6)
    assert np.max(-np.diff(scan)) < 0.02 * scan[0]
    assert scan[-1] == pytest.approx(through_plate(0.0018, 0.0015, 390.0), rel=1e-3)


def test_block_scan_has_no_jump():
    plate = ColdPlate(source_area=CHIP)
    block = np.linspace(2e-6, 1.09 * CHIP, 10_000)
    scan = plate._into_core(block)
    assert np.all(np.diff(scan) <= 1e-12)
    assert np.max(-np.diff(scan)) < 0.02 * scan[0]
    assert scan[-1] == 0.0


common = settings(deadline=None, max_examples=40)


@common
@given(
    st.floats(0.03, 0.1), st.floats(0.03, 0.1), st.floats(4e-4, 3e-3), st.floats(80e-6, 500e-6),
    st.floats(0.05, 2.0),
    st.floats(1.02, 2.0),
)  # fmt: skip
def test_better_metal_larger_chip_and_less_resistance_are_never_hotter(
    length, width, t, source, back, factor
):
    base = ColdPlate(
        length=length, width=width, thickness=t, source_area=source, back_resistance=back, conductivity=200.0
    )

    def junction(plate, area, film=back):
        return machine(plate, blocks=((area, 1.0),), back=film)[1]["block_0"]

    before = junction(base, source)
    assert junction(parameter.replaced(base, {"conductivity": 200.0 * factor}), source) <= before + 1e-6
    larger = min(source * factor, 0.9 * length * width)
    assert junction(parameter.replaced(base, {"source_area": larger}), larger) <= before + 1e-6
    cooler = parameter.replaced(base, {"back_resistance": back / factor})
    assert junction(cooler, source, back / factor) <= before + 1e-6


@common
@given(st.floats(0.3, 1.0), st.floats(0.3, 1.0))
def test_smaller_cooled_area_with_the_same_film_is_never_cooler(first, second):
    low, high = sorted((first, second))
    film = 1500.0
    totals = []
    for share in (low, high):
        cooled = share * 0.0016
        plate = ColdPlate(effective_area=cooled, back_resistance=1 / (film * cooled))
        totals.append(plate.spreading_resistance(CHIP) + 1 / (film * cooled))
    assert totals[1] <= totals[0] + 1e-9


def test_samples_give_what_single_plates_give():
    t, back = np.array([0.5e-3, 1.0e-3, 2.0e-3]), np.array([0.2, 0.4, 0.8])
    many = ColdPlate(thickness=t, back_resistance=back).spreading_resistance(CHIP)
    single = [
        ColdPlate(thickness=float(a), back_resistance=float(b)).spreading_resistance(CHIP)
        for a, b in zip(t, back, strict=True)
    ]
    np.testing.assert_allclose(many, single, rtol=1e-5)
    assembly = Assembly(ThermalNetwork(), {})
    ColdPlate(thickness=t, source_area=CHIP).add_to(assembly, "plate")
    assert assembly.network.graph.nodes["plate.core"]["capacity"].shape == (3,)


def test_isothermal_back_and_anisotropic_sheet():
    film = ColdPlate(back_resistance=1e-7).spreading_resistance(CHIP)
    assert ColdPlate(isothermal_back=True).spreading_resistance(CHIP) == pytest.approx(film, rel=1e-3)
    sheet = ColdPlate(material="graphite_sheet", thickness=1e-3)
    assert sheet.spreading_resistance(CHIP) > ColdPlate(
        thickness=1e-3, conductivity=1000.0
    ).spreading_resistance(CHIP)


def test_wrong_plates_are_refused_by_name():
    with pytest.raises(ValueError, match=r"ColdPlate.source_area: 2000 mm\^2 on a plate of 1600"):
        ColdPlate(source_area=2e-3)
    with pytest.raises(ValueError, match=r"ColdPlate.effective_area"):
        ColdPlate(effective_area=2e-3)
    with pytest.raises(ValueError, match=r"ColdPlate.thickness"):
        ColdPlate(thickness=0.0)
    with pytest.raises(ValueError, match=r"ColdPlate.material"):
        ColdPlate(material="cheese")
    with pytest.raises(ValueError, match=r"150 mm\^2 declared, but a face of 300 mm\^2 joins"):
        machine(ColdPlate(source_area=150e-6), blocks=((300e-6, 1.0),))


def test_every_number_is_declared_with_unit_range_and_meaning():
    declared = parameter.declarations(ColdPlate)
    assert set(declared) == {f.name for f in dataclasses.fields(ColdPlate)}
    for name, declaration in declared.items():
        assert declaration.doc, name
        if declaration.role == "quantity":
            assert declaration.plausible is not None, name
            assert declaration.step is not None, name

"""Heat storage as a part: melts in a burst, freezes afterwards, conserves heat."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from thermnet.network import ThermalNetwork
from thermnet.parameter import declarations
from thermnet.parts.base import Assembly
from thermnet.parts.storage import HeatStorage
from thermnet.verify.worked_two_phase import pack_energy

LIKE = {"amount": 20e-3, "contact_area": 4e-4}


def machine(part):
    assembly = Assembly(network=ThermalNetwork(), parts={"pack": part})
    part.add_to(assembly, "pack")
    assembly.network.add_boundary("ambient", 25.0)
    assembly.network.add_link("pack.body", "ambient", resistance=3.0)
    return assembly


def test_nodes_faces_and_capacities():
    part = HeatStorage(**LIKE)
    assembly = machine(part)
    assert assembly.network.nodes == ["pack.body", "pack.melt"]
    assert assembly.faces["pack.base"].patches[0].area == 4e-4
    assert assembly.network.graph.nodes["pack.body"]["capacity"] == pytest.approx(2.0 + 0.02 * 2100)
    assert assembly.network.graph.nodes["pack.melt"]["capacity"] == pytest.approx(4000.0 / 2.0)
    assert part.latent_energy == pytest.approx(4000.0)
    assert part.mass() == pytest.approx(25e-3)
    assert part.thickness_in_stack() == 2e-3


def test_burst_is_stored_and_given_back():
    part = HeatStorage(**LIKE)
    steps = (np.array([0.0, 600.0]), np.array([18.0, 0.0]))
    run = machine(part).network.transient({"pack.body": steps}, 3000.0, tolerance=0.002)
    fraction = part.law.fraction(run.temperature("pack.melt"))
    assert fraction[0] == 0.0
    assert fraction.max() > 0.9
    assert fraction[-1] < 0.02
    assert run.temperature("pack.body")[-1] < 45.0
    assert run.energy_residual < 1e-5


def test_heat_to_warm_the_pack_is_the_enthalpy_of_the_material():
    # Insulated: 20 g from 25 to 60 degC takes 5464 J (constructed case), here from the network.
    part = HeatStorage(
        **LIKE, melting_temperature=44.0, melting_range=0.5, container_capacity=0.0, spreader_conductance=20.0
    )
    assembly = Assembly(network=ThermalNetwork(), parts={"pack": part})
    part.add_to(assembly, "pack")
    assembly.network.add_boundary("ambient", 25.0)
    assembly.network.add_link("pack.body", "ambient", resistance=1e9)
    run = assembly.network.transient({"pack.body": 3.4}, 2000.0, initial=25.0, tolerance=0.002)
    needed = pack_energy(0.02, 25.0, 60.0, 44.0, 200e3, 2000.0, 2200.0)
    assert needed == pytest.approx(5464.0)
    # The mean specific heat of the part stands for solid and melt: 0.5 % of the whole here.
    assert 3.4 * run.time_to("pack.body", 60.0) == pytest.approx(needed, rel=0.01)


def test_more_material_holds_longer():
    times = [
        machine(HeatStorage(**(LIKE | {"amount": grams * 1e-3})))
        .network.transient({"pack.body": 20.0}, 1500.0)
        .time_to("pack.body", 60.0)
        for grams in (5, 20, 40)
    ]
    assert times[0] < times[1] < times[2]


def test_samples_are_arrays():
    part = HeatStorage(amount=np.array([10e-3, 20e-3]), contact_area=4e-4)
    assert part.sensible_capacity() == pytest.approx([23.0, 44.0])
    assert part.law.capacity == pytest.approx([1000.0, 2000.0])
    compiled = pytest.importorskip("thermnet.network.compiled").compile_network(machine(part).network)
    assert compiled.settled(np.full((2, 2), 25.0)) == pytest.approx(np.array([[25.0, 25.0], [44.0, 44.0]]))


def test_fields_are_declared_and_bad_ones_refused():
    declared = declarations(HeatStorage)
    assert set(declared) == {f.name for f in dataclasses.fields(HeatStorage)}
    with pytest.raises(ValueError, match=r"HeatStorage.latent_heat"):
        HeatStorage(**LIKE, latent_heat=0.0)
    with pytest.raises(ValueError, match=r"HeatStorage.melting_range"):
        HeatStorage(**LIKE, melting_range=0.0)

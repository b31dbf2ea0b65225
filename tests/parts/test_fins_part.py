"""The fin stack part."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermnet.materials.solids import solid
from thermnet.network import ThermalNetwork
from thermnet.parameter import declarations
from thermnet.parts.base import Assembly
from thermnet.parts.fins import FinStack

BASE = {"width": 0.055, "height": 0.0055, "depth": 0.018, "pitch": 0.0011, "fin_thickness": 0.0001}


def stack(**changes):
    return FinStack(**{**BASE, **changes})


def test_every_field_says_what_it_is():
    for name, declared in declarations(FinStack).items():
        assert declared.doc, name
        if declared.role == "quantity":
            assert declared.plausible is not None, name
            assert declared.step, name


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"width": 0.0}, "FinStack.width"),
        ({"blocked": 1.0}, "FinStack.blocked"),
        ({"pitch": 0.0001}, "FinStack.pitch: 0.0001 m; expected above fin_thickness"),
        ({"pitch": np.array([0.001, 0.0001])}, "FinStack.pitch"),
        ({"material": "coper"}, "did you mean 'copper'"),
        ({"extra_capacity": -1.0}, "FinStack.extra_capacity"),
    ],
)
def test_bad_fields_are_refused_by_name(changes, said):
    with pytest.raises(ValueError, match=said):
        stack(**changes)


def test_adds_its_base_and_its_face():
    net = ThermalNetwork()
    assembly = Assembly(net, {})
    part = stack(base_thickness=0.0005, extra_capacity=2.0)
    part.add_to(assembly, "fins")
    assert net.nodes == ["fins.base"]
    assert net.graph.nodes["fins.base"]["capacity"] == pytest.approx(part.capacity())
    patch = assembly.faces["fins.base"].patches[0]
    assert patch.node == "fins.base"
    assert patch.area == pytest.approx(0.055 * 0.018)
    assert assembly.faces["fins.base"].material == "copper"
    assert part.face_names() == ("base",)


def test_capacity_and_mass_by_hand():
    part = stack(base_thickness=0.0005, extra_capacity=2.0)
    copper = solid("copper")
    volume = 50 * 0.0001 * (0.0055 + 0.001) * 0.018 + 0.0005 * 0.055 * 0.018
    assert part.mass() == pytest.approx(volume * copper.density)
    assert part.capacity() == pytest.approx(volume * copper.density * copper.specific_heat + 2.0)
    assert part.thickness_in_stack() == pytest.approx(0.006)


def test_aluminium_is_lighter_and_carries_less():
    metal = stack(material="aluminium_1050")
    assert metal.mass() < 0.35 * stack().mass()
    assert metal.conductance(9e-4) < stack().conductance(9e-4)


@given(st.floats(1e-4, 3e-3), st.floats(0.0, 0.9))
def test_dust_never_helps(flow, blocked):
    clean, dusty = stack(), stack(blocked=blocked, dust_loss=3.0)
    assert dusty.conductance(flow) <= clean.conductance(flow) * (1 + 1e-12)
    assert dusty.impedance().linear >= clean.impedance().linear
    assert dusty.impedance().quadratic > clean.impedance().quadratic
    assert dusty.reynolds(flow) >= clean.reynolds(flow)


def test_fields_take_arrays():
    pitch = np.array([0.001, 0.0012])
    many = stack(pitch=pitch)
    for i in range(2):
        one = stack(pitch=pitch[i])
        assert many.conductance(9e-4)[i] == pytest.approx(one.conductance(9e-4), rel=1e-14)
        assert many.impedance().linear[i] == pytest.approx(one.impedance().linear, rel=1e-14)
        assert many.capacity()[i] == pytest.approx(one.capacity(), rel=1e-14)

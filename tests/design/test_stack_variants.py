"""The same machine with another cooling stack: what moves, what stays, what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.design.stack import own_stack_name, read_stack, stack_heights, stack_parts
from thermnet.design.stack_variants import stack_variants, with_chamber, with_hybrid, with_pipes


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def family(tern):
    return stack_variants(tern)


def test_family_of_tern_is_the_one_asked_for(tern, family):
    assert list(family) == [
        "2 pipes 6 mm",
        "1 pipe 8 mm",
        "chamber 0.6 mm",
        "chamber 1 mm",
        "chamber 1 mm + pipes",
    ]
    assert family["2 pipes 6 mm"] is tern
    assert own_stack_name(tern) == "2 pipes 6 mm"


def test_every_variant_keeps_all_that_is_not_the_stack(tern, family):
    for design in family.values():
        same = set(tern.parts) - {"plate", "pipes", "bottom", "keyboard"}
        assert all(design.parts[name] == tern.parts[name] for name in same)
        assert design.modes == tern.modes
        assert design.workloads == tern.workloads
        assert np.isfinite(design.network("desk").steady({"cpu.hot_spot": 10.0})).all()


def test_solder_keeps_its_area_resistance(tern, family):
    def per_area(design):
        stack = read_stack(design)
        (into, out, fins) = stack.pipes["pipes"]
        pipe = design.parts["pipes"]
        width = pipe.count * pipe.section.width
        base = design.parts[fins].width * design.parts[fins].depth
        return into.resistance * width * pipe.evaporator_length, out.resistance * min(
            width * pipe.condenser_length, base
        )

    assert per_area(family["1 pipe 8 mm"]) == pytest.approx(per_area(tern))
    chamber = family["chamber 1 mm"]
    joint = read_stack(chamber).direct["fins"]
    assert joint.resistance * 58e-3 * 20e-3 == pytest.approx(per_area(tern)[1])


def test_chamber_takes_the_pipes_way_and_faces_the_skins(tern, family):
    chamber = family["chamber 1 mm"].parts["chamber"]
    pipe, fins = tern.parts["pipes"], tern.parts["fins"]
    assert chamber.width == pytest.approx(fins.width)
    middle = pipe.length - pipe.evaporator_length - pipe.condenser_length
    assert chamber.condenser_distance == pytest.approx(pipe.evaporator_length / 2 + middle + fins.depth / 2)
    joints = [j for j in family["chamber 1 mm"].joints if j.between[0] == "chamber.condenser" and j.through]
    free = chamber.length * chamber.width - fins.width * fins.depth
    assert [j.area for j in joints] == pytest.approx([free, free])
    assert family["chamber 1 mm"].parts["bottom"].hot_zone_area >= chamber.length * chamber.width
    # Half of the height saved against the pipes (2 mm) goes to each gap.
    assert family["chamber 1 mm"].parts["gap_below_chamber"].gap == pytest.approx(
        tern.parts["gap_below"].gap + 0.5e-3
    )
    assert "pipes" not in family["chamber 1 mm"].parts


def test_height_saved_can_go_elsewhere(tern):
    thinner = with_chamber(tern, 1e-3, saved="thinner")
    assert "gap_below_chamber" not in thinner.parts
    taller = with_chamber(tern, 1e-3, saved="fins")
    assert taller.parts["fins"].height == pytest.approx(tern.parts["fins"].height + 1e-3)
    assert stack_heights(taller)[1] == pytest.approx(stack_heights(tern)[1])
    with pytest.raises(ValueError, match="saved 'nowhere'; expected one of gaps, fins, thinner"):
        with_chamber(tern, 1e-3, saved="nowhere")


def test_heights_and_parts_of_the_stack(tern, family):
    assert stack_heights(tern) == pytest.approx((3.5e-3, 7.8e-3))
    assert stack_heights(family["chamber 0.6 mm"])[0] == pytest.approx(0.6e-3)
    assert set(stack_parts(tern)) == {"plate", "pipes", "fins"}
    assert set(stack_parts(family["chamber 1 mm + pipes"])) == {"chamber", "pipes", "fins"}


def test_suppliers_values_belong_to_the_pipes_they_were_measured_on(tern):
    measured = tern.replace(**{"pipes.heat_limit": "20 W", "pipes.resistance": "0.4 K/W"})
    other = with_pipes(measured, 1, 8e-3).parts["pipes"]
    assert other.heat_limit is None
    assert other.resistance is None
    assert with_hybrid(measured, 1e-3).parts["pipes"].heat_limit == 20.0


def test_two_chip_machine_is_read_and_exchanged_too():
    heron = load_design("heron-16")
    family = stack_variants(heron)
    names = list(family)
    assert names[0].startswith("chamber")
    assert any("per stack" in name for name in names)
    pipes = next(d for n, d in family.items() if "per stack" in n)
    stack = read_stack(pipes)
    assert stack.core == "plate"
    assert {fins for *_, fins in stack.pipes.values()} == {
        n for n, p in heron.parts.items() if p.kind == "fins"
    }
    only = [d for n, d in family.items() if n.startswith("chamber") and not read_stack(d).pipes]
    assert only
    assert all(len(read_stack(d).direct) == 4 for d in only)
    assert all(len(read_stack(d).chips) == 2 for d in family.values())


def test_machines_without_such_a_stack_are_refused_in_words():
    with pytest.raises(ValueError, match="no fins"):
        stack_variants(load_design("wren-13"))
    with pytest.raises(ValueError, match=r"0\.3 mm; expected at least 0\.4 mm"):
        with_chamber(load_design("tern-14"), 0.3e-3)

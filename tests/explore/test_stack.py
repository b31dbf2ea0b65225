"""The stack explorer against the designs, studies and simulations that it shows."""

import numpy as np
import pytest

import thermnet as tn
from thermnet.design.stack_variants import with_chamber, with_pipes, with_thickness
from thermnet.explore import open_session
from thermnet.explore.canvas import Canvas
from thermnet.show.style import LINES


@pytest.fixture(scope="module")
def tern():
    return tn.load_design("tern-14")


def test_variants_are_those_of_the_family(tern):
    session = open_session("stack", pipe_count=3, pipe_diameter_mm=8, chamber_thickness_mm=0.6)
    pipes, chamber = session.picture().variants
    for variant, design in ((pipes, with_pipes(tern, 3, 8e-3)), (chamber, with_chamber(tern, 0.6e-3))):
        run = design.simulate(1000.0, mode="desk", ambient=25.0, duration=600.0)
        np.testing.assert_allclose(variant.run.die[:, 0], run.temperature("cpu.hot_spot"), atol=1e-9)
        study = tn.studies.burst_budget(design, "desk", 25.0)
        np.testing.assert_allclose(variant.curve.power, study.table["power_W"], atol=0.03)
    assert (pipes.label, chamber.label) == ("3 pipes 8 mm", "chamber 0.6 mm")


def test_table_agrees_with_the_comparison(tern):
    """Mass, height and dry-out margin as ``compare`` tells them (its fans run at the cap, those of the mode below)."""
    session = open_session("stack")
    picture = session.picture()
    variants = {"pipes": with_pipes(tern, 2, 6e-3), "chamber": with_chamber(tern, 1e-3)}
    table = tn.studies.compare(variants, "desk", durations=(10.0, 60.0), tilts=(0.0,)).table
    for variant, (_, row) in zip(picture.variants, table.iterrows(), strict=True):
        assert 1e3 * variant.mass == pytest.approx(row["mass_g"])
        assert 1e3 * variant.over_chip == pytest.approx(row["height_mm"])
        at_10 = float(variant.curve.power[list(variant.curve.duration).index(10.0)])
        assert at_10 == pytest.approx(row["power_10_s_W"], abs=0.03)


def test_tilt_brings_pipes_nearer_to_dry_out():
    flat, leaning = (open_session("stack", tilt=tilt).picture().variants for tilt in (0, 45))
    assert leaning[0].margin < flat[0].margin - 1.0
    assert leaning[0].mass == flat[0].mass


def test_dry_out_is_a_caution():
    session = open_session("stack", pipe_count=1, pipe_diameter_mm=4, tilt=60)
    picture = session.picture()
    assert picture.variants[0].margin < 0
    assert any("dries out" in text for text in session.cautions(picture))


def test_what_a_slider_does_not_touch_is_not_worked_out_again(monkeypatch):
    session = open_session("stack")
    session.picture()
    seen = []
    from thermnet.explore import stack_explorer

    original = stack_explorer.HeldPower.of

    def noted(machine, *more):
        seen.append(machine.name.partition(", ")[2])
        return original(machine, *more)

    monkeypatch.setattr(stack_explorer.HeldPower, "of", noted)
    session.set(pipe_count=3)
    session.picture()
    assert set(seen) == {"3 pipes 6 mm"}
    seen.clear()
    session.set(burst_power=60)
    session.picture()
    assert seen == []


def test_known_machines_are_shown_at_once():
    session = open_session("stack")
    session.picture()
    session.set(chamber_thickness_mm=1.1)
    first, *_ = session.pictures()
    assert first.variants[0] is not None
    assert first.variants[1] is None


def test_design_file_holds_the_machine_chosen(tern):
    session = open_session("stack", written="pipes", pipe_count=3)
    assert session.design().parts == with_pipes(tern, 3, 6e-3).parts
    session.set(written="chamber")
    assert "chamber" in session.design().parts
    assert session.design().name == "tern-14-stack"
    assert session.call() in session.design().note


def test_machine_without_fins_compares_its_own_chamber():
    wren = tn.load_design("wren-13")
    session = open_session("stack", "wren-13", chamber_thickness_mm=0.8)
    own, other = session.picture().variants
    assert own.label == "as designed 0.4 mm"
    assert other.mass == pytest.approx(2.0 * own.mass)
    thick = with_thickness(wren, 0.8e-3)
    run = thick.simulate(1000.0, mode="desk", ambient=25.0, duration=600.0)
    np.testing.assert_allclose(other.run.die[:, 0], run.temperature("cpu.hot_spot"), atol=1e-9)
    with pytest.raises(ValueError, match="no vapor chamber"):
        with_thickness(tn.load_design("tern-14"), 1e-3)


def test_what_is_still_being_worked_out_is_grey_and_without_marks():
    session = open_session("stack")
    canvas = Canvas(session.explorer)
    scene = canvas.scene

    def marked():
        return [name for name, marks in scene.marks.items() if marks.get_visible() and len(marks.get_xdata())]

    canvas.show(session.picture())
    own = [line.get_color() for line in scene.lines[scene.curve]]
    both = marked()
    assert own == [scene.c[colour] for colour, _ in LINES[:2]]
    session.set(pipe_count=session.state["pipe_count"] + 1)
    coming = session.pictures()
    first = next(coming)
    canvas.show(first)
    assert not any(variant is not None and variant.curve is not None for variant in first.variants[:1])
    for k, variant in enumerate(first.variants):
        ready = variant is not None and variant.curve is not None
        assert scene.lines[scene.curve][k].get_color() == (own[k] if ready else scene.c["grey"])
        assert scene.levels[k].get_visible() == ready
        strips = {scene.lines[ax][k].get_color() for ax in (scene.power, scene.die, scene.skin)}
        assert strips == {scene.c["grey"] if variant is None else own[k]}
    assert set(marked()) < set(both)
    assert any("being worked out" in words.get_text() for _, words in scene.legend.slots)
    *_, last = coming
    canvas.show(last)
    assert [line.get_color() for line in scene.lines[scene.curve]] == own
    assert all(level.get_visible() for level in scene.levels)
    assert marked() != both

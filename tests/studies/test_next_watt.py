"""The next watt against brute force: the changed machine solved again by another engine and another root finder."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from thermnet import studies
from thermnet.design.load import load_design
from thermnet.design.replace import get, parameters
from thermnet.errors import NetworkError
from thermnet.solve.pack import ticks
from thermnet.studies import stepped_copies
from thermnet.studies.held_power import HeldPower
from thermnet.studies.study import Study

KEYS = (
    "fins.height", "fins.pitch", "interface.bond_line", "ambient", "altitude", "plate.thickness", "pipes.wick_thickness",
    "fan.free_flow", "joints.1.resistance", "gap_below.gap", "bottom.thickness", "cpu.junction_limit", "board.power",
)  # fmt: skip
CAP = 4000.0
"""rpm; on the speed grid, so that a machine solved on the grid can be compared."""
DURATION, POWER = 60.0, 28.0


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14").replace(
        **{"modes.desk.noise_cap": 60.0, "modes.desk.fans.fan.speed_cap": CAP}
    )


@pytest.fixture(scope="module")
def study(tern):
    return studies.next_watt(tern, "desk", duration=DURATION, power=POWER, only=KEYS)


def answers(design):
    """Sustained and burst power in W and all skin temperatures in degC, by bisection on the closed loop's own states."""
    held = HeldPower.of(design, "desk", None)
    fans = [round(CAP / held.plant.machine.fans[0].grid)]
    last = ticks(DURATION, held.plant.period)
    sustained = brentq(lambda p: held.steady_excess(p, fans).max(), 5.0, 120.0, xtol=1e-6)
    burst = brentq(lambda p: held.excess(p, [last])[0].max(), 5.0, 200.0, xtol=1e-6)
    soak = dict(zip(held.plant.nodes, held.soak(POWER, fans).everything, strict=True))
    return sustained, burst, soak


@pytest.mark.slow
def test_agrees_with_solving_the_changed_machine_again_to_one_per_cent(tern, study):
    base = answers(tern)
    step = {key: declared.step for key, declared in parameters(tern, derived=True).items()}
    sides = study.tables["sides"]
    assert set(sides["parameter"]) == set(KEYS)
    zone = next(name for name in study.facts if name.endswith(f"at {POWER:g} W")).partition(" at ")[0]
    compared = 0
    for (key, side), rows in sides.groupby(["parameter", "side"]):
        sign = 1.0 if side == "more" else -1.0
        changed = tern.replace(**{key: get(tern, key) + sign * step[key]})
        now = answers(changed)
        truth = {
            "sustained": now[0] - base[0], "burst": now[1] - base[1], "skin": now[2][zone] - base[2][zone],
        }  # fmt: skip
        for row in rows.itertuples():
            effect = row.effect_K if row.output == "skin" else row.effect_W
            # A burst moves in jumps as small as a fan step that comes one control sample sooner.
            least = 5e-4 if row.output == "burst" else 2e-5
            assert effect == pytest.approx(truth[row.output], rel=0.01, abs=least), (key, side, row.output)
            compared += 1
    assert compared == 3 * 2 * len(KEYS)


def test_ranked_by_what_a_step_gains(study):
    gain = study.table["gain_W"].abs().to_numpy()
    assert np.all(np.diff(gain) <= 1e-12)
    row = study.table.set_index("parameter").loc["fins.height"]
    assert row["move"] == "more"
    assert study.table.set_index("parameter").loc["ambient", "move"] == "less"
    assert Study.from_json(study.to_json()).table.equals(study.table)


def test_copies_are_put_together_in_a_few_calls(tern, monkeypatch):
    """One ensemble for all parts' parameters, not one machine for each step."""
    calls = []
    own = stepped_copies.build_machine
    monkeypatch.setattr(stepped_copies, "build_machine", lambda *a: calls.append(1) or own(*a))
    found = studies.next_watt(tern, "desk", outputs=("sustained", "skin"))
    assert len(found.table) > 60
    assert len(calls) <= 3


def test_one_sample_is_the_changed_machine(tern):
    keys = {key: declared for key, declared in parameters(tern, derived=True).items() if key in KEYS}
    steps = stepped_copies.steps_of(tern, 25.0, keys)
    copies = stepped_copies.Copies(tern, 25.0, steps)
    speeds = {"fan": CAP}
    copies.prepare([speeds] * (len(steps) + 1))
    for sample, step in enumerate(steps, start=1):
        ours, whole = copies.of(sample).assemble(speeds), step.design.machine().assemble(speeds)
        assert ours.nodes == whole.nodes
        for name in ("capacity", "link_conductance", "law_parameters", "stream_rate"):
            # The air's operating point is found by iteration, in the ensemble until the slowest sample has settled.
            np.testing.assert_allclose(getattr(ours, name), getattr(whole, name), rtol=1e-8)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"outputs": ("noise",)}, "expected some of sustained, burst, skin"),
        ({"power": 0.0}, "expected a finite power above 0 W"),
        ({"duration": 0.0}, "expected at least one control sample"),
        ({"ambient": 43.0}, "below every temperature limit"),
    ],
)
def test_impossible_requests_are_refused(tern, given, told):
    with pytest.raises(ValueError, match=told):
        studies.next_watt(tern, "desk", only=("fins.height",), **given)


def test_unknown_parameter_is_refused_with_the_nearest(tern):
    with pytest.raises(NetworkError, match=r"fins\.hight.*fins\.height"):
        studies.next_watt(tern, "desk", only=("fins.hight",))


@pytest.mark.parametrize(("output", "unit"), [("sustained", "W"), ("skin", "K")])
def test_figure_names_its_answer_and_joints_by_what_they_join(tern, output, unit):
    found = studies.next_watt(tern, "desk", outputs=(output,), only=("joints.1", "fins.height"))
    axes = found.plot().axes[0]
    labels = [tick.get_text() for tick in axes.get_yticklabels()]
    assert any(text.startswith("joint plate.bottom to pipes.evaporator") for text in labels)
    assert axes.texts[0].get_text().endswith(f" {unit}")
    assert ("watts" in axes.get_xlabel()) == (unit == "W")
    assert found._repr_html_().startswith("<div>")

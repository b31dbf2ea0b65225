"""The units explorer against the tolerance study, the ensemble and textbook formulas that it shows."""

import dataclasses

import numpy as np
import pytest
from scipy import stats

import thermnet as tn
from thermnet.explore import open_session
from thermnet.explore.canvas import Canvas
from thermnet.explore.panel import Panel
from thermnet.explore.session import Kept
from thermnet.explore.units_line import PIECES, REST, RUN, Line, Question, pieces
from thermnet.explore.units_picture import bin_width, histogram
from thermnet.studies.tolerance_tables import Requirement
from thermnet.tolerance.population import declared_population

SLIDERS = {"tern-14": {"tol_gap_below_gap_mm": 0.2}, "wren-13": {"tol_gap_below_gap_mm": 0.45}}


def number(session, label):
    return {fact.label: fact.number for fact in session.facts(session.picture())}[label]


@pytest.mark.slow
@pytest.mark.parametrize("design", sorted(SLIDERS))
def test_numbers_are_those_of_the_tolerance_study(design):
    session = open_session("units", design, samples=256, others=1.2, ambient=28.0, **SLIDERS[design])
    explorer, power = session.explorer, session.state["power"]
    promised = Requirement("sustained_power_W", lower=power)
    study = tn.studies.tolerance(
        explorer.design, "desk", ambient=28.0, workload=power, steady=True, samples=256, seed=1, population=explorer.population(session.state),
        requirements=[promised],
    )  # fmt: skip
    rows = study.table.set_index("output")
    for output, column in (("bottom.hot_zone", "peak.bottom.hot_zone_degC"), ("power", "sustained_power_W")):
        session.set(output=output)
        picture, row = session.picture(), rows.loc[column]
        assert picture.values.size == 256
        assert picture.nominal == pytest.approx(row["nominal"], rel=1e-9)
        assert picture.mean == pytest.approx(row["mean"], rel=1e-9)
        assert picture.sigma == pytest.approx(row["sd"], rel=1e-6)
        for name in ("ppk", "ppk_low", "ppk_high", "yield_percent", "fail_ppm", "fail_low_ppm", "fail_high_ppm"):
            assert picture.answers[name] == pytest.approx(row[name], rel=1e-6), name
        assert picture.answers["ppk_by"] == row["ppk_by"]
    session.set(output="bottom.hot_zone")
    names = [name for name in rows.index if name.startswith("peak.") and name != "sustained_power_W"]
    assert session.picture().kept_all[0] <= rows.loc[names, "yield_percent"].min() + 1e-9


@pytest.mark.slow
def test_runs_are_those_of_the_ensemble():
    session = open_session("units", "wren-13", asked="run", output="cpu.junction", samples=256, load="render", tol_gap_above_gap_mm=0.2)
    explorer, picture = session.explorer, session.picture()
    drawn = explorer.population(session.state).sample(256, 1)
    many = explorer.design.replace(**drawn).ensemble("render", "desk", duration=60.0)
    np.testing.assert_allclose(picture.values, many.output("peak.cpu.junction_degC"), rtol=1e-9)
    session.set(output="power")
    np.testing.assert_allclose(session.picture().values, many.output("mean_power.cpu_W"), rtol=1e-9)
    one = explorer.design.simulate("render", "desk", duration=60.0)
    assert picture.nominal == pytest.approx(float(one.temperature("cpu.hot_spot").max()), abs=0.02)


def test_units_are_those_of_the_population():
    line = Line(tn.load_design("tern-14"))
    people = line.population({"gap_below.gap": 0.5, "interface.bond_line": 2.0}, {"fins.pitch": 1e-5})
    drawn, own = line.columns(people, 300, Kept()), people.sample(300, 1)
    assert list(drawn) == list(own)
    for key, values in own.items():
        np.testing.assert_array_equal(drawn[key], values)
    plain = declared_population(line.design).sample(300, 1)
    same = line.columns(line.population({}, {}), 300, Kept())
    for key, values in plain.items():
        np.testing.assert_array_equal(same[key], values)
    assert np.std(drawn["gap_below.gap"]) == pytest.approx(0.5 * np.std(plain["gap_below.gap"]), rel=1e-6)
    assert np.mean(drawn["fins.pitch"] - plain["fins.pitch"]) == pytest.approx(1e-5, rel=1e-6)


def test_capability_is_that_of_the_textbooks():
    """Cpk by NIST/SEMATECH 6.1.6, its interval by Bissell 1990, the yield's by Clopper and Pearson through scipy's binomial test."""
    session = open_session("units", samples=512)
    picture = session.picture()
    assert picture.normal
    values, n = picture.values, picture.values.size
    index = (43.0 - np.mean(values)) / (3.0 * np.std(values, ddof=1))
    half = 1.959964 * np.sqrt(1.0 / (9.0 * n) + index**2 / (2.0 * (n - 1)))
    assert picture.answers["ppk"] == pytest.approx(index, rel=1e-12)
    assert picture.answers["ppk_low"] == pytest.approx(index - half, rel=1e-6)
    assert picture.answers["ppk_high"] == pytest.approx(index + half, rel=1e-6)
    good = int(np.sum(values <= 43.0))
    exact = stats.binomtest(good, n).proportion_ci(0.95, "exact")
    assert picture.answers["yield_percent"] == pytest.approx(100.0 * good / n)
    assert picture.answers["fail_low_ppm"] == pytest.approx(1e6 * (1.0 - exact.high), abs=0.1)
    assert picture.answers["fail_high_ppm"] == pytest.approx(1e6 * (1.0 - exact.low), abs=0.1)
    parts, low, high = picture.measured
    assert parts == 30
    assert high - low == pytest.approx(2 * 1.959964 * np.sqrt(1.0 / 270.0 + index**2 / 58.0), rel=1e-6)


def test_trends_of_the_trade():
    session = open_session("units")
    before, sigma = number(session, "Cpk, 95 % interval"), number(session, "sigma")
    moves = [
        ({"tol_gap_below_gap_mm": 0.6}, -1, 1), ({"tol_gap_below_gap_mm": 0.06}, 1, -1), ({"others": 2.0}, -1, 1),
        ({"temperature_limit": 44.0}, 1, 0), ({"power": session.state["power"] - 2}, 1, None), ({"ambient": 27.0}, -1, None),
        # A wider gap below keeps heat from the bottom.
        ({"drift_percent": 50.0}, 1, None), ({"drift_percent": -50.0}, -1, None),
    ]  # fmt: skip
    for change, better, wider in moves:
        session.reset()
        session.set(**change)
        assert np.sign(number(session, "Cpk, 95 % interval") - before) == better, change
        if wider is not None:
            assert np.sign(number(session, "sigma") - sigma) == wider, change
    session.reset()
    session.set(samples=2048)
    wide = session.picture()
    session.set(samples=256)
    few = session.picture()
    assert wide.answers["ppk_high"] - wide.answers["ppk_low"] < few.answers["ppk_high"] - few.answers["ppk_low"]


def test_shares_tell_what_to_tighten():
    """The gap makes most of the spread of the bottom; halving it takes the variance that its share says."""
    session = open_session("units", samples=1024)
    picture = session.picture()
    gap = picture.names.index("Gap below")
    assert gap == 0
    assert 0.5 < picture.shares[gap] < 0.9
    assert picture.shares.sum() == pytest.approx(1.0, abs=0.1)
    session.set(tol_gap_below_gap_mm=0.15)
    halved = session.picture()
    assert (halved.sigma / picture.sigma) ** 2 == pytest.approx(1.0 - 0.75 * picture.shares[gap], abs=0.04)
    assert halved.shares[gap] < picture.shares[gap]
    session.set(output="noise")
    noise = session.picture()
    assert noise.names[int(np.argmax(noise.shares[:-1]))] == "Fan reference noise"


@pytest.mark.parametrize(("design", "asked"), [("tern-14", REST), ("heron-16", REST), ("wren-13", RUN)])
def test_pictures_grow_in_short_pieces(design, asked):
    session = open_session("units", design, asked=asked, samples=256)
    found = list(session.pictures())
    assert found[0].values.size == PIECES[asked][0]
    assert len(found) > 5  # whoever asks may turn away in between
    assert not any(picture.whole for picture in found[:-1])
    assert found[-1].whole
    for picture in {id(picture): picture for picture in found}.values():
        assert picture.counts.sum() == picture.values.size
        # The first units stay what they are: the histogram moves with the slider and not with chance.
        np.testing.assert_allclose(picture.values[: found[0].values.size], found[0].values, rtol=1e-12)
    assert [p.shares is None for p in found] == [True] * (len(found) - 1) + [False]


def test_pieces_cover_all_units_once():
    for asked, sizes in PIECES.items():
        for count in (5, sizes[0], sizes[0] + 1, 256, 2048):
            parts = pieces(count, asked)
            assert [part.start for part in parts] == [0, *(part.stop for part in parts[:-1])]
            assert parts[-1].stop == count
            assert all(part.stop > part.start for part in parts)


def test_a_power_slider_solves_the_same_units_again(monkeypatch):
    """Nothing is put together anew when only the power moves."""
    session = open_session("units", samples=256)
    session.picture()
    monkeypatch.setattr("thermnet.explore.units_line.SteadyUnits", None)
    session.set(power=session.state["power"] - 1.0)
    moved = session.picture().values
    monkeypatch.undo()
    np.testing.assert_array_equal(open_session("units", samples=256, power=session.state["power"]).picture().values, moved)


def test_histogram_holds_every_value_at_calm_places():
    rng = np.random.default_rng(4)
    for values in (rng.normal(41.0, 0.5, 512), np.round(rng.normal(36.0, 0.3, 512), 1), np.full(64, 40.0), rng.normal(0.0, 1e-3, 64)):
        width = bin_width(float(values.std()), 512)
        edges, counts = histogram(values, width)
        assert counts.sum() == values.size
        np.testing.assert_allclose(np.diff(edges), width)
        np.testing.assert_array_equal(np.histogram(values + 1e-9 * width, edges)[0], counts)
    # Scott's rule for 512 normal values of sigma 0.5 asks for 0.218.
    assert bin_width(0.5, 512) == pytest.approx(0.2)


def test_a_baseline_is_drawn_in_the_bins_of_the_picture():
    session = open_session("units", "wren-13", samples=256)
    session.freeze()
    session.set(tol_gap_below_gap_mm=0.09, tol_gap_above_gap_mm=0.09)
    picture, before = session.picture(), session.baseline.picture
    assert picture.width < before.width
    canvas = Canvas(session.explorer)
    canvas.show(picture, session.baseline)
    x, y = canvas.scene.past.get_data()
    area = np.sum(0.5 * (y[1:] + y[:-1]) * np.diff(x))
    assert area == pytest.approx(100.0 * picture.width)
    assert y.max() < 100.0 * picture.counts.max() / picture.values.size


def test_a_shape_that_is_not_normal_is_told():
    """Fans step: the noise of units at rest stands at a few values."""
    session = open_session("units", output="noise")
    picture = session.picture()
    assert not picture.normal
    assert picture.answers["ppk_by"] == "percentiles"
    assert any("not normally spread" in text for text in session.cautions(picture))
    session.set(output="bottom.hot_zone", power=30.0)
    safe = session.picture()
    assert safe.normal
    assert any("carried on beyond the last unit" in text for text in session.cautions(safe))
    assert "no" in session.cautions(safe)[-1]
    assert "capability study on real parts" in session.cautions(safe)[-1]


def test_an_interval_that_settles_nothing_is_told():
    session = open_session("units", samples=256)
    for limit in np.arange(43.0, 45.1, 0.5):
        session.set(temperature_limit=limit)
        picture = session.picture()
        told = any("do not settle" in text for text in session.cautions(picture))
        assert told == (picture.answers["ppk_low"] < 4 / 3 < picture.answers["ppk_high"])
    assert any("do not settle" in text for text in session.cautions(open_session("units", temperature_limit=43.5, samples=256).picture()))


def test_a_unit_too_hot_to_touch_is_told():
    session = open_session("units", power=40.0)
    picture = session.picture()
    assert picture.values.max() > 43.0
    assert any("too hot to be touched" in text for text in session.cautions(picture))
    session.set(output="cpu.junction")
    assert not any("touched" in text for text in session.cautions(session.picture())[:-1])


def test_what_is_looked_at_brings_its_limit_and_wakes_its_controls():
    session = open_session("units")
    explorer = session.explorer
    assert {"load", "minutes", "noise_limit"} == explorer.asleep(session.state)
    session.set(output="cpu.junction")
    assert session.state["temperature_limit"] == 95.0
    session.set(output="power")
    assert {"temperature_limit", "noise_limit"} <= explorer.asleep(session.state)
    picture = session.picture()
    assert picture.unit == "W"
    assert picture.need.lower == session.state["power"]
    session.set(mode="library")
    assert session.state["power"] < picture.need.lower
    session.set(asked="run", output="noise")
    assert {"power", "temperature_limit"} == explorer.asleep(session.state)
    assert "noise_limit" not in open_session("units", "wren-13").controls  # no fan, no noise


def test_design_file_holds_room_and_moved_mean():
    session = open_session("units", ambient=30.0, drift_percent=-50.0)
    made = session.design()
    assert made.ambient == 30.0
    assert made.parts["gap_below"].gap == pytest.approx(1.2e-3 - 0.5 * 0.3e-3)
    assert session.call() in made.note


def test_a_design_without_tolerances_is_refused(monkeypatch):
    empty = dataclasses.replace(declared_population(tn.load_design("wren-13")), distributions={})
    monkeypatch.setattr("thermnet.explore.units_line.declared_population", lambda design: empty)
    with pytest.raises(ValueError, match="wren-13 declares no tolerances"):
        open_session("units", "wren-13")


def test_line_answers_the_same_however_often_it_is_asked():
    line, kept = Line(tn.load_design("wren-13")), Kept()
    asked = Question(REST, "desk", 25.0, 9.0)
    *_, first = line.answers(line.population({}, {}), asked, 256, kept)
    again = list(line.answers(line.population({}, {}), asked, 256, kept))
    assert again == [first]
    *_, fresh = line.answers(line.population({}, {}), asked, 256, Kept())
    for name, values in first.values.items():
        np.testing.assert_array_equal(values, fresh.values[name])


def test_old_shares_stay_in_grey_while_units_are_on_their_way():
    session = open_session("units", samples=256)
    canvas = Canvas(session.explorer)
    canvas.show(session.picture())
    assert canvas.scene.share_bars.get_visible()
    session.set(tol_gap_below_gap_mm=0.15)
    canvas.show(next(session.pictures()))
    assert not canvas.scene.share_bars.get_visible()
    assert canvas.scene.share_stale.get_visible()
    canvas.show(session.picture())
    assert not canvas.scene.share_stale.get_visible()


def test_a_slider_is_not_pulled_back_by_rounding():
    """Browsers send 41.50000000000001 for 41.5; a value sent back would undo the next key of a quick hand."""
    panel = Panel(open_session("units", samples=256))
    slider, sent = panel.inputs["power"], []
    slider.observe(lambda change: sent.append(change["new"]), "value")
    slider.value = 41.50000000000001
    assert panel.session.state["power"] == 41.5
    assert sent == [41.50000000000001]
    assert panel.twins["power"].value == 41.5


def test_a_panel_without_a_kernel_shows_all_units_however_many_pieces():
    panel = Panel(open_session("units", "wren-13", asked="run", samples=512))
    assert "<dd>512</dd>" in panel.picture.value


def test_a_picture_grows_on_the_screen(monkeypatch):
    """What has come to a picture is shown now and then, the whole at the end, and a newer move ends it."""

    class Loop:
        waiting: list = []

        def call_later(self, _, act, *arguments):
            self.waiting.append((act, arguments))

    loop = Loop()
    monkeypatch.setattr("thermnet.explore.panel._kernel_loop", lambda: loop)
    monkeypatch.setattr("thermnet.explore.panel.GROWS_EVERY", 0.0)
    panel = Panel(open_session("units", "wren-13", samples=2048))
    seen = []
    draw = panel._draw
    monkeypatch.setattr(panel, "_draw", lambda picture: (seen.append(picture.values.size), draw(picture)))

    def run_down(most):
        for _ in range(most):
            if not loop.waiting:
                return
            act, arguments = loop.waiting.pop(0)
            act(*arguments)

    run_down(10_000)
    assert seen == [512, 1024, 1536, 2048]
    seen.clear()
    panel.inputs["tol_gap_below_gap_mm"].value = 0.15
    run_down(3)
    panel.inputs["tol_gap_below_gap_mm"].value = 0.2
    run_down(10_000)
    assert seen == [64, 64, 512, 1024, 1536, 2048]
    assert panel.session.state["tol_gap_below_gap_mm"] == 0.2

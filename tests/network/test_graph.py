"""The graph: names, values and every error that a malformed network must give."""

from __future__ import annotations

import numpy as np
import pytest

import thermnet as tn
from thermnet.errors import NetworkError
from thermnet.network import Leakage, SurfaceExchange, ThermalNetwork
from thermnet.network.compiled import compile_network


def two_nodes():
    net = ThermalNetwork()
    net.add_node("die", capacity=1.2)
    net.add_node("sink", capacity=80.0)
    net.add_boundary("ambient", 25.0)
    net.add_link("die", "sink", resistance=0.4)
    net.add_link("sink", "ambient", conductance=0.8)
    return net


# -- what is built -----------------------------------------------------------------------------------------


def test_graph_is_a_networkx_graph_with_the_values_given():
    import networkx as nx

    net = two_nodes()
    net.add_node("plain", capacity=3.0, part="cooler")
    assert isinstance(net.graph, nx.MultiDiGraph)
    assert net.nodes == ["die", "sink", "plain"]
    assert net.boundaries == ["ambient"]
    assert net.graph.nodes["plain"]["part"] == "cooler"
    assert net.graph.edges["die", "sink", "die->sink"]["conductance"] == pytest.approx(2.5)
    assert net.graph.edges["sink", "ambient", "sink->ambient"]["conductance"] == 0.8


def test_links_have_names_of_their_own():
    net = two_nodes()
    assert net.add_link("die", "sink", resistance=1.0) == "die->sink (2)"
    assert net.add_link("die", "sink", resistance=1.0) == "die->sink (3)"
    assert net.add_link("die", "ambient", resistance=1.0, name="past the sink") == "past the sink"
    assert net.add_stream("ambient", "sink", capacity_rate=0.5, name="draught") == "draught"
    names, _ = net.transient({"die": 1.0}, 1.0).link_heat
    assert set(names) == {
        "die->sink", "die->sink (2)", "die->sink (3)", "sink->ambient", "past the sink", "draught",
    }  # fmt: skip


def test_massless_node_and_resistance_are_the_defaults_promised():
    net = ThermalNetwork()
    net.add_node("air")
    net.add_boundary("ambient", 20.0)
    net.add_link("air", "ambient", resistance=2.0)
    assert compile_network(net).capacity[0] == 0.0
    assert net.steady({"air": 5.0})["air"] == pytest.approx(30.0, abs=1e-9)


def test_parallel_links_add_up():
    net = two_nodes()
    net.add_link("sink", "ambient", conductance=1.2)
    assert net.steady({"sink": 10.0})["sink"] == pytest.approx(25.0 + 10.0 / 2.0, abs=1e-9)


def test_repr_says_what_is_in_it():
    assert repr(two_nodes()) == "<ThermalNetwork: 2 nodes, 1 boundaries, 2 links, 0 streams>"
    assert "0 nodes" in repr(ThermalNetwork())


# -- names -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["", None, 3, ("die",)])
def test_name_must_be_a_text(name):
    with pytest.raises(NetworkError, match="not a name; expected a non-empty text"):
        ThermalNetwork().add_node(name)


@pytest.mark.parametrize("add", [lambda n: n.add_node("die"), lambda n: n.add_boundary("die", 3.0)])
def test_duplicate_name_is_refused(add):
    with pytest.raises(NetworkError, match="'die' is already taken"):
        add(two_nodes())


def test_duplicate_link_name_is_refused():
    net = two_nodes()
    net.add_link("die", "ambient", resistance=3.0, name="bypass")
    with pytest.raises(NetworkError, match="link name 'bypass' is already taken"):
        net.add_link("die", "sink", resistance=3.0, name="bypass")


@pytest.mark.parametrize(
    "use",
    [
        lambda n: n.add_link("dye", "sink", resistance=1.0),
        lambda n: n.add_link("sink", "dye", law=SurfaceExchange(floor=1.0)),
        lambda n: n.add_stream("ambient", "dye", capacity_rate=1.0),
        lambda n: n.add_leakage("dye", Leakage(power=1.0)),
        lambda n: n.steady({"dye": 1.0}),
        lambda n: n.steady({}, guess={"dye": 40.0}),
        lambda n: n.transient({"dye": 1.0}, 1.0),
        lambda n: n.transient({}, 1.0, initial={"dye": 1.0, "die": 1.0, "sink": 1.0}),
        lambda n: n.transient({}, 1.0).temperature("dye"),
        lambda n: n.transient({}, 1.0).time_to("dye", 30.0),
    ],
)
def test_unknown_name_gets_the_nearest_one(use):
    with pytest.raises((NetworkError, KeyError), match=r"'dye'; did you mean 'die'\?"):
        use(two_nodes())


def test_name_far_from_any_gets_a_list():
    with pytest.raises(NetworkError, match="known: 'die', 'sink', 'ambient'"):
        two_nodes().add_link("xyzzy", "die", resistance=1.0)


# -- values ------------------------------------------------------------------------------------------------

NOT_NUMBERS = [float("nan"), float("inf"), -1.0, "much", None, [1.0, float("nan")], 1j]


@pytest.mark.parametrize("value", NOT_NUMBERS)
def test_capacity_must_be_a_number_of_0_or_more(value):
    with pytest.raises(
        NetworkError, match=r"node 'x': capacity .* J/K; expected a finite value of 0 or more"
    ):
        ThermalNetwork().add_node("x", capacity=value)


@pytest.mark.parametrize("value", [v for v in NOT_NUMBERS if v is not None] + [0.0, 1e-320])
def test_resistance_must_be_above_0(value):
    with pytest.raises(
        NetworkError, match=r"link 'die'->'sink': resistance .* K/W; expected a finite value above 0"
    ):
        two_nodes().add_link("die", "sink", resistance=value)


@pytest.mark.parametrize("value", [v for v in NOT_NUMBERS if v is not None])
def test_conductance_must_be_a_number_of_0_or_more(value):
    with pytest.raises(
        NetworkError, match=r"link 'die'->'sink': conductance .* W/K; expected a finite value of 0"
    ):
        two_nodes().add_link("die", "sink", conductance=value)


@pytest.mark.parametrize("value", NOT_NUMBERS)
def test_capacity_rate_must_be_a_number_of_0_or_more(value):
    with pytest.raises(NetworkError, match=r"stream 'ambient'->'sink': capacity_rate .* W/K; expected"):
        two_nodes().add_stream("ambient", "sink", capacity_rate=value)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), "warm", None, -300.0])
def test_boundary_must_be_a_temperature(value):
    with pytest.raises(NetworkError, match=r"boundary 'room': temperature .* degC; expected a finite value"):
        ThermalNetwork().add_boundary("room", value)


def test_a_value_that_is_refused_leaves_no_trace():
    net = two_nodes()
    with pytest.raises(NetworkError):
        net.add_node("new", capacity=-1.0)
    with pytest.raises(NetworkError):
        net.add_link("die", "sink", resistance=-1.0, name="new link")
    net.add_node("new", capacity=1.0)
    net.add_link("die", "new", resistance=1.0, name="new link")
    assert net.steady({"die": 1.0})["new"] == pytest.approx(net.steady({"die": 1.0})["die"])


@pytest.mark.parametrize(
    ("given", "listed"),
    [
        ({}, "none"),
        ({"resistance": 1.0, "conductance": 1.0}, "resistance, conductance"),
        ({"resistance": 1.0, "law": SurfaceExchange()}, "resistance, law"),
        ({"resistance": 1.0, "conductance": 1.0, "law": SurfaceExchange()}, "resistance, conductance, law"),
    ],
)
def test_link_takes_exactly_one_of_its_three_values(given, listed):
    with pytest.raises(
        NetworkError, match=rf"exactly one of resistance, conductance, law \(given: {listed}\)"
    ):
        two_nodes().add_link("die", "sink", **given)


def test_link_and_stream_to_itself_are_refused():
    with pytest.raises(NetworkError, match="joins a node to itself"):
        two_nodes().add_link("die", "die", resistance=1.0)
    with pytest.raises(NetworkError, match="flows into itself"):
        two_nodes().add_stream("die", "die", capacity_rate=1.0)


@pytest.mark.parametrize("law", [3.0, "radiation", SurfaceExchange, lambda hot, cold: 1.0])
def test_law_must_have_a_conductance(law):
    with pytest.raises(NetworkError, match=r"expected an object with a conductance\(hot, cold\) method"):
        two_nodes().add_link("die", "sink", law=law)


def test_leakage_needs_a_node_and_a_leakage():
    with pytest.raises(NetworkError, match="a boundary cannot produce heat"):
        two_nodes().add_leakage("ambient", Leakage(power=1.0))
    with pytest.raises(NetworkError, match=r"expected a Leakage\(power, reference, slope\)"):
        two_nodes().add_leakage("die", 3.0)


# -- the network as a whole --------------------------------------------------------------------------------


def test_no_nodes_at_all():
    net = ThermalNetwork()
    with pytest.raises(NetworkError, match="the network has no nodes"):
        net.steady()
    net.add_boundary("ambient", 25.0)
    with pytest.raises(NetworkError, match="the network has no nodes"):
        net.transient({}, 1.0)


def test_floating_nodes_are_named():
    net = two_nodes()
    net.add_node("lost", capacity=1.0)
    net.add_node("lost too")
    net.add_link("lost", "lost too", resistance=1.0)
    with pytest.raises(NetworkError, match="floating: no heat path to any boundary from 'lost', 'lost too'"):
        net.steady({"die": 1.0})


def test_link_of_no_conductance_does_not_hold_a_node():
    net = two_nodes()
    net.add_node("lost", capacity=1.0)
    net.add_link("lost", "sink", conductance=0.0)
    with pytest.raises(NetworkError, match=r"floating.*'lost'"):
        net.transient({}, 1.0)


def test_node_floating_in_one_sample_only_is_named():
    net = two_nodes()
    net.add_node("fringe", capacity=1.0)
    net.add_link("fringe", "sink", conductance=np.array([1.0, 0.0, 2.0]))
    with pytest.raises(NetworkError, match=r"floating.*'fringe'"):
        compile_network(net)


def test_network_without_boundaries_floats():
    net = ThermalNetwork()
    net.add_node("a", capacity=1.0)
    net.add_node("b", capacity=1.0)
    net.add_link("a", "b", resistance=1.0)
    with pytest.raises(NetworkError, match=r"floating.*'a', 'b'"):
        net.steady()


@pytest.mark.parametrize(
    ("streams", "node"),
    [
        ([("ambient", "inlet", 1.0), ("inlet", "outlet", 0.9)], "inlet"),  # some of it vanishes
        ([("ambient", "inlet", 1.0), ("inlet", "outlet", 1.1)], "inlet"),  # some of it comes from nowhere
        ([("inlet", "outlet", 1.0)], "inlet"),  # all of it comes from nowhere
        ([("ambient", "inlet", 1.0), ("inlet", "outlet", 1.0), ("outlet", "ambient", 0.8)], "outlet"),
    ],
)
def test_stream_that_does_not_conserve_is_named(streams, node):
    net = ThermalNetwork()
    net.add_boundary("ambient", 25.0)
    for name in ("inlet", "outlet"):
        net.add_node(name)
        net.add_link(name, "ambient", resistance=10.0)
    for a, b, rate in streams:
        net.add_stream(a, b, capacity_rate=rate)
    with pytest.raises(
        NetworkError, match=rf"streams do not conserve at '{node}': .* W/K flow in, .* W/K flow out"
    ):
        net.steady()


def test_all_problems_are_listed_at_once():
    net = two_nodes()
    net.add_node("lost", capacity=1.0)
    net.add_stream("sink", "die", capacity_rate=1.0)
    with pytest.raises(NetworkError) as caught:
        net.steady()
    assert "floating" in str(caught.value)
    assert "streams do not conserve at 'sink'" in str(caught.value)


def test_errors_are_errors_of_this_package():
    with pytest.raises(tn.ThermnetError):
        two_nodes().add_node("die")
    with pytest.raises(ValueError, match="already taken"):
        two_nodes().add_node("die")


# -- what callers may hand over ----------------------------------------------------------------------------


@pytest.mark.parametrize("power", [[1.0, 2.0], 5.0, "die"])
def test_power_must_be_a_mapping(power):
    with pytest.raises(NetworkError, match="expected a mapping of node name to W"):
        two_nodes().steady(power)
    with pytest.raises(NetworkError, match="expected a mapping of node name to W"):
        two_nodes().transient(power, 1.0)


@pytest.mark.parametrize(
    "watts", [float("nan"), float("inf"), "5 W", None, lambda t: float("nan"), lambda t: "x"]
)
def test_power_must_be_finite(watts):
    with pytest.raises(NetworkError, match=r"power at 'die' is .*; expected a finite number of W"):
        two_nodes().steady({"die": watts})
    with pytest.raises(NetworkError, match=r"power at 'die' is .*; expected a finite number of W"):
        two_nodes().transient({"die": watts}, 1.0)


@pytest.mark.parametrize(
    "pair",
    [
        ([0.0, 1.0], [1.0]), ([0.0, 0.0], [1.0, 2.0]), ([1.0, 0.0], [1.0, 2.0]), ([], []), ([0.0], [float("nan")]),
        ([float("inf")], [1.0]), ([0.0, 1.0], ["a", "b"]), (1.0, 2.0), [1.0, 2.0, 3.0], ([[0.0]], [[1.0]]),
    ],
)  # fmt: skip
def test_pair_of_times_and_watts_must_fit(pair):
    with pytest.raises(NetworkError, match="power at 'die': "):
        two_nodes().transient({"die": pair}, 1.0)


def test_array_is_not_a_power():
    with pytest.raises(NetworkError, match="power at 'die' is an array"):
        two_nodes().transient({"die": np.ones(3)}, 1.0)


def test_steady_takes_no_steps():
    with pytest.raises(NetworkError, match=r"'die' steps in time; steady\(\) takes a number of W"):
        two_nodes().steady({"die": ([0.0, 1.0], [1.0, 2.0])})


def test_boundary_takes_no_power():
    with pytest.raises(NetworkError, match="power at 'ambient': a boundary takes no power"):
        two_nodes().steady({"ambient": 1.0})


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ({"duration": None}, "give a duration in s, or the times to report"),
        ({"duration": 0.0}, "duration 0.0 s; expected a finite number above 0"),
        ({"duration": -1.0}, "duration -1.0 s; expected"),
        ({"duration": float("nan")}, "duration nan s; expected"),
        ({"duration": float("inf")}, "duration inf s; expected"),
        ({"duration": "5 s"}, "duration '5 s' s; expected"),
        ({"duration": 1.0, "tolerance": 0.0}, "tolerance 0.0 K; expected"),
        ({"duration": 1.0, "tolerance": float("nan")}, "tolerance nan K; expected"),
        ({"duration": 1.0, "times": []}, "expected finite numbers of 0 s or more"),
        ({"duration": 1.0, "times": [-0.1, 0.5]}, "expected finite numbers of 0 s or more"),
        ({"duration": 1.0, "times": [float("nan")]}, "expected finite numbers of 0 s or more"),
        ({"duration": 1.0, "times": ["a"]}, "expected finite numbers of 0 s or more"),
        ({"duration": 1.0, "times": [0.5, 2.0]}, "times: 2 s lies after the duration of 1 s"),
        ({"duration": 1.0, "initial": float("nan")}, "initial nan; expected a finite number of degC"),
        ({"duration": 1.0, "initial": -300.0}, "initial -300.0; expected"),
        ({"duration": 1.0, "initial": "warm"}, "initial 'warm'; expected"),
        ({"duration": 1.0, "initial": None}, "initial None; expected"),
        (
            {"duration": 1.0, "initial": {"die": float("nan"), "sink": 1.0}},
            "initial at 'die' is nan; expected",
        ),
        ({"duration": 1.0, "initial": {"die": 30.0}}, "initial: no temperature for 'sink'"),
    ],
)
def test_impossible_transients_say_what_was_expected(arguments, text):
    with pytest.raises(ValueError, match=text):
        two_nodes().transient({"die": 1.0}, **arguments)


@pytest.mark.parametrize("value", [float("nan"), "warm"])
def test_boundary_of_time_must_give_numbers(value):
    net = two_nodes()
    net.add_boundary("other", lambda t: value)
    net.add_link("die", "other", resistance=1.0)
    with pytest.raises(
        NetworkError, match=r"boundary 'other' gives .* at 0 s; expected a finite number of degC"
    ):
        net.steady()
    with pytest.raises(NetworkError, match="boundary 'other' gives"):
        net.transient({}, 1.0)


def test_samples_cannot_be_solved_one_by_one():
    net = two_nodes()
    net.add_link("die", "ambient", conductance=np.array([0.1, 0.2]))
    for solve in (lambda: net.steady({}), lambda: net.transient({}, 1.0)):
        with pytest.raises(NetworkError, match=r"solves one machine; this network holds \(2,\) of them"):
            solve()


def test_names_of_parts_without_capacity_may_be_left_out_of_the_start():
    net = two_nodes()
    net.add_node("air")
    net.add_link("air", "sink", resistance=1.0)
    net.add_link("air", "ambient", resistance=1.0)
    run = net.transient({}, 1.0, initial={"die": 60.0, "sink": 40.0})
    assert run.temperature("air")[0] == pytest.approx(32.5, abs=1e-9)


def test_steady_series_is_a_start():
    net = two_nodes()
    run = net.transient({"die": 8.0}, 100.0, initial=net.steady({"die": 8.0}))
    assert np.ptp(run.temperatures, axis=0).max() < 1e-9

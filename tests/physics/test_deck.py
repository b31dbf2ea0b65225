"""Spreading along a thin deck."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.physics import deck


def test_layers_add_up():
    assert deck.sheet_conductance((160.0, 0.8e-3), (1500.0, 50e-6)) == pytest.approx(0.203)


@settings(deadline=None, max_examples=60)
@given(
    share_length=st.floats(0.05, 0.9), share_width=st.floats(0.05, 0.9),
    x=st.floats(-1, 1), y=st.floats(-1, 1), aspect=st.floats(0.4, 2.5),
)  # fmt: skip
def test_zone_is_the_same_seen_along_either_side(share_length, share_width, x, y, aspect):
    a, b = 0.3, 0.3 * aspect
    one = deck.zone_in_deck(a, b, share_length * a, share_width * b, 0.1, x, y)
    other = deck.zone_in_deck(b, a, share_width * b, share_length * a, 0.1, y, x)
    assert one > 0
    assert one == pytest.approx(other, rel=1e-5)
    assert one == pytest.approx(
        deck.zone_in_deck(a, b, share_length * a, share_width * b, 0.1, -x, -y), rel=1e-9
    )


def test_zone_at_edge_and_corner_is_that_of_the_mirrored_deck():
    edge = deck.zone_in_deck(0.3, 0.2, 0.08, 0.05, 0.1, 0.0, 1.0)
    mirrored = deck.zone_in_deck(0.3, 0.4, 0.08, 0.10, 0.1)
    assert edge == pytest.approx(2.0 * mirrored, rel=1e-6)
    corner = deck.zone_in_deck(0.3, 0.2, 0.08, 0.05, 0.1, 1.0, -1.0)
    assert corner == pytest.approx(4.0 * deck.zone_in_deck(0.6, 0.4, 0.16, 0.10, 0.1), rel=1e-6)


def test_square_zone_is_close_to_the_disc_of_equal_area():
    square = deck.zone_in_deck(0.3, 0.3, 0.09, 0.09, 0.1)
    disc = deck.disc_in_deck(0.09 / np.sqrt(np.pi), 0.3 / np.sqrt(np.pi), 0.1)
    assert square == pytest.approx(disc, rel=0.02)


def test_strip_across_the_whole_deck_is_one_dimensional():
    # Strip of width d at the end of a bar of width b: d/3 + (b - d)/3 over the cross section.
    strip = deck.zone_in_deck(0.3, 0.2, 0.3, 0.05, 0.1, 0.0, 1.0)
    assert strip == pytest.approx((0.05 / 3 + 0.15 / 3) / (0.1 * 0.3), rel=1e-9)


def test_moving_to_the_edge_costs_spreading_without_jumps():
    offset = np.linspace(0, 1, 2000)
    resistance = deck.zone_in_deck(0.312, 0.22, 0.092, 0.065, 0.136, 0.0, offset)
    steps = np.diff(resistance)
    assert np.all(steps > 0)
    assert steps.max() < 2e-3


def test_arrays_equal_a_loop_of_scalars():
    lengths, sheets = np.array([0.05, 0.1, 0.15]), np.array([0.05, 0.1, 0.2])
    whole = deck.zone_in_deck(0.3, 0.2, lengths, 0.05, sheets, 0.2, 0.9)
    single = [deck.zone_in_deck(0.3, 0.2, c, 0.05, s, 0.2, 0.9) for c, s in zip(lengths, sheets, strict=True)]
    assert whole == pytest.approx(single, rel=1e-12)


@pytest.mark.parametrize("bad", [(0.3, 0.2, 0.3, 0.2), (0.3, 0.2, 0.4, 0.1), (0.3, 0.2, 0.0, 0.1)])
def test_zone_must_be_smaller_than_the_deck(bad):
    with pytest.raises(ValueError, match="smaller than the deck"):
        deck.zone_in_deck(*bad, 0.1)
    with pytest.raises(ValueError, match="-1 to 1"):
        deck.zone_in_deck(0.3, 0.2, 0.1, 0.1, 0.1, 1.5)


@settings(deadline=None, max_examples=60)
@given(scale=st.floats(0.1, 0.9), rings=st.integers(1, 6))
def test_rings_keep_the_mean(scale, rings):
    resistances, shares = deck.ring_resistances(scale, rings, 2.0)
    assert shares.sum() == pytest.approx(1.0)
    # 1 W in, leaving each ring by its share of the area.
    flow = 1.0 - np.concatenate([[0.0], np.cumsum(shares)[:-1]])
    drop = np.cumsum(resistances * flow)
    assert np.sum(shares * drop) == pytest.approx(2.0)


def test_one_ring_is_the_plain_resistance():
    resistances, shares = deck.ring_resistances(0.3, 1, np.array([2.0, 5.0]))
    assert resistances[0] == pytest.approx([2.0, 5.0])
    assert shares[0].tolist() == [1.0, 1.0]
    with pytest.raises(ValueError, match="1 or more"):
        deck.ring_resistances(0.3, 0, 2.0)
    with pytest.raises(ValueError, match="between 0 and 1"):
        deck.ring_resistances(1.0, 2, 2.0)

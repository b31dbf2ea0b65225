import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.show.thin import share, spans, thin


def test_short_curves_are_left_alone():
    t, v = thin([0.0, 1.0, 2.0], [1.0, 5.0, 2.0])
    assert list(t) == [0.0, 1.0, 2.0]
    assert list(v) == [1.0, 5.0, 2.0]


def test_steps_stay_steps_and_one_sample_peaks_stay():
    t = np.arange(50_000) * 0.1
    v = np.where(t < 1000.0, 64.0, 28.0)
    v[30_000] = 99.0
    tt, vv = thin(t, v)
    assert tt.size < 20
    assert vv.max() == 99.0
    np.testing.assert_array_equal(np.interp(t, tt, vv), v)


def test_noise_falls_back_to_extremes():
    rng = np.random.default_rng(1)
    t, v = np.arange(100_000.0), rng.normal(size=100_000)
    tt, vv = thin(t, v, points=800)
    assert tt.size <= 900
    assert (vv.min(), vv.max()) == (v.min(), v.max())
    assert (tt[0], tt[-1]) == (t[0], t[-1])


@given(st.integers(1601, 6000), st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_smooth_curves_keep_their_shape(count, seed):
    rng = np.random.default_rng(seed)
    t = np.linspace(0.0, 10.0, count)
    v = sum(rng.normal() * np.exp(-t / tau) for tau in (0.3, 2.0, 9.0))
    tt, vv = thin(t, v)
    assert np.all(np.diff(tt) > 0)
    assert np.max(np.abs(np.interp(t, tt, vv) - v)) <= (v.max() - v.min()) / 200


def test_nan_parts_stay_apart():
    t = np.arange(10_000.0)
    v = np.where(t < 3000, np.nan, 30.0)
    _, vv = thin(t, v)
    assert np.isnan(vv[0])
    assert vv[-1] == 30.0
    assert np.all(np.isnan(thin(t, np.full(10_000, np.nan))[1]))


def test_spans_hold_until_the_next_sample():
    t = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    codes = np.array([1, 1, 2, 1, 2, 2])
    assert spans(t, codes, 1) == [(0.0, 2.0), (3.0, 1.0)]
    assert spans(t, codes, 2) == [(2.0, 1.0), (4.0, 1.0)]
    assert spans(t, codes, 3) == []
    assert sum(share(t, codes, k) for k in (1, 2)) == pytest.approx(1.0)
    assert share(t, codes, 1) == pytest.approx(0.6)


def test_short_spans_are_widened_and_near_ones_joined():
    t = np.arange(0.0, 10.0, 0.1)
    codes = np.zeros(t.size, dtype=int)
    codes[[20, 22, 60]] = 1
    found = spans(t, codes, 1, shortest=0.5)
    assert len(found) == 2
    assert all(length >= 0.5 for _, length in found)

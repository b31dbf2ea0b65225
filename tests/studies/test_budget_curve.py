"""Budgets of many durations at once: the same answers as one by one, with far fewer runs."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.studies.budget_curve import budget_curve
from thermnet.studies.held_power import HIGHEST_POWER, HeldPower, highest_power


@pytest.mark.parametrize(("name", "mode", "start"), [("tern-14", "workshop", "idle"), ("wren-13", "desk", 6.0), ("heron-16", "desk", "cold")])
def test_same_as_one_duration_at_a_time(name, mode, start):
    held = HeldPower.of(load_design(name), mode, None, start)
    samples = [20, 100, 300, 1200, 4000]
    power, limits = budget_curve(held.excess, samples, 40.0)
    plain = [highest_power(lambda p, last=last: held.excess(p, [last])[0], 40.0) for last in samples]
    np.testing.assert_allclose(power, [p for p, _ in plain], atol=0.01)
    assert limits.tolist() == [q for _, q in plain]
    assert np.all(np.diff(power) < 0)


def model(power, samples):
    """Two limits: one with a kink in power that fades with duration, one that only long durations meet."""
    t = np.asarray(samples, dtype=float)
    first = power - 30.0 - 200.0 / t + np.where(power > 33.0, 4.0 * (power - 33.0), 0.0)
    second = 0.5 * (power - 28.0 - 5000.0 / t)
    return np.stack([first, second], axis=1)


def test_answers_and_limits_of_a_known_function():
    samples = [10, 100, 1000, 100000]
    power, limits = budget_curve(model, samples, 25.0)
    # First limit: p - 30 + 4 (p - 33) = 20 at 10 samples, so p = 36.4; then 32, then 30.2; the second rules at the end.
    np.testing.assert_allclose(power, [36.4, 32.0, 30.2, 28.05], atol=0.005)
    assert limits.tolist() == [0, 0, 0, 1]


@pytest.mark.parametrize("guess", [0.5, 5.0, 29.0, 400.0, 5000.0])
def test_guess_does_not_matter(guess):
    power, _ = budget_curve(model, [50, 5000], guess)
    np.testing.assert_allclose(power, [33.2, 29.0], atol=0.005)


def test_order_and_repeats_of_durations_are_kept():
    power, _ = budget_curve(model, [1000, 10, 1000], 25.0)
    assert power[0] == power[2] < power[1]


def test_a_jump_in_the_excess_is_closed_in_on():
    def jump(power, samples):
        return np.full((len(samples), 1), -1.0 if power < 17.3 else 8.0)

    power, _ = budget_curve(jump, [5, 50], 30.0)
    np.testing.assert_allclose(power, 17.3, atol=0.005)


def test_what_cannot_be_kept_or_exceeded_is_said():
    def never(power, samples):
        return np.full((len(samples), 1), -1.0)

    def always(power, samples):
        return np.full((len(samples), 1), 1.0)

    assert budget_curve(never, [5, 50], 30.0)[0].tolist() == [HIGHEST_POWER] * 2
    assert budget_curve(never, [5, 50], 30.0)[1].tolist() == [-1, -1]
    assert budget_curve(always, [5, 50], 30.0)[0].tolist() == [0.0, 0.0]
    assert budget_curve(always, [5, 50], 30.0)[1].tolist() == [0, 0]


def test_few_runs_for_many_durations():
    held = HeldPower.of(load_design("tern-14"), "desk", None)
    samples = np.round(np.geomspace(10, 18000, 30)).astype(int).tolist()
    work = []

    def counted(power, asked):
        work.append(max(asked))
        return held.excess(power, asked)

    budget_curve(counted, samples, 41.0)
    # One by one it takes about seven runs for each duration.
    assert sum(work) < 4.0 * sum(samples)

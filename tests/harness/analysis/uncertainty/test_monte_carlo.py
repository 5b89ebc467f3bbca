"""Monte Carlo: agreement with what is known exactly, and what any interval must satisfy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.analysis.uncertainty.budget import Contribution, combine
from harness.analysis.uncertainty.monte_carlo import (
    BLOCK,
    MOST_BLOCKS,
    VALUES_HELD,
    centred_half_width,
    propagate,
    shortest_interval,
)

SHAPES = ["normal", "rectangular", "triangular", "U-shaped"]


def line(u, distribution="normal", dof=np.inf, estimate="", parts=None):
    values = np.atleast_1d(np.asarray(u, float))
    return Contribution(f"{u}", "B", distribution, values, dof, "test", estimate, parts_db=parts)


@settings(max_examples=12)
@given(us=st.lists(st.floats(1e-4, 1.0), min_size=1, max_size=5))
def test_normal_budgets_come_out_as_by_the_gum(us):
    """A sum of normal quantities is normal (JCGM 101:2008, 5.10): both methods agree within the
    numerical tolerance of two digits."""
    lines = [line(u) for u in us]
    gum, found = combine(lines), propagate(lines)
    assert found.half_width_db == pytest.approx(gum.expanded_uncertainty_db, rel=0.05)
    assert found.standard_uncertainty_db == pytest.approx(gum.standard_uncertainty_db, rel=0.05)
    assert found.is_stable


@pytest.mark.parametrize("dof", [2.0, 3.0, 4.0, 9.0, 30.0])
def test_one_estimated_term_is_student_t(dof):
    """JCGM 101:2008, 6.4.9: a scaled t, whose half-width is t u, as by the GUM."""
    lines = [line(0.01, dof=dof)]
    found = propagate(lines)
    assert found.half_width_db == pytest.approx(combine(lines).expanded_uncertainty_db, rel=0.02)
    assert np.isinf(found.standard_uncertainty_db[0]) == (dof <= 2.0)


@pytest.mark.parametrize(
    ("shape", "half_width"),
    [
        ("rectangular", 0.95 * np.sqrt(3)),
        ("triangular", np.sqrt(6) * (1 - np.sqrt(0.05))),
        ("U-shaped", np.sqrt(2) * np.sin(np.pi / 2 * 0.95)),
    ],
)
def test_shapes_have_their_quantiles(shape, half_width):
    """Exact quantiles of |x| for standard uncertainty 1 (distributions of JCGM 101:2008, table 1:
    rectangular, triangular, arcsine)."""
    found = propagate([line(1.0, shape)], probability=0.95, digits=3)
    assert found.half_width_db[0] == pytest.approx(half_width, abs=0.01)
    assert found.standard_uncertainty_db[0] == pytest.approx(1.0, abs=0.01)


def test_lines_on_one_estimate_are_one_draw():
    """Two scaled copies of one estimate vary together in their degrees of freedom: t with 2, not
    the narrower sum of two t."""
    shared = propagate([line(0.3, dof=2.0, estimate="s"), line(0.4, dof=2.0, estimate="s")])
    alone = propagate([line(0.5, dof=2.0)])
    assert shared.half_width_db == pytest.approx(alone.half_width_db)


def test_parts_are_drawn_one_by_one():
    """Six equal U-shaped parts are nearly normal; one of the same u is far narrower."""
    parts = np.full((6, 1), 0.01)
    six = propagate([line(0.01 * np.sqrt(6), "U-shaped", parts=parts)])
    one = propagate([line(0.01 * np.sqrt(6), "U-shaped")])
    assert one.half_width_db[0] < np.sqrt(2) * 0.01 * np.sqrt(6) < six.half_width_db[0]
    assert six.half_width_db[0] == pytest.approx(2.0 * 0.01 * np.sqrt(6), rel=0.05)


@settings(max_examples=25)
@given(
    seed=st.integers(0, 2**32 - 1),
    probability=st.floats(0.5, 0.98),
    skew=st.floats(0.0, 2.0),
)
def test_shortest_interval(seed, probability, skew):
    """It holds its share of the trials, is no longer than the symmetric one, and moves with them
    (JCGM 101:2008, 5.3.4)."""
    trials = np.random.default_rng(seed).standard_normal((2, 2000))
    trials = trials + skew * trials**2
    low, high = shortest_interval(trials, probability)
    inside = (trials >= low[:, None]) & (trials <= high[:, None])
    assert np.all(inside.mean(axis=1) >= probability - 1e-3)
    tail = (1 - probability) / 2
    symmetric = np.quantile(trials, 1 - tail, axis=1) - np.quantile(trials, tail, axis=1)
    assert np.all(high - low <= symmetric + 0.05)
    moved = shortest_interval(trials + 7.0, probability)
    assert moved[0] == pytest.approx(low + 7.0)
    assert np.all(centred_half_width(trials, probability) >= (high - low) / 2 - 1e-9)


@given(shape=st.sampled_from(SHAPES), seed=st.integers(0, 100))
@settings(max_examples=8)
def test_the_same_seed_gives_the_same_at_every_frequency(shape, seed):
    """A frequency comes out alike whatever stands beside it, but for the number of trials."""
    u = np.array([0.01, 0.02, 0.04])
    together = propagate([line(u, shape)], seed=seed)
    again = propagate([line(u, shape)], seed=seed)
    np.testing.assert_array_equal(together.half_width_db, again.half_width_db)
    assert together.half_width_db / u == pytest.approx(together.half_width_db[0] / 0.01)


def test_more_frequencies_than_are_held_at_once_come_out_as_one_does():
    u = np.linspace(0.01, 0.03, 3 * VALUES_HELD // (BLOCK * MOST_BLOCKS) + 1)
    found = propagate([line(u)], digits=1)
    assert found.half_width_db / u == pytest.approx(np.full(len(u), 2.0), rel=0.05)
    assert found.standard_uncertainty_db / u == pytest.approx(np.ones(len(u)), rel=0.05)


def test_too_few_trials_are_refused():
    with pytest.raises(ValueError, match="too few"):
        shortest_interval(np.zeros(10), 0.99)

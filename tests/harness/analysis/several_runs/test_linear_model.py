"""Least squares against the GUM's straight line and against random draws."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.analysis.several_runs.linear_model import RunErrors, estimate, pooled_scatter

# JCGM 100:2008, H.3, table H.6: a thermometer's correction against temperature
TEMPERATURE_C = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)  # fmt: skip
CORRECTION_C = np.array(
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
)  # fmt: skip
RESIDUAL_S = 0.0035


def straight_line(x, y, u):
    design = np.column_stack([x, np.ones_like(x)])
    scatter = np.full((len(x), 1), u)
    errors = RunErrors(scatter, float(len(x) - 2), np.zeros_like(scatter))
    return estimate(design, y[:, None], errors)


def test_straight_line_of_gum_h_3():
    """JCGM 100:2008, H.3.3 and H.3.4: intercept -0.1712 (0.0029), slope 0.00218 (0.00067),
    correlation -0.930, correction at 30 C -0.1494 (0.0041)."""
    first = straight_line(TEMPERATURE_C - 20, CORRECTION_C, 1.0)
    s = float(np.sqrt(first.chi_square[0] / first.dof))
    assert round(s, 4) == RESIDUAL_S
    line = straight_line(TEMPERATURE_C - 20, CORRECTION_C, s)
    slope, intercept = line.values[:, 0]
    u_slope, u_intercept = np.sqrt(np.diag(line.covariance[0]))
    assert (round(intercept, 4), round(u_intercept, 4)) == (-0.1712, 0.0029)
    assert (round(slope, 5), round(u_slope, 5)) == (0.00218, 0.00067)
    assert round(line.covariance[0, 0, 1] / u_slope / u_intercept, 3) == -0.930
    at_30 = np.array([10.0, 1.0])
    assert round(float(line.combination(at_30)[0]), 4) == -0.1494
    assert round(float(line.standard_uncertainty(at_30)[0]), 4) == 0.0041
    # JCGM 100:2008, table G.2: t for 9 degrees of freedom at 95.45 % is 2.32
    assert round(float(line.coverage_factor(at_30)[0]), 2) == 2.32


@settings(max_examples=40)
@given(
    st.lists(st.floats(0.1, 10.0), min_size=3, max_size=8, unique=True),
    st.floats(0.01, 1.0),
    st.integers(0, 1000),
)
def test_agrees_with_numpy_whatever_the_weights(lengths, largest, seed):
    """numpy.polyfit with weights 1/u and unscaled covariance, at each of three frequencies."""
    x = np.array(lengths)
    if np.ptp(x) < 0.1:
        x = np.append(x, x[0] + 1.0)
    rng = np.random.default_rng(seed)
    y = rng.normal(size=(len(x), 3))
    u = largest * rng.uniform(0.1, 1.0, (len(x), 3))
    errors = RunErrors(np.zeros_like(u), np.inf, u)
    found = estimate(np.column_stack([x, np.ones_like(x)]), y, errors)
    for p in range(3):
        values, covariance = np.polyfit(x, y[:, p], 1, w=1 / u[:, p], cov="unscaled")
        assert found.values[:, p] == pytest.approx(values, rel=1e-6, abs=1e-9)
        assert found.covariance[p] == pytest.approx(covariance, rel=1e-6, abs=1e-12)


def test_what_shifts_all_runs_alike_stays_out_of_the_slope():
    x = np.array([0.2, 0.5, 1.0, 2.0])
    own = np.full((4, 1), 0.01)
    common = (np.full((4, 1), 0.3),)
    design = np.column_stack([x, np.ones_like(x)])
    y = (2.0 * x + 0.1)[:, None]
    alone = estimate(design, y, RunErrors(np.zeros_like(own), np.inf, own))
    shifted = estimate(design, y, RunErrors(np.zeros_like(own), np.inf, own, common))
    assert shifted.covariance[0, 0, 0] == pytest.approx(alone.covariance[0, 0, 0])
    grown = shifted.covariance[0, 1, 1] - alone.covariance[0, 1, 1]
    assert grown == pytest.approx(0.3**2)


@pytest.mark.parametrize("dof_each", [2, 4])
def test_errors_as_stated_fill_the_interval_as_they_should(dof_each):
    """20,000 draws of four runs whose scatter is estimated from a few insertions each, with an
    independent and a common error: 95.45 % inside U, and chi square with its mean."""
    rng = np.random.default_rng(dof_each)
    draws, runs = 20_000, 4
    x = np.array([0.2, 0.5, 1.0, 2.0])
    design = np.column_stack([x, np.ones_like(x)])
    true = np.array([1.5, 0.1])
    means = rng.normal(0.0, 0.01, (runs, dof_each + 1, draws))
    one_making = np.std(means, axis=1, ddof=1)
    scatter, dof = pooled_scatter(one_making / np.sqrt(dof_each + 1), one_making, [dof_each] * runs)
    assert dof == dof_each * runs
    independent = np.full((runs, draws), 0.003)
    common = np.full((runs, draws), 0.005)
    measured = (
        (design @ true)[:, None]
        + means.mean(axis=1)
        + rng.normal(0.0, 0.003, (runs, draws))
        + rng.normal(0.0, 0.005, draws)
    )
    found = estimate(design, measured, RunErrors(scatter, dof, independent, (common,)))
    for weights in ([1.0, 0.0], [0.0, 1.0], [1.2, 1.0]):
        w = np.array(weights)
        e_n = (found.combination(w) - true @ w) / found.expanded_uncertainty(w)
        assert np.mean(np.abs(e_n) <= 1.0) == pytest.approx(0.9545, abs=0.006)
        assert np.sqrt(np.mean(e_n**2)) == pytest.approx(0.5, abs=0.03)
    assert np.mean(found.chi_square) == pytest.approx(found.dof, rel=0.3)
    assert np.mean(found.chi_square_probability < 0.05) == pytest.approx(0.05, abs=0.05)


def test_refuses_what_it_cannot_decide():
    errors = RunErrors(np.zeros((2, 1)), np.inf, np.ones((2, 1)))
    with pytest.raises(ValueError, match="do not decide"):
        estimate(np.ones((2, 2)), np.ones((2, 1)), errors)
    nothing = RunErrors(np.zeros((2, 1)), np.inf, np.zeros((2, 1)))
    with pytest.raises(ValueError, match="above zero"):
        estimate(np.eye(2), np.ones((2, 1)), nothing)
    with pytest.raises(ValueError, match="agree exactly"):
        pooled_scatter(np.zeros((2, 3)), np.zeros((2, 3)), [2, 2])

"""Monte Carlo against published examples of JCGM 101 and of NIST."""

import numpy as np
import pytest

from harness.analysis.uncertainty.budget import Contribution, combine
from harness.analysis.uncertainty.monte_carlo import (
    numerical_tolerance,
    propagate,
    shortest_interval,
)


def line(u, distribution="normal", dof=np.inf):
    return Contribution(f"{u}", "B", distribution, np.array([u]), dof, "published")


def test_sum_of_four_normal_quantities():
    """JCGM 101:2008, 9.2.2 (as quoted in suncal): u 2.0, 95 % interval +-3.92."""
    found = propagate([line(1.0)] * 4, probability=0.95)
    assert f"{found.standard_uncertainty_db[0]:.1f}" == "2.0"
    assert found.half_width_db[0] == pytest.approx(3.92, abs=0.03)
    assert found.is_stable


def test_sum_of_four_rectangular_quantities():
    """JCGM 101:2008, 9.2.3 (as quoted in suncal): u 2.0, 95 % interval +-3.88."""
    found = propagate([line(1.0, "rectangular")] * 4, probability=0.95)
    assert f"{found.standard_uncertainty_db[0]:.1f}" == "2.0"
    assert found.half_width_db[0] == pytest.approx(3.88, abs=0.03)


def test_rectangular_quantity_that_dominates():
    """JCGM 101:2008, 9.2.4 (values derived): three rectangular quantities of u = 1 and one of
    u = 10 sum to u = 10.1; the 95 % interval is +-17.0, the GUM's is +-19.9 and not validated."""
    lines = [line(1.0, "rectangular")] * 3 + [line(10.0, "rectangular")]
    found = propagate(lines, probability=0.95, digits=3)
    gum = combine(lines, 0.95)
    assert f"{found.standard_uncertainty_db[0]:.1f}" == "10.1"
    assert found.half_width_db[0] == pytest.approx(17.0, abs=0.1)
    assert f"{gum.expanded_uncertainty_db[0]:.1f}" in ("19.8", "19.9")
    tolerance = numerical_tolerance(gum.standard_uncertainty_db, 2)
    assert np.abs(found.half_width_db - gum.expanded_uncertainty_db) > tolerance


def test_numerical_tolerance():
    """JCGM 101:2008, 7.9.2, examples: u = 0.00035 g to two digits is 35 x 10^-5, tolerance
    0.000005; u = 2 K to one digit: 0.5 K."""
    assert numerical_tolerance(np.array([0.00035]), 2) == pytest.approx([0.5e-5])
    assert numerical_tolerance(np.array([2.0]), 1) == pytest.approx([0.5])


@pytest.mark.parametrize(
    ("x1", "r", "mean", "u", "low", "high"),
    [
        (0.0, 0.0, 50, 50, 0, 150),
        (0.0, 0.9, 50, 67, 0, 185),
        (0.010, 0.0, 150, 112, 0, 367),
        (0.010, 0.9, 150, 121, 13, 398),
        (0.050, 0.0, 2550, 502, 1590, 3543),
        (0.050, 0.9, 2550, 505, 1628, 3555),
    ],
)
def test_comparison_loss(x1, r, mean, u, low, high):
    """JCGM 101:2008, 9.4: comparison loss of a power meter's calibration, X1^2 + X2^2 with
    u = 0.005 each and correlation r; all times 1e-6 (u for r = 0.9 and x1 = 0 and 0.010 seen,
    the rest exact by u^2 = 4 u^2 x1^2 + 4 u^4 (1 + r^2); intervals from memory, weakly
    determined: to 1.5 % of their length)."""
    rng = np.random.default_rng(94)
    first, second = rng.standard_normal((2, 1_000_000))
    real = x1 + 0.005 * first
    imaginary = 0.005 * (r * first + np.sqrt(1.0 - r * r) * second)
    loss = (real**2 + imaginary**2) * 1e6
    # three standard errors of 10^6 trials
    assert loss.mean() == pytest.approx(mean, abs=0.003 * u + 0.5)
    assert loss.std(ddof=1) == pytest.approx(u, abs=0.01 * u)
    ends = shortest_interval(loss, 0.95)
    assert ends == (pytest.approx(low, abs=0.015 * (high - low)),
                    pytest.approx(high, abs=0.015 * (high - low)))  # fmt: skip


def test_step_attenuator_of_nist():
    """NIST Technical Note 1900, E11, the attenuator of EA-4/02 S7 by Monte Carlo: observed mean
    a t distribution with 3 degrees of freedom and standard deviation 0.0091 dB (so of scale
    0.0091 / sqrt(3)); 30.043 dB, u 0.0224 dB, 95 % from 30.006 to 30.081 dB, 68 % from 30.0187
    to 30.0677 dB."""
    budget = [
        line(0.0091 / np.sqrt(3), dof=3.0),
        line(0.00433 / np.sqrt(3), "rectangular"),
        *[line(limit / np.sqrt(2), "U-shaped") for limit in (0.00198, 0.02828, 0.0029698)],
        *[line(0.0005196 / np.sqrt(3), "rectangular")] * 2,
        *[line(0.002)] * 2,
    ]
    estimate = 30.0402 + 0.003
    found = propagate(budget, probability=0.95, digits=3)
    # the fourth moment of that t distribution is infinite, so its sample deviation wanders
    assert found.standard_uncertainty_db[0] == pytest.approx(0.0224, abs=1e-4)
    assert f"{estimate:.3f}" == "30.043"
    low, high = estimate - found.half_width_db[0], estimate + found.half_width_db[0]
    assert (low, high) == (pytest.approx(30.006, abs=6e-4), pytest.approx(30.081, abs=6e-4))
    at_68 = propagate(budget, probability=0.68).half_width_db[0]
    assert estimate - at_68 == pytest.approx(30.0187, abs=5e-4)
    assert estimate + at_68 == pytest.approx(30.0677, abs=5e-4)

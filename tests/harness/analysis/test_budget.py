"""The budget against published worked examples."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.budget import (
    Contribution,
    combine,
    coverage_factor,
    welch_satterthwaite,
)


def line(name, u, dof=np.inf, estimate=""):
    return Contribution(name, "B", "normal", np.array([u]), dof, "test", estimate)


def test_step_attenuator_of_ea_4_02():
    """EA-4/02 M:2022, supplement S7, 30 dB step attenuator: u 0.0224 dB, 108 effective degrees
    of freedom, U 0.045 dB. Inputs as in the machine-readable budget S07 and in NIST TN 1900,
    example E11; observations 30.033, 30.058, 30.018, 30.052 dB."""
    observed = np.std([30.033, 30.058, 30.018, 30.052], ddof=1) / 2.0
    budget = [
        line("observed mean", observed, 3.0),
        line("standard attenuator", 0.0025),
        line("drift of the standard", 0.002 / np.sqrt(3)),
        line("mismatch", 0.02),
        line("leakage", 0.003 / np.sqrt(3)),
        line("indicator in", 0.0003),
        line("indicator out", 0.0003),
        line("zero in", 0.002),
        line("zero out", 0.002),
    ]
    combined = combine(budget)
    assert round(combined.standard_uncertainty_db[0], 4) == 0.0224
    assert int(combined.effective_dof[0]) == 108
    assert round(combined.expanded_uncertainty_db[0], 3) == 0.045


def test_end_gauge_of_the_gum():
    """GUM H.1 (values as in GTC and suncal, which quote it): nanometres; u_c 32, effective
    degrees of freedom 16 (16.75 truncated), t for 99 % of 16 is 2.92."""
    terms = [25.0, 9.7, 0.0, 50e-3 * 1e-6 / np.sqrt(3) * 0.1 * 1e9]
    terms[2] = 50e-3 * 11.5e-6 * 0.05 / np.sqrt(3) * 1e9
    dofs = [18.0, 25.6, 2.0, 50.0]
    u = np.sqrt(np.sum(np.square(terms)))
    assert round(u) == 32
    effective = welch_satterthwaite([np.array([t]) for t in terms], dofs)[0]
    assert int(effective) == 16
    assert round(float(coverage_factor(16.0, 0.99)), 2) == 2.92


@pytest.mark.parametrize(
    ("dof", "percent", "printed"),
    [
        (1, 68.27, 1.84), (1, 95, 12.71), (5, 99.73, 5.51), (20, 90, 1.72), (10, 90, 1.81),
        (20, 95, 2.09), (11, 99, 3.11), (2, 99.73, 19.21), (np.inf, 95.45, 2.00),
        (np.inf, 99.73, 3.00), (4, 95.45, 2.87), (50, 95.45, 2.05),
    ],
)  # fmt: skip
def test_t_factors_of_the_gum(dof, percent, printed):
    """GUM (JCGM 100:2008), table G.2; cells as quoted in suncal's tests."""
    assert round(float(coverage_factor(dof, percent / 100)), 2) == printed


def test_further_examples_of_ea_4_02():
    """EA-4/02 S2 (mass): u 0.0293, k 2.08, U 0.061; inputs as in the `uncertain` package's
    specification. S12: 6e-4 with 2 degrees of freedom and 6.8e-4: u 9.1e-4, k 2.28."""
    terms = [
        (0.0225, np.inf),
        (0.00895, np.inf),
        (0.0144, 2.0),
        (0.00577, np.inf),
        (0.00577, np.inf),
    ]
    s2 = combine([line(str(i), u, dof) for i, (u, dof) in enumerate(terms)])
    assert round(s2.standard_uncertainty_db[0], 4) == pytest.approx(0.0293, abs=1e-4)
    assert s2.coverage_factor[0] == pytest.approx(2.08, abs=0.01)
    assert round(s2.expanded_uncertainty_db[0], 3) == 0.061
    s12 = combine([line("a", 6e-4, 2.0), line("b", 6.8e-4)])
    assert round(s12.standard_uncertainty_db[0], 5) == 9.1e-4
    assert s12.coverage_factor[0] == pytest.approx(2.28, abs=0.01)


def test_lines_on_one_estimate_do_not_gain_degrees_of_freedom():
    """Two scaled copies of one estimated variance are one term (GUM G.4.1 needs independence):
    the factor is that of the estimate's 4 degrees of freedom, not of 4 + 4."""
    shared = combine([line("a", 0.3, 4.0, "scatter"), line("b", 0.4, 4.0, "scatter")])
    assert shared.standard_uncertainty_db[0] == pytest.approx(0.5)
    assert shared.effective_dof[0] == pytest.approx(4.0)
    apart = combine([line("a", 0.3, 4.0), line("b", 0.4, 4.0)])
    assert apart.effective_dof[0] > 7.0


def test_contradicting_degrees_of_freedom_are_refused():
    with pytest.raises(ValueError, match="one estimate has one number"):
        combine([line("a", 0.3, 4.0, "scatter"), line("b", 0.4, 5.0, "scatter")])
    with pytest.raises(ValueError, match="at least one"):
        combine([])


@given(
    us=st.lists(st.floats(1e-6, 10.0), min_size=1, max_size=8),
    dof=st.floats(1.0, 1e6),
)
def test_combination_is_bounded(us, dof):
    """u lies between the largest term and the plain sum; effective degrees of freedom are
    never below the smallest (GUM G.4.1)."""
    combined = combine([line(str(i), u, dof) for i, u in enumerate(us)])
    assert max(us) * (1 - 1e-12) <= combined.standard_uncertainty_db[0] <= sum(us) * (1 + 1e-12)
    assert combined.effective_dof[0] >= dof * (1 - 1e-9)
    assert combined.coverage_factor[0] >= 2.0

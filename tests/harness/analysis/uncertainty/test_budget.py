"""How contributions combine; published examples stand in test_published_budgets.py."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.uncertainty.budget import Contribution, combine


def line(name, u, dof=np.inf, estimate=""):
    return Contribution(name, "B", "normal", np.array([u]), dof, "test", estimate)


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


def test_degrees_of_freedom_may_differ_over_frequency():
    """Every frequency is combined with its own; nothing of its neighbours enters."""
    dof = np.array([2.0, 20.0, np.inf])
    u = np.full(3, 0.02)
    mixed = Contribution("a", "A", "normal", u, 2.0, "test", dof_by_frequency=dof)
    together = combine([mixed, Contribution("b", "B", "normal", u, np.inf, "test")])
    for place, nu in enumerate(dof):
        alone = combine([line("a", 0.02, nu), line("b", 0.02)])
        assert together.effective_dof[place] == pytest.approx(alone.effective_dof[0])

"""Decisions against ILAC-G8 and JCGM 106."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.conformity import Verdict, decide


def at_one_point(loss, u, limit, dof=np.inf, k=2.0):
    return decide(*(np.array([float(x)]) for x in (loss, u, dof, k * u, limit)))


@pytest.mark.parametrize(
    ("loss", "verdict"),
    [
        (0.79, Verdict.PASS),
        (0.7999999, Verdict.PASS),
        (0.81, Verdict.CONDITIONAL_PASS),
        (1.00, Verdict.CONDITIONAL_PASS),
        (1.01, Verdict.CONDITIONAL_FAIL),
        (1.20, Verdict.CONDITIONAL_FAIL),
        (1.21, Verdict.FAIL),
    ],
)
def test_four_verdicts_of_ilac_g8(loss, verdict):
    """ILAC-G8:09/2019, 4.2.3: guard band w = U, here U 0.2 about a limit of 1."""
    assert at_one_point(loss, 0.1, 1.0).verdict is verdict


def test_zener_example_of_jcgm_106():
    """JCGM 106:2012 (from memory; recomputed Phi(1.4) = 0.9192): -5.47 V against an upper limit
    of -5.40 V with u 0.05 V conforms with probability 0.92."""
    assert at_one_point(-5.47, 0.05, -5.40).conformance_probability == pytest.approx(
        0.9192, abs=5e-5
    )


def test_false_accept_at_the_acceptance_limit():
    """ILAC-G8:09/2019: with w = U, k 2, the specific risk at the acceptance limit is below
    2.5 % (2.28 %)."""
    accepted = at_one_point(0.8, 0.1, 1.0)
    assert 1 - accepted.conformance_probability == pytest.approx(0.0228, abs=5e-5)


@given(
    loss=st.lists(st.floats(-1, 5), min_size=1, max_size=20),
    u=st.floats(1e-3, 1.0),
    limit=st.floats(-1, 5),
    dof=st.one_of(st.just(np.inf), st.floats(1, 200)),
)
def test_worst_point_speaks_for_the_band(loss, u, limit, dof):
    """No single point has a worse verdict than the band; better than even odds go with a
    margin that is not negative."""
    n = len(loss)
    band = decide(
        np.array(loss), np.full(n, u), np.full(n, dof), np.full(n, 2 * u), np.full(n, limit)
    )
    singles = [at_one_point(x, u, limit, dof) for x in loss]
    assert band.verdict.severity == max(s.verdict.severity for s in singles)
    if abs(band.margin_db) > 1e-9:
        assert (band.conformance_probability > 0.5) == (band.margin_db > 0)


def test_nothing_is_decided_without_uncertainty():
    with pytest.raises(ValueError, match="positive uncertainty"):
        at_one_point(0.5, 0.0, 1.0)

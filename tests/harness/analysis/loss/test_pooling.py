"""Repeatability pooled over runs."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from harness.analysis.loss.pooling import RunScatter, bartlett, is_larger, pool


def run(name, variance, dof=4, sweeps=4.0, points=3):
    return RunScatter(name, np.broadcast_to(np.asarray(variance, float), (points,)), dof, sweeps)


@given(
    dofs=st.lists(st.integers(1, 12), min_size=1, max_size=6),
    variance=st.floats(1e-8, 1e-2),
)
def test_equal_runs_pool_to_what_they_are(dofs, variance):
    pooled = pool([run(str(i), variance, dof) for i, dof in enumerate(dofs)])
    assert pooled.variance_db2 == pytest.approx(variance)
    assert pooled.dof == sum(dofs)
    assert pooled.runs == tuple(map(str, range(len(dofs))))
    assert pooled.left_out == ()
    assert pooled.sweeps == pytest.approx(4.0)


def test_the_pool_weighs_by_degrees_of_freedom():
    pooled = pool([run("a", 1e-4, 3), run("b", 2e-4, 9)])
    assert pooled.variance_db2 == pytest.approx((3 * 1e-4 + 9 * 2e-4) / 12)


def test_a_run_that_does_not_belong_is_left_out_and_named():
    variances = {"a": 1e-4, "b": 1.3e-4, "c": 0.8e-4, "d": 1.1e-4}
    runs = [run(name, variance, 9) for name, variance in variances.items()]
    pooled = pool([*runs[:2], run("bent pin", 1e-2, 9), *runs[2:]])
    assert pooled.left_out == ("bent pin",)
    assert pooled.runs == ("a", "b", "c", "d")


def test_of_two_that_differ_the_larger_stays():
    small, large = run("small", 1e-6, 9), run("large", 1e-3, 9)
    for runs in ([small, large], [large, small]):
        assert pool(runs).runs == ("large",)


def test_a_run_without_scatter_tells_nothing():
    assert pool([run("coarse readings", 0.0, 9), run("a", 1e-4, 4)]).runs == ("a",)


def test_nothing_to_pool():
    assert pool([]) is None
    assert pool([run("one insertion", 0.0, 0)]) is None
    with pytest.raises(ValueError, match="at least two"):
        bartlett([1.0], [3.0])


@pytest.mark.parametrize("spread", [0.0, 0.1, 0.3, 1.0, 3.0])
def test_the_statistic_of_bartlett(spread):
    """Against scipy.stats.bartlett on samples that have these variances."""
    pattern = np.array([-1.5, -0.5, 0.5, 1.5])
    samples = [scale * np.tile(pattern, n) for scale, n in ((1.0, 1), (1.0 + spread, 2), (1.0, 3))]
    found = bartlett([s.var(ddof=1) for s in samples], [len(s) - 1 for s in samples])
    assert found == pytest.approx(tuple(stats.bartlett(*samples)))


def test_equal_variances_are_rejected_as_often_as_stated():
    """3,000 sets of 4 runs of 5 degrees of freedom: Bartlett's test rejects 5 %, to four standard
    errors of the count."""
    rng = np.random.default_rng(8)
    variances = rng.chisquare(5, (3000, 4)) / 5
    rejected = np.mean([bartlett(list(s2), [5.0] * 4)[1] < 0.05 for s2 in variances])
    assert rejected == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 3000))


def test_own_scatter_is_found_larger_as_often_as_stated():
    """F test at 10 %, one-sided, with 2 and 20 degrees of freedom."""
    rng = np.random.default_rng(9)
    own = rng.chisquare(2, 20000) / 2
    history = pool([run("h", rng.chisquare(20, 20000) / 20, 20, points=20000)])
    assert is_larger(own, 2.0, history).mean() == pytest.approx(0.10, abs=0.01)

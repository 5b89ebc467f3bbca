"""Budgets of published worked examples, to the last printed digit."""

import numpy as np
import pytest

from harness.analysis.uncertainty.budget import (
    NORMAL_FACTOR,
    Contribution,
    cautious_effective_dof,
    combine,
    coverage_factor,
    welch_satterthwaite,
)
from harness.analysis.uncertainty.mismatch import (
    TwoPort,
    mismatch_terms_db,
    mismatch_uncertainty_db,
)


def line(u, dof=np.inf, distribution="normal", estimate=""):
    kind = "B" if np.isinf(dof) else "A"
    return Contribution(f"{u}", kind, distribution, np.array([u]), dof, "published", estimate)


def published(lines, probability=0.9545):
    """Combined as the documents do, with equation (G.2b) as it stands."""
    return combine(lines, probability, welch_satterthwaite)


def test_step_attenuator_at_10_ghz():
    """EA-4/02 M:2022, supplement S7 (values as in the budget S07 that quotes it): observations
    30.033, 30.058, 30.018, 30.052 dB; standard uncertainty 0.0224 dB, 108 effective degrees of
    freedom, k = 2.00, U = 0.045 dB, result 30.043 dB."""
    observed = np.array([30.033, 30.058, 30.018, 30.052])
    result = published(
        [
            line(np.std(observed, ddof=1) / 2.0, 3.0),
            line(0.0025, distribution="rectangular"),
            line(0.002 / np.sqrt(3), distribution="rectangular"),
            line(0.02, distribution="U-shaped"),
            line(0.003 / np.sqrt(3), distribution="rectangular"),
            *[line(0.0003)] * 2,
            *[line(0.002)] * 2,
        ]
    )
    assert f"{observed.mean() + 0.003:.3f}" == "30.043"
    assert f"{result.standard_uncertainty_db[0]:.4f}" == "0.0224"
    assert int(result.effective_dof[0]) == 108
    # the document rounds the degrees of freedom to k = 2.00 of a normal distribution
    assert f"{2.00 * result.standard_uncertainty_db[0]:.3f}" == "0.045"


def test_mismatch_of_the_step_attenuator():
    """EA-4/02 M:2022, S7: 0.02 dB; reflections as recalled (0.03; 0.05 and 0.09; 0.01 and 0.01)
    give 0.0199 dB. Six terms, whose root sum of squares it is (Harris and Warner 1981)."""
    magnitudes = (0.03, 0.03, TwoPort(0.05, 0.01, 1.0), TwoPort(0.09, 0.01, 0.031))
    terms = mismatch_terms_db(*magnitudes)
    assert terms.shape == (6,)
    assert f"{mismatch_uncertainty_db(*magnitudes):.4f}" == "0.0199"
    assert np.sqrt(np.sum(terms**2)) == pytest.approx(mismatch_uncertainty_db(*magnitudes))


def test_end_gauge_calibration():
    """GUM (JCGM 100:2008), H.1, values as in GTC and suncal, which quote it. Comparator
    difference: 5.8 nm (24 degrees of freedom), 3.9 nm (5) and 6.7 nm (8) give 9.7 nm and 25.6;
    the whole 32 nm and 16 (16.7 truncated); t for 99 % and 16 is 2.92, U 93 nm."""
    difference = published([line(5.8, 24.0), line(3.9, 5.0), line(6.7, 8.0)])
    assert f"{difference.standard_uncertainty_db[0]:.1f}" == "9.7"
    assert difference.effective_dof[0] == pytest.approx(25.6, abs=0.25)
    whole = published([line(25.0, 18.0), line(9.7, 25.6), line(2.9, 50.0), line(16.6, 2.0)], 0.99)
    assert f"{whole.standard_uncertainty_db[0]:.0f}" == "32"
    assert int(whole.effective_dof[0]) == 16
    assert f"{coverage_factor(16.0, 0.99):.2f}" == "2.92"
    assert f"{2.92 * 32:.0f}" == "93"


def test_the_factor_of_a_normal_distribution_is_the_one_of_no_end_of_degrees_of_freedom():
    assert coverage_factor(np.inf) == NORMAL_FACTOR


@pytest.mark.parametrize(
    ("dof", "percent", "printed"),
    [
        (1, 68.27, "1.84"), (1, 95, "12.71"), (5, 99.73, "5.51"), (20, 90, "1.72"),
        (1, 99.73, "235.8"), (10, 90, "1.81"), (20, 95, "2.09"), (11, 99, "3.11"),
        (2, 99.73, "19.21"), (np.inf, 95.45, "2.00"), (np.inf, 99.73, "3.00"),
    ],
)  # fmt: skip
def test_t_factors(dof, percent, printed):
    """GUM (JCGM 100:2008), table G.2, cells as quoted in suncal's tests."""
    digits = len(printed.partition(".")[2])
    assert f"{coverage_factor(float(dof), percent / 100):.{digits}f}" == printed


def test_weight_of_50_kg_and_hose_coupling():
    """EA-4/02 S2 (mass; values as in the specification of `uncertain`): u 0.0293, k 2.08,
    U 0.061. S12: 6e-4 with 2 degrees of freedom, and 6.8e-4: u 9.1e-4, k 2.28."""
    s2 = published([line(u, d) for u, d in zip(
        (0.0225, 0.00895, 0.0144, 0.00577, 0.00577), (np.inf, np.inf, 2.0, np.inf, np.inf),
        strict=True)])  # fmt: skip
    assert s2.standard_uncertainty_db[0] == pytest.approx(0.0293, abs=1e-4)
    assert s2.coverage_factor[0] == pytest.approx(2.08, abs=0.01)
    assert f"{s2.expanded_uncertainty_db[0]:.3f}" == "0.061"
    s12 = published([line(6e-4, 2.0), line(6.8e-4)])
    assert f"{s12.standard_uncertainty_db[0]:.5f}" == "0.00091"
    assert s12.coverage_factor[0] == pytest.approx(2.28, abs=0.01)


def test_corrections_of_gum_5():
    """JCGM GUM-5:2026, example 15 (as quoted in public files): observations with mean 10005.7
    and u 0.7; corrections rectangular with half-widths 6.8, 8.2, 8.7, 10.2; u_c 9.9, U 19.4."""
    observed = np.array([10006, 10007, 10005, 10008, 10003, 10005])
    assert f"{observed.mean():.1f}" == "10005.7"
    mean_u = np.std(observed, ddof=1) / np.sqrt(6)
    assert f"{mean_u:.1f}" == "0.7"
    half_widths = (6.8, 8.2, 8.7, 10.2)
    corrections = [line(h / np.sqrt(3), distribution="rectangular") for h in half_widths]
    result = published([line(mean_u, 5.0), *corrections], 0.95)
    assert f"{result.standard_uncertainty_db[0]:.1f}" == "9.9"
    assert f"{result.expanded_uncertainty_db[0]:.1f}" == "19.4"


def test_ratio_with_few_degrees_of_freedom():
    """Course example quoted in suncal (no standard): X1/X2 Yu with 0.1820 (u 0.00093, 9),
    0.1823 (0.00058, 19) and 0.6978 (0.0026, 19): u 0.00494, 27.7 degrees of freedom (to 0.5),
    U 0.0101 for 95 %."""
    y = 0.1820 / 0.1823 * 0.6978
    shares = ((0.00093 / 0.1820, 9.0), (0.00058 / 0.1823, 19.0), (0.0026 / 0.6978, 19.0))
    result = published([line(y * share, dof) for share, dof in shares], 0.95)
    assert f"{y:.4f}" in ("0.6966", "0.6967")
    # its inputs are rounded for a slide
    assert result.standard_uncertainty_db[0] == pytest.approx(0.00494, abs=1.5e-5)
    assert result.effective_dof[0] == pytest.approx(27.7, abs=0.5)
    assert f"{result.expanded_uncertainty_db[0]:.4f}" == "0.0101"


def test_cautious_degrees_of_freedom_never_promise_more_than_the_published_formula():
    """Ours: equal for one term or for infinite degrees of freedom, smaller where an estimate
    stands beside something known."""
    one = [np.array([0.02])]
    assert cautious_effective_dof(one, [4.0]) == pytest.approx([4.0])
    assert np.isinf(cautious_effective_dof([*one, *one], [np.inf, np.inf])).all()
    for known in (0.2, 0.5, 1.0, 2.0, 5.0):
        us, dofs = [np.array([1.0]), np.array([known])], [2.0, np.inf]
        assert cautious_effective_dof(us, dofs) < welch_satterthwaite(us, dofs)


@pytest.mark.parametrize("insertions", [3, 4, 5, 10])
@pytest.mark.parametrize("known", [0.0, 0.3, 0.6, 1.0, 3.0])
def test_the_interval_holds_an_estimated_and_a_known_part(insertions, known):
    """Ours, by simulation: n values of standard deviation 1 and a known normal part of `known`
    times the standard uncertainty of their mean. Of 40,000 intervals at least 94.5 % hold the
    truth (the published formula: 92.6 % at the worst), at most 97.5 %."""
    rng = np.random.default_rng([insertions, int(10 * known)])
    values = rng.standard_normal((insertions, 40_000))
    known_u = known / np.sqrt(insertions)
    error = values.mean(axis=0) + known_u * rng.standard_normal(40_000)
    own = values.std(axis=0, ddof=1) / np.sqrt(insertions)
    lines = [
        Contribution("own", "A", "normal", own, insertions - 1.0, ""),
        Contribution("known", "B", "normal", np.full_like(own, known_u), np.inf, ""),
    ]
    inside = np.abs(error) <= combine(lines).expanded_uncertainty_db
    assert 0.945 <= inside.mean() <= 0.975
    if insertions == 3 and known == 0.6:
        assert np.mean(np.abs(error) <= published(lines).expanded_uncertainty_db) < 0.94

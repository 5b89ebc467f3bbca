"""Loss against expected loss: the normalized error and what it promises."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.diagnosis.comparison import compare
from harness.analysis.loss.band import BandResult

SIZES = st.floats(1e-3, 10.0)


def band(loss, u, expected, u_expected) -> BandResult:
    loss = np.asarray(loss, float)
    ones = np.ones_like(loss)
    return BandResult(
        frequency_hz=np.linspace(1e9, 2e9, len(loss)),
        insertion_loss_db=loss,
        standard_uncertainty_db=u * ones / 2.0,
        effective_dof=np.inf * ones,
        coverage_factor=2.0 * ones,
        expanded_uncertainty_db=u * ones,
        interval_low_db=loss - u,
        interval_high_db=loss + u,
        budget=(),
        insertion_means_db=loss[None],
        insertion_time=np.zeros(1),
        zero_change_db=np.zeros((1, len(loss))),
        zero_time=np.zeros(1),
        expected_db=expected * ones,
        expected_expanded_uncertainty_db=u_expected * ones,
    )


@given(SIZES, SIZES, SIZES, SIZES)
def test_normalized_error_is_the_difference_over_both_uncertainties(loss, u, expected, u_expected):
    # ISO 13528:2015, 9.7: E_n = (x - X) / sqrt(U(x)^2 + U(X)^2)
    (error,) = compare(band([loss], u, expected, u_expected)).normalized_error
    assert error == pytest.approx((loss - expected) / (u**2 + u_expected**2) ** 0.5)


def test_worked_figures():
    # 3-4-5: U of 0.3 dB and 0.4 dB make 0.5 dB, of which a difference of 1 dB is two
    compared = compare(band([3.0, 2.0, 1.0], 0.3, 2.0, 0.4))
    assert compared.normalized_error == pytest.approx([2.0, 0.0, -2.0])
    assert compared.worst_index == 0


def test_of_sound_items_nineteen_in_twenty_agree():
    # with U = 2 u, |E_n| <= 1 for 95.45 % (JCGM 100:2008, table G.2, infinite freedom)
    g = np.random.default_rng(1)
    read, ought = 1.0 + 0.1 * g.standard_normal(20_000), 1.0 + 0.2 * g.standard_normal(20_000)
    plain = replace(band(read, 0.2, 1.0, 0.4), expected_db=ought)
    share = np.mean(np.abs(compare(plain).normalized_error) <= 1.0)
    assert share == pytest.approx(0.9545, abs=0.006)


def test_no_comparison_without_expectation_or_uncertainty():
    assert compare(replace(band([1.0], 0.1, 1.0, 0.1), expected_db=None)) is None
    assert compare(band([1.0], np.nan, 1.0, 0.1)) is None
    assert compare(band([1.0], 0.0, 1.0, 0.0)) is None

"""The catalogue's constants against the points they come from, points held out, and other rows."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.expected.attenuation_fit import curve_variance, fit_with_covariance
from harness.analysis.expected.catalogue_files import load_catalogue
from harness.analysis.expected.catalogue_parts import PublishedPoints
from tests.harness.analysis.expected.published_rows import (
    compare_row,
    held_out_errors,
    other_rows,
)

CABLES = list(load_catalogue().cables.values())
NAMES = [cable.name for cable in CABLES]


@pytest.mark.parametrize("cable", CABLES, ids=NAMES)
def test_the_fit_keeps_to_its_points(cable):
    """Within twice the stated standard uncertainty of each point."""
    assert np.abs(cable.fit_residuals()).max() <= 2.0


@pytest.mark.parametrize("cable", CABLES, ids=NAMES)
def test_points_held_out_are_inside_the_band(cable):
    assert np.abs(held_out_errors(cable)).max() <= 1.0


def test_points_held_out_are_inside_the_band_of_the_fit_alone():
    """Without the spread between cables of a type: what the points themselves allow. 95 % of all
    points within two standard uncertainties is what is promised; 90 % is asked for."""
    inside = []
    for cable in CABLES:
        points = cable.points
        for held in range(len(points.frequency_hz)):
            rest = np.arange(len(points.frequency_hz)) != held
            fit = fit_with_covariance(
                points.frequency_hz[rest], points.attenuation_db_per_m[rest],
                points.standard_uncertainty_db_per_m[rest],
            )  # fmt: skip
            at = points.frequency_hz[held : held + 1]
            predicted = fit.conductor * np.sqrt(at / 1e9) + fit.dielectric * at / 1e9
            u = np.hypot(
                np.sqrt(curve_variance(fit.covariance, at)),
                points.standard_uncertainty_db_per_m[held],
            )
            inside.append(abs(points.attenuation_db_per_m[held] - predicted[0]) <= 2 * u[0])
    assert len(inside) > 100
    assert np.mean(inside) >= 0.9


ROWS = other_rows()


@pytest.mark.parametrize(("name", "row"), ROWS, ids=[name for name, _ in ROWS])
def test_other_published_rows_agree(name, row):
    """Rows that the fit has not seen: |E_n| <= 1 at every point (ISO 13528:2015, 9.7)."""
    assert len(row.source) > 10
    assert compare_row(load_catalogue().cables[name], row).agrees


def test_normalized_errors_of_rows_that_are_as_sure_as_they_say():
    """ISO 13528:2015, 9.7 with U = 2u: cables that differ as the catalogue states, read as surely
    as their rows state, have |E_n| <= 1 in 95.45 % of cases and E_n of standard deviation 1/2."""
    rng = np.random.default_rng(11)
    cable = load_catalogue().cables["RG-316"]
    hz = np.array([1e9])
    nominal = cable.attenuation_at_points_db_per_m(hz)
    errors = []
    for _ in range(4000):
        own = nominal * (1 + cable.relative_uncertainty_at(hz) * rng.standard_normal())
        u = 0.04 * nominal
        row = PublishedPoints(hz, own + u * rng.standard_normal(), u, "simulated")
        errors.append(float(compare_row(cable, row).normalized_error[0]))
    # five standard deviations of a share of 4000
    assert np.mean(np.abs(errors) <= 1.0) == pytest.approx(0.9545, abs=0.0165)
    assert np.std(errors) == pytest.approx(0.5, rel=0.06)


def test_a_row_of_another_cable_does_not_agree():
    """The check can fail: a 240-size row is not that of a 400-size cable."""
    cables = load_catalogue().cables
    row = next(row for name, row in ROWS if name == "240-size foam")
    assert not compare_row(cables["400-size foam"], row).agrees


@pytest.mark.parametrize(
    ("name", "a", "b", "within"),
    [
        # unweighted fits of the same tables, dB/100 m, by an independent calculation
        ("RG-174", 88.81485, 3.36185, 0.003),
        ("RG-316", 77.2953, 9.70065, 0.003),
        ("100-size low-loss", 73.58587, 5.70442, 0.003),
        ("195-size foam", 37.0443, 1.53159, 0.003),
        ("240-size foam", 25.10252, 1.0893, 0.003),
        ("400-size foam", 12.59372, 0.95067, 0.003),
        ("600-size foam", 7.86682, 0.83655, 0.003),
        # tables that are rounded or scatter: weighting matters more
        ("RG-58", 34.01155, 24.23668, 0.01),
        ("RG-214", 21.92798, 4.56021, 0.05),
    ],
)
def test_constants_are_those_of_an_independent_fit(name, a, b, within):
    cable = load_catalogue().cables[name]
    grid = np.geomspace(1e8, cable.highest_point_hz, 7)
    other = (a * np.sqrt(grid / 1e9) + b * grid / 1e9) / 100.0
    assert cable.attenuation_at_points_db_per_m(grid) == pytest.approx(other, rel=within)


def test_covariance_is_that_of_repeated_fits():
    """The stated covariance against the scatter of 4000 fits to noisy points."""
    rng = np.random.default_rng(7)
    hz = np.array([0.1, 0.4, 1.0, 3.0, 6.0]) * 1e9
    truth = 0.8 * np.sqrt(hz / 1e9) + 0.3 * hz / 1e9
    u = 0.01 * truth
    fits = [fit_with_covariance(hz, truth + u * rng.standard_normal(5), u) for _ in range(4000)]
    constants = np.array([(fit.conductor, fit.dielectric) for fit in fits])
    stated = fit_with_covariance(hz, truth, u).covariance
    assert np.cov(constants.T) == pytest.approx(stated, rel=0.1)
    assert np.mean([fit.chi_square for fit in fits]) == pytest.approx(3.0, rel=0.06)


@given(
    a=st.floats(0.01, 5), b=st.floats(0.01, 5), share=st.floats(1e-4, 0.1), scale=st.floats(2, 9)
)
def test_worse_residuals_than_stated_enlarge_the_covariance(a, b, share, scale):
    """Birge ratio: points that scatter `scale` times as much as stated make the constants that
    much less sure, never surer."""
    hz = np.array([0.1, 0.5, 1.0, 2.0, 5.0]) * 1e9
    curve = a * np.sqrt(hz / 1e9) + b * hz / 1e9
    u = share * curve
    wave = np.array([1.0, -1.0, 1.0, -1.0, 1.0])
    quiet = fit_with_covariance(hz, curve, u)
    loud = fit_with_covariance(hz, curve + scale * u * wave * 2.0, u)
    ratio = curve_variance(loud.covariance, hz) / curve_variance(quiet.covariance, hz)
    assert ratio == pytest.approx(loud.chi_square / loud.dof)
    assert np.all(ratio > 1.0)

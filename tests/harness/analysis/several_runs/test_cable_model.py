"""Loss per metre and connectors from several lengths, against made-up truth and scikit-rf."""

import numpy as np
import pytest
import skrf
from skrf.media import Coaxial

from harness.analysis.several_runs.cable_model import (
    CONNECTORS,
    PER_METRE,
    LengthRuns,
    attenuation_constants,
    cable_model,
    ripple_between_ends_db,
)
from harness.analysis.several_runs.linear_model import RunErrors

GRID = np.geomspace(0.4e9, 6e9, 41)
LENGTHS = np.array([0.15, 0.4, 0.9, 1.5])
U_DB = 0.01


def truth(a=0.77, b=0.1, connectors=0.07):
    ghz = GRID / 1e9
    return a * np.sqrt(ghz) + b * ghz, connectors * np.sqrt(ghz)


def runs(loss_db, u_db=U_DB, limits_m=0.0, **more):
    u = np.full(loss_db.shape, u_db)
    limits = np.full(len(loss_db), limits_m)
    return LengthRuns(
        LENGTHS[: len(loss_db)], limits, loss_db, RunErrors(np.zeros_like(u), np.inf, u), **more
    )


def test_exact_losses_give_exactly_the_cable():
    alpha, c = truth()
    model = cable_model(GRID, runs(np.outer(LENGTHS, alpha) + c))
    assert model.attenuation_db_per_m == pytest.approx(alpha)
    assert model.connectors_db == pytest.approx(c)
    assert model.loss_db(3.0) == pytest.approx(3.0 * alpha + c)
    constants = attenuation_constants(
        GRID, model.attenuation_db_per_m, model.estimate.standard_uncertainty(PER_METRE)
    )
    assert constants.attenuation(GRID) == pytest.approx(alpha, rel=2e-3)
    assert constants.a == pytest.approx(0.77, rel=5e-3)
    assert constants.b == pytest.approx(0.1, rel=2e-2)


def test_truth_inside_u_in_95_percent_and_e_n_as_it_should():
    """Errors as stated, among them lengths within limits; E_n by ISO 13528:2015, 9.7."""
    rng = np.random.default_rng(3)
    draws, limits, alpha, connectors = 5000, 0.01, 1.5, 0.1
    true_lengths = LENGTHS[:, None] + rng.uniform(-limits, limits, (4, draws))
    measured = alpha * true_lengths + connectors + rng.normal(0, U_DB, (4, draws))
    # as if every draw were a frequency
    model = cable_model(np.geomspace(1e9, 2e9, draws), runs(measured, limits_m=limits))
    assert model.enlargement == 1.0
    u = model.estimate.expanded_uncertainty
    for e_n in (
        (model.attenuation_db_per_m - alpha) / u(PER_METRE),
        (model.connectors_db - connectors) / u(CONNECTORS),
        (model.loss_db(1.1) - 1.1 * alpha - connectors) / model.prediction_uncertainty_db(1.1),
    ):
        assert np.mean(np.abs(e_n) <= 1.0) == pytest.approx(0.9545, abs=0.012)
        assert np.sqrt(np.mean(np.square(e_n))) == pytest.approx(0.5, abs=0.02)


def test_an_odd_connector_enlarges_the_uncertainty():
    alpha, c = truth()
    loss_db = np.outer(LENGTHS, alpha) + c
    sound = cable_model(GRID, runs(loss_db))
    loss_db[2] += 0.2
    odd = cable_model(GRID, runs(loss_db))
    assert sound.enlargement == 1.0
    assert odd.enlargement > 5.0
    u = odd.estimate.expanded_uncertainty(PER_METRE)
    assert np.all(np.abs(odd.attenuation_db_per_m - alpha) <= u)
    assert np.mean(odd.estimate.chi_square) == pytest.approx(odd.estimate.dof)


def test_two_lengths_are_enough_and_one_is_not():
    alpha, c = truth()
    loss_db = np.outer(LENGTHS, alpha) + c
    model = cable_model(GRID, runs(loss_db[:2]))
    assert model.attenuation_db_per_m == pytest.approx(alpha)
    assert np.all(np.isnan(model.estimate.chi_square_probability))
    same = LengthRuns(np.array([0.4, 0.4]), np.zeros(2), loss_db[:2], runs(loss_db[:2]).errors)
    with pytest.raises(ValueError, match="two different lengths"):
        cable_model(GRID, same)


def test_ripple_between_ends_is_that_of_scikit_rf():
    """A line of 46 ohm between 50 ohm ports, over a half wave of lengths: the spread of its loss
    about the straight line, from the reflection seen outside."""
    grid = skrf.Frequency.from_f([2.4e9], unit="hz")
    line = Coaxial(grid, z0_port=50, Dint=0.51e-3, Dout=1.52e-3, epsilon_r=2.04, tan_delta=2e-4,
                   sigma=5.8e7)  # fmt: skip
    lengths = 1.0 + np.linspace(0, 299792458 / np.sqrt(2.04) / 2.4e9 / 2, 60, endpoint=False)
    made = [line.line(length, "m") for length in lengths]
    loss_db = np.array([-network.s_db[0, 1, 0] for network in made])
    swing = loss_db - lengths * 20 / np.log(10) * line.gamma.real
    reflection = np.sqrt(np.mean([np.abs(network.s[0, 0, 0]) ** 2 for network in made]))
    stated = ripple_between_ends_db(np.array([reflection]), np.array([loss_db.mean()]))
    assert stated[0] == pytest.approx(np.std(swing), rel=0.05)


def test_constants_are_never_negative():
    """Noise that asks for a negative b gets none (a cable cannot amplify)."""
    ghz = GRID / 1e9
    constants = attenuation_constants(GRID, 0.8 * np.sqrt(ghz) - 0.02 * ghz, np.full(41, 0.01))
    assert constants.a > 0.0
    assert constants.b == 0.0
    assert np.all(constants.covariance[1] == 0.0)
    with pytest.raises(ValueError, match="attenuates nowhere"):
        attenuation_constants(GRID, np.full(41, -0.1), np.full(41, 0.01))


def test_many_points_of_a_narrow_band_count_as_one():
    """Their errors hang together, so a finer sweep makes no constants surer."""
    narrow = np.linspace(2.40e9, 2.48e9, 11)
    fine = np.linspace(2.40e9, 2.48e9, 101)
    far = np.array([0.5e9])
    found = []
    for band in (narrow, fine):
        f = np.concatenate([far, band])
        alpha = 0.77 * np.sqrt(f / 1e9) + 0.1 * f / 1e9
        found.append(attenuation_constants(f, alpha, np.full(len(f), 0.01)))
    assert found[0].segments == found[1].segments == 2
    assert found[0].covariance == pytest.approx(found[1].covariance, rel=1e-2)

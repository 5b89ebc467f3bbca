"""Stability of a band: what is put in is found, and the figures say when they cannot tell.

No source unless one is named: simulated truth.
"""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.loss.band import stability_of_band
from harness.analysis.stability.correlated_fit import NoiseModels, make_blocks
from harness.analysis.stability.loss_series import LossSeries
from harness.analysis.stability.scatter_in_time import residuals_about_trend
from harness.analysis.stability.stability import FEWEST_SWEEPS
from harness.analysis.stability.time_grid import time_grid
from tests.long_cases import examples
from tests.studies.stability.worlds import START, World, band_of


def night(**changes):
    """A calm night of a sweep a minute; changes are arrays to be put in."""
    rng = np.random.default_rng(2)
    hours = np.arange(480) / 60.0
    loss_db = 0.6 + 0.002 * hours + rng.normal(0.0, 0.001, 480)
    values = {
        "time": START + 3600.0 * hours,
        "loss_db": loss_db,
        "uncorrected_db": loss_db,
        "insertion": np.zeros(480, dtype=np.int64),
        "temperature_c": 23.0 + np.sin(hours),
    }
    return LossSeries(**(values | changes))


def test_a_drift_and_a_coefficient_are_found_with_their_intervals():
    calm = night()
    loss_db = calm.loss_db + 0.003 * (calm.temperature_c - 23.0)
    found = stability_of_band(band_of(dataclasses.replace(calm, loss_db=loss_db)))
    effect = found.temperature
    assert effect.coefficient_db_per_k.low < 0.003 < effect.coefficient_db_per_k.high
    assert effect.coefficient_db_per_k.high - effect.coefficient_db_per_k.low < 0.001
    assert effect.relative_per_k.value == pytest.approx(0.003 / found.mean_db, rel=0.1)
    assert effect.drift_db_per_h.low < 0.002 < effect.drift_db_per_h.high
    assert found.repeatability_db == pytest.approx(0.001, rel=0.1)
    assert found.warm_up is None
    assert found.interval_s == pytest.approx(60.0)


def test_temperature_that_rises_with_time_is_not_told_apart():
    calm = night()
    hours = (calm.time - START) / 3600.0
    found = stability_of_band(band_of(night(temperature_c=23.0 + hours + 0.3 * np.sin(hours))))
    assert not found.temperature.is_told_apart
    assert any("cannot be told apart" in note for note in found.notes)
    apart = stability_of_band(band_of(calm)).temperature
    width = found.temperature.drift_db_per_h.high - found.temperature.drift_db_per_h.low
    assert width > 3.0 * (apart.drift_db_per_h.high - apart.drift_db_per_h.low)


def test_a_straight_ramp_has_no_coefficient():
    ramp = night(temperature_c=23.0 + np.arange(480) / 240.0)
    found = stability_of_band(band_of(ramp))
    assert found.temperature is None
    assert any("straight line" in note for note in found.notes)


def test_a_steady_temperature_says_nothing():
    found = stability_of_band(band_of(night(temperature_c=np.full(480, 23.0))))
    assert found.temperature is None
    assert any("moved by" in note for note in found.notes)


def test_warm_up_is_found_with_its_time():
    calm = night()
    since = calm.time - START
    found = stability_of_band(band_of(night(loss_db=calm.loss_db + 0.02 * np.exp(-since / 1800.0))))
    assert found.warm_up.time_constant_s == pytest.approx(1800.0, rel=0.15)
    assert found.warm_up.approach_db == pytest.approx(0.02, rel=0.15)
    # a tenth of the approach is above the scatter of a sweep: ln 20 time constants
    assert found.warm_up.settled_s == pytest.approx(1800.0 * np.log(20.0), rel=0.2)
    assert found.drift_db_per_h.low < 0.002 < found.drift_db_per_h.high


def test_an_outlier_does_not_weigh_in_the_drift():
    calm = night()
    struck = calm.loss_db.copy()
    struck[470] += 0.5
    plain, found = (stability_of_band(band_of(night(loss_db=x))) for x in (calm.loss_db, struck))
    assert found.outliers.tolist() == [470]
    assert found.drift_db_per_h.value == pytest.approx(plain.drift_db_per_h.value, abs=1e-4)
    assert found.allan.deviation[0] > 5.0 * plain.allan.deviation[0]


def test_the_zero_explains_what_it_made():
    calm = night()
    zero_time = np.linspace(START - 60.0, calm.time[-1] + 60.0, 9)
    change_db = np.linspace(0.0, 0.05, 9)
    seen = calm.loss_db + np.interp(calm.time, zero_time, change_db)
    band = band_of(night(uncorrected_db=seen), zero_time, np.repeat(change_db[:, None], 2, axis=1))
    zero = stability_of_band(band).zero
    assert zero.explained_share > 0.9
    assert zero.apparent_change_db == pytest.approx(0.05 + 0.016, abs=0.003)
    assert zero.remaining_change_db == pytest.approx(0.016, abs=0.002)
    assert np.isnan(stability_of_band(band_of(calm)).zero.explained_share)


def test_too_few_sweeps_of_one_insertion_say_nothing():
    short = World("short", FEWEST_SWEEPS - 1).draw(np.random.default_rng(1))
    assert stability_of_band(short) is None
    many = night(insertion=np.arange(480) // 10)
    assert stability_of_band(band_of(many)) is None
    assert stability_of_band(dataclasses.replace(band_of(many), series=None)) is None


@examples(5, 15)
@given(
    st.integers(16, 60), st.integers(1, 3), st.integers(0, 2**32 - 1),
    st.sampled_from([0.0, 1e-3, 0.5]), st.integers(2, 12),
)  # fmt: skip
def test_whatever_the_times_are_there_are_figures(size, insertions, seed, scatter_db, places):
    """Bursts, pauses, a clock that hardly moves, readings that hardly differ."""
    rng = np.random.default_rng(seed)
    time = START + np.cumsum(rng.choice([1e-3, 1.0, 60.0, 5000.0], size))
    loss_db = np.round(0.5 + scatter_db * rng.normal(size=size), places)
    temperature_c = np.where(rng.random(size) < 0.2, np.nan, 20.0 + rng.normal(size=size))
    insertion = np.sort(rng.integers(0, insertions, size))
    found = stability_of_band(band_of(LossSeries(time, loss_db, loss_db, insertion, temperature_c)))
    if found is not None:
        estimate = found.drift_db_per_h
        assert estimate.low <= estimate.value <= estimate.high
        assert np.all(np.isfinite(found.allan.deviation))
        assert found.missing >= 0


def test_missed_ticks_are_gaps_and_bursts_share_a_place():
    ticks = np.delete(np.arange(100.0), [40, 41, 42])
    grid = time_grid(START + 60.0 * ticks + 0.2 * np.sin(ticks))
    assert (grid.interval_s, grid.missing) == (pytest.approx(60.0, abs=0.5), 3)
    bursts = time_grid((START + 600.0 * np.arange(50)[:, None] + 2.0 * np.arange(4)).ravel())
    assert bursts.interval_s == pytest.approx(600.0)
    assert (bursts.size, bursts.missing) == (50, 0)
    assert bursts.means(np.arange(200.0))[:2].tolist() == [1.5, 5.5]
    with pytest.raises(ValueError, match="order of time"):
        time_grid(np.array([2.0, 1.0]))


def test_repeatability_is_blind_to_a_slope():
    values = 0.01 * np.arange(200.0)
    inner = residuals_about_trend(values, np.zeros(200, dtype=np.int64))[10:-10]
    assert np.abs(inner).max() < 1e-9


def test_white_noise_is_fitted_as_least_squares_does():
    """Where nothing hangs together the line is the ordinary one (textbook)."""
    rng = np.random.default_rng(12)
    time = 60.0 * np.arange(64.0)
    blocks = make_blocks(time, np.zeros(64, dtype=np.int64), np.ones(64, dtype=np.bool_))
    design = np.column_stack([np.ones(64), time / 3600.0])
    values = rng.normal(size=64)
    slope = np.linalg.lstsq(design, values, rcond=None)[0][1]
    estimate = NoiseModels(blocks).fit(design, values).of(1)
    assert estimate.value == pytest.approx(slope, abs=0.2 * estimate.standard_uncertainty)

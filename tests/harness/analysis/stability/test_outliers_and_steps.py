"""Outliers and steps: as many false alarms as stated, and what is there is found.

No source: properties of what the docstrings state, on drawn series.
"""

import numpy as np
import pytest

from harness.analysis.lots.binomial import Share
from harness.analysis.stability.outliers_and_steps import FALSE_ALARMS, find_steps, outliers

ONE = np.zeros(480, dtype=np.int64)
SURE = 0.995


def drawn(kind, rng, size=480):
    noise = rng.normal(size=size)
    return np.cumsum(noise) if kind == "walk" else noise + (0.1 * np.arange(size) if kind else 0.0)


@pytest.mark.parametrize("kind", ["", "drift", "walk"])
def test_false_alarms_are_as_rare_as_stated(kind):
    rng = np.random.default_rng(4)
    series = [drawn(kind, rng) for _ in range(150)]
    for found in (
        sum(len(outliers(values, ONE)) > 0 for values in series),
        sum(len(find_steps(values, ONE).first) > 0 for values in series),
    ):
        assert Share(float(found), len(series)).interval(SURE)[0] <= FALSE_ALARMS


def test_a_sweep_far_off_is_marked_and_no_other():
    rng = np.random.default_rng(5)
    values = drawn("drift", rng)
    values[[2, 200, 477]] += (9.0, -9.0, 9.0)
    assert {2, 200, 477} <= set(outliers(values, ONE).tolist())
    assert len(outliers(values, ONE)) <= 4


def test_a_step_is_found_where_it_is_and_is_no_outlier():
    rng = np.random.default_rng(6)
    values = drawn("", rng)
    values[300:] += 4.0
    steps = find_steps(values, ONE)
    assert len(steps.first) == 1
    assert abs(steps.first[0] - 300) <= 2
    assert abs(steps.size[0] - 4.0) < 4.0 * steps.standard_uncertainty[0]
    assert not len(outliers(values, ONE))


def test_a_new_insertion_is_no_step():
    rng = np.random.default_rng(7)
    insertion = np.arange(480) // 120
    values = rng.normal(size=480) + 10.0 * insertion
    assert not len(find_steps(values, insertion).first)
    assert not len(outliers(values, insertion))


def test_a_smooth_curve_has_no_outliers_at_its_ends():
    rng = np.random.default_rng(8)
    smooth = np.sin(np.arange(480) / 9.0) + 0.001 * rng.normal(size=480)
    assert not len(outliers(smooth, np.arange(480) // 60))


def test_readings_that_do_not_differ_have_neither():
    assert not len(find_steps(np.ones(480), ONE).first)
    assert not len(outliers(np.ones(480), ONE))

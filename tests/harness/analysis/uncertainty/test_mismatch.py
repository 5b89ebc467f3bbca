"""Mismatch against published figures and against scikit-rf's exact cascade."""

import numpy as np
import pytest
import skrf

from harness.analysis.uncertainty.mismatch import (
    TwoPort,
    mismatch_uncertainty_db,
    reflection_from_change,
    reflection_magnitude,
)
from tests.long_cases import long


def test_step_attenuator_of_ea_4_02():
    """EA-4/02 M:2022, S7: mismatch 0.02 dB. The inputs (source and load 0.03, ports 0.05 and
    0.09 at the input, 0.01 at the output, transmission 1 and 0.031) are from memory."""
    u = mismatch_uncertainty_db(0.03, 0.03, TwoPort(0.05, 0.01, 1.0), TwoPort(0.09, 0.01, 0.031))
    assert float(u) == pytest.approx(0.0199, abs=5e-5)


@pytest.mark.parametrize(
    ("source", "load", "through", "item"),
    [
        (0.05, 0.05, (0.0, 0.0, 1.0), (0.1, 0.1, 0.891251)),
        *long(
            (0.1, 0.1, (0.02, 0.02, 1.0), (0.1, 0.1, 0.5)),
            (0.1, 0.1, (0.0, 0.0, 1.0), (0.05, 0.05, 0.9)),
        ),
        (0.2, 0.1, (0.05, 0.05, 0.0316), (0.05, 0.05, 0.001)),
    ],
)
def test_formula_is_the_spread_over_random_phases(source, load, through, item):
    """The exact transmission between mismatched ports (Harris and Warner, IEE Proc. H 128
    (1981) 35, on which the formula rests), 400,000 draws of independent phases."""
    rng = np.random.default_rng(1)

    def level_db(s11, s22, s21):
        g, m, a, b, t = np.exp(2j * np.pi * rng.random((5, 400_000)))
        g, m, a, b = g * source, m * load, a * s11, b * s22
        denominator = (1 - a * g) * (1 - b * m) - (t * s21) ** 2 * g * m
        return -20 * np.log10(np.abs(denominator))

    spread = np.std(level_db(*through) - level_db(*item))
    assert float(
        mismatch_uncertainty_db(source, load, TwoPort(*through), TwoPort(*item))
    ) == pytest.approx(spread, rel=0.01)


def test_reflection_is_not_underestimated_on_average():
    """Cascades by scikit-rf: two equal padded leads, far match of 0.03, item reflections of
    any size and phase. The estimate's mean square is at least the truth's, and not twice."""
    rng = np.random.default_rng(3)
    frequency = skrf.Frequency(5.0, 5.01, 400, unit="GHz")
    points = len(frequency)

    def two_port(s11, s21, s22):
        s = np.empty((points, 2, 2), complex)
        s[:, 0, 0], s[:, 1, 0], s[:, 0, 1], s[:, 1, 1] = s11, s21, s21, s22
        return skrf.Network(frequency=frequency, s=s, z0=50)

    def turn():
        return np.exp(2j * np.pi * rng.random(points))

    for magnitude in (0.02, 0.1, 0.3):
        near = two_port(0.1 * turn(), 0.3 * turn(), 0.03 * turn())
        far = two_port(0.03 * turn(), 0.3 * turn(), 0.1 * turn())
        through = two_port(0, np.ones(points), 0)
        s21 = 0.8 * np.sqrt(1 - magnitude**2)
        item = two_port(magnitude * turn(), s21 * turn(), magnitude * turn())
        with_through, with_item = (near**x**far for x in (through, item))
        estimate = reflection_from_change(
            with_item.s[:, 0, 0],
            with_through.s[:, 0, 0],
            np.abs(with_through.s[:, 1, 0]),
            0.03,
            np.full(points, s21),
        )
        mean_square = np.mean(estimate**2)
        assert mean_square >= magnitude**2
        assert mean_square <= magnitude**2 * 1.25 + 4 * 0.03**2


def test_return_loss_to_magnitude():
    """20 dB is a tenth, by definition."""
    assert reflection_magnitude(20.0) == pytest.approx(0.1)

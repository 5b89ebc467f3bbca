"""Delay from phase, against lines of known length in scikit-rf's media."""

import numpy as np
import pytest
import skrf
from hypothesis import given, settings
from hypothesis import strategies as st
from skrf.media import Coaxial

from harness.analysis.several_runs.delay import (
    SPEED_OF_LIGHT_M_PER_S,
    ForeseenDelay,
    UndecidableTurnsError,
    combined_delay,
    delay_within_conductors,
    length_by_delay,
    measured_delay,
    require_decidable,
    velocity_factor,
    velocity_factor_from_lengths,
)

VELOCITY = 0.7
MISMATCH_DB = 0.012
INSERTIONS, SWEEPS = 3, 2


def swept(grid, length_m):
    """Through, and six sweeps of the item, as an analyzer with leads of its own reads them."""
    lead = np.exp(-2j * np.pi * grid * 9e-9) * 0.3
    line = np.exp(-2j * np.pi * grid * length_m / (VELOCITY * SPEED_OF_LIGHT_M_PER_S) - 0.1)
    return lead, np.tile(lead * line, (INSERTIONS * SWEEPS, 1))


def means(item):
    """Of each insertion."""
    return item.reshape(INSERTIONS, SWEEPS, -1).mean(axis=1)


def found(grid, length_m, stated_m, limits_m=0.01):
    through, item = swept(grid, length_m)
    foreseen = ForeseenDelay.from_length(stated_m, limits_m)
    return measured_delay(grid, through, means(item), np.full(len(grid), MISMATCH_DB), foreseen)


@settings(max_examples=40)
@given(st.floats(0.05, 5.0), st.floats(0.3e9, 6e9))
def test_delay_is_that_of_the_line_however_many_turns(length_m, start_hz):
    """delay = length / (velocity factor times c); the SI's c is exact."""
    grid = np.linspace(start_hz, 1.2 * start_hz, 201)
    delay = found(grid, length_m, length_m)
    true_s = length_m / (VELOCITY * SPEED_OF_LIGHT_M_PER_S)
    assert delay.delay_s == pytest.approx(true_s, rel=1e-9)
    assert delay.electrical_length_m == pytest.approx(length_m / VELOCITY, rel=1e-9)
    assert delay.phase_turns == pytest.approx(true_s * grid, rel=1e-6)


def test_a_coarse_grid_is_unwrapped_by_what_the_length_foresees_and_only_then():
    """Between points 200 MHz apart a 3 m line turns nearly three times, and what its stated length
    leaves open turns more than half."""
    grid = np.linspace(2e9, 2.5e9, 6)
    delay = found(grid, 0.6, 0.6)
    assert delay.delay_s == pytest.approx(0.6 / VELOCITY / SPEED_OF_LIGHT_M_PER_S)
    coarse = np.linspace(2e9, 3e9, 6)
    assert 200e6 * ForeseenDelay.from_length(3.0, 0.0).limits_s > 0.5
    with pytest.raises(UndecidableTurnsError, match=r"points at most .* MHz apart"):
        found(coarse, 3.0, 3.0)
    # the advice is good: with such points the same line can be followed
    finer = np.arange(2e9, 3e9, 0.45 / ForeseenDelay.from_length(3.0, 0.01).limits_s * 0.999)
    assert found(finer, 3.0, 3.0).delay_s == pytest.approx(3.0 / VELOCITY / SPEED_OF_LIGHT_M_PER_S)


def test_without_a_stated_length_or_with_a_wrong_one_it_says_so():
    grid = np.linspace(2e9, 2.5e9, 11)
    with pytest.raises(UndecidableTurnsError, match="no length is stated"):
        require_decidable(grid, None)
    rng = np.random.default_rng(1)
    noise = np.exp(2j * np.pi * rng.random((6, 11)))
    with pytest.raises(UndecidableTurnsError, match="too noisy"):
        measured_delay(grid, noise[0], means(noise), np.zeros(11),
                       ForeseenDelay.from_length(0.5, 0.0))  # fmt: skip
    through, item = swept(grid, 0.5)
    with pytest.raises(UndecidableTurnsError, match="insert the item more than once"):
        measured_delay(grid, through, item[:1], np.zeros(11),
                       ForeseenDelay.from_length(0.5, 0.0))  # fmt: skip


def test_scatter_and_mismatch_are_in_the_uncertainty():
    """Truth inside U for 95 % of 300 draws of noise; a mismatch ripple of any period as well."""
    grid = np.linspace(2e9, 2.5e9, 51)
    true_s = 0.6 / VELOCITY / SPEED_OF_LIGHT_M_PER_S
    through, item = swept(grid, 0.6)
    foreseen = ForeseenDelay.from_length(0.6, 0.01)
    rng = np.random.default_rng(5)
    inside = []
    for _ in range(300):
        noisy = item * np.exp(0.01j * rng.normal(size=item.shape))
        delay = measured_delay(grid, through, means(noisy), np.zeros(51), foreseen)
        inside.append(abs(delay.delay_s - true_s) <= delay.expanded_uncertainty_s)
    assert np.mean(inside) == pytest.approx(0.9545, abs=0.03)
    amplitude = np.sqrt(2) * MISMATCH_DB / (20 / np.log(10))
    for period_hz in np.geomspace(5e7, 5e9, 20):
        for phase in np.linspace(0, 2 * np.pi, 12):
            ripple = np.exp(1j * amplitude * np.sin(2 * np.pi * grid / period_hz + phase))
            delay = measured_delay(
                grid, through, means(item * ripple), np.full(51, MISMATCH_DB), foreseen
            )
            assert abs(delay.delay_s - true_s) <= delay.expanded_uncertainty_s


def test_velocity_factor_against_the_stated_length():
    grid = np.linspace(2e9, 2.5e9, 51)
    delay = found(grid, 0.6, 0.6)
    velocity = velocity_factor(delay, 0.6, 0.003)
    assert velocity.value == pytest.approx(VELOCITY)
    # u of the length dominates: 3 mm / sqrt(3) of 600 mm (JCGM 100:2008, 4.3.7)
    of_length = 0.003 / np.sqrt(3) / 0.6 * VELOCITY
    assert velocity.standard_uncertainty == pytest.approx(
        np.hypot(of_length, VELOCITY * delay.standard_uncertainty_s / delay.delay_s)
    )


def test_length_by_a_stated_velocity_factor():
    """L = v tau, relative uncertainties added in squares (JCGM 100:2008, 5.1.6)."""
    delay = found(np.linspace(2e9, 2.5e9, 51), 0.6, 0.6)
    length = length_by_delay(delay, VELOCITY, 0.007, 0.0)
    assert length.length_m == pytest.approx(0.6)
    relative = np.hypot(0.007 / VELOCITY, delay.standard_uncertainty_s / delay.delay_s)
    assert length.expanded_uncertainty_m == pytest.approx(2 * 0.6 * relative, rel=1e-3)
    assert abs(length.normalized_error(0.605, 0.002)) < 1
    assert length.normalized_error(0.5, 0.002) > 1


def test_connectors_fall_out_of_several_lengths():
    grid = np.linspace(2e9, 2.5e9, 51)
    connectors_m = 0.03
    lengths = np.array([0.15, 0.4, 0.9])
    delays = [found(grid, length + connectors_m, length, 0.05) for length in lengths]
    velocity = velocity_factor_from_lengths(lengths, np.full(3, 1e-3), delays)
    assert velocity.value == pytest.approx(VELOCITY)
    with pytest.raises(ValueError, match="does not rise"):
        velocity_factor_from_lengths(lengths[::-1], np.full(3, 1e-3), delays)
    with pytest.raises(ValueError, match="two different lengths"):
        velocity_factor_from_lengths(np.array([0.4, 0.4]), np.zeros(2), delays[:2])


def test_delay_within_conductors_is_that_of_scikit_rf():
    """scikit-rf's coaxial line (Schelkunoff's conductors) of 0.51 and 1.52 mm, no dielectric loss:
    its group delay beyond that of the dielectric, 0.5 to 6 GHz."""
    grid = np.linspace(0.5e9, 6e9, 551)
    line = Coaxial(skrf.Frequency.from_f(grid, unit="hz"), Dint=0.51e-3, Dout=1.52e-3,
                   epsilon_r=2.04, tan_delta=0.0, sigma=5.8e7)  # fmt: skip
    group = np.gradient(line.gamma.imag, 2 * np.pi * grid)
    beyond = group - np.sqrt(2.04) / SPEED_OF_LIGHT_M_PER_S
    loss_db = 20 / np.log(10) * line.gamma.real
    within = delay_within_conductors(loss_db, grid)
    assert within[5:-5] == pytest.approx(beyond[5:-5], rel=0.03)


def test_bands_are_weighed_by_their_uncertainties():
    wide = found(np.linspace(2e9, 3e9, 51), 0.6, 0.6)
    narrow = found(np.linspace(2e9, 2.01e9, 51), 0.6, 0.6)
    both = combined_delay([narrow, wide])
    assert both.standard_uncertainty_s == wide.standard_uncertainty_s
    assert both.delay_s == pytest.approx(wide.delay_s)

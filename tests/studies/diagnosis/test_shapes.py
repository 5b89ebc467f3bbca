"""The named shapes against networks of scikit-rf, and the rules from shape to metre."""

import numpy as np
import pytest
from scipy.constants import speed_of_light
from skrf import Frequency
from skrf.media import DefinedGammaZ0

from harness.analysis.diagnosis.diagnosed import finding_of
from harness.analysis.diagnosis.diagnosis import diagnose
from harness.analysis.diagnosis.fault_shapes import families
from harness.analysis.diagnosis.finding import Fault
from harness.analysis.diagnosis.observation import Observation

GRID = np.linspace(0.2e9, 6e9, 201)
VELOCITY, LENGTH_M, U_DB = 0.7, 0.6, 0.02
PER_METRE = 0.75 * np.sqrt(GRID / 1e9)


def observation(added_db, *, delay_error=0.0, errors=None, cable=0.05) -> Observation:
    """A cable known to `cable`, with smooth errors of U_DB, and what a fault adds."""
    conductor = LENGTH_M * PER_METRE
    dielectric = 0.05 * LENGTH_M * GRID / 1e9
    whole = conductor + dielectric
    covariance = cable**2 * np.outer(whole, whole) + U_DB**2 + np.diag(np.full(len(GRID), 1e-5))
    residual = np.asarray(added_db) + (0.0 if errors is None else errors(covariance))
    return Observation(
        frequency_hz=GRID,
        band=np.zeros(len(GRID)),
        residual_db=residual,
        covariance=covariance,
        conductor_db=conductor,
        dielectric_db=dielectric,
        cable_length_m=LENGTH_M,
        velocity_factor=VELOCITY,
        delay_s=LENGTH_M / VELOCITY / speed_of_light,
        delay_error=delay_error,
        delay_standard_uncertainty=0.02,
    )


@pytest.fixture(scope="module")
def line():
    """A lossless line of 50 ohm at VELOCITY."""
    gamma = 2j * np.pi * GRID / (VELOCITY * speed_of_light)
    return DefinedGammaZ0(Frequency.from_f(GRID, unit="hz"), z0=50.0, gamma=gamma)


def loss_db(network) -> np.ndarray:
    return -20.0 * np.log10(np.abs(network.s[:, 1, 0]))


def named(seen):
    finding = finding_of(seen, diagnose(seen))
    assert finding.is_accused
    return finding


@pytest.mark.parametrize("ohm", [4.0, 12.0, 40.0])
def test_contact_resistance(line, ohm):
    finding = named(observation(loss_db(line.resistor(ohm))))
    assert finding.fault == Fault.CONNECTOR.value
    assert finding.figures["resistance_ohm"] == pytest.approx(ohm, rel=0.15)


def test_bridged_gap(line):
    z = 1.0 / (1.0 / 120.0 + 2j * np.pi * GRID * 1e-12)
    finding = named(observation(loss_db(line.resistor(z))))
    assert finding.fault == Fault.CONNECTOR.value
    assert finding.form == "gap"
    # the two stand for each other in part: no better than a factor of two is claimed
    assert 60.0 < finding.figures["resistance_ohm"] < 240.0
    assert 0.5e-12 < finding.figures["capacitance_f"] < 2e-12


@pytest.mark.parametrize("distance_m", [0.1, 0.25, 0.5])
def test_distance_of_two_reflections(line, distance_m):
    # ripple period c vf / (2 d) (textbook), by two shunt capacitances that far apart
    spoiled = line.shunt_capacitor(0.3e-12)
    finding = named(observation(loss_db(spoiled ** line.line(distance_m, "m") ** spoiled)))
    assert finding.fault == Fault.RIPPLE.value
    # each capacitance turns the phase by itself: it makes the way a little longer
    assert finding.figures["distance_m"] == pytest.approx(distance_m, rel=0.05, abs=0.01)


@pytest.mark.parametrize("period_m", [0.02, 0.03, 0.06])
def test_period_of_a_line_with_a_pattern(period_m):
    # stop band where a period is half a wave, f = c vf / (2 d) (textbook), and at its third
    gamma = 2j * np.pi * GRID / (VELOCITY * speed_of_light)
    frequency = Frequency.from_f(GRID, unit="hz")
    halves = [
        DefinedGammaZ0(frequency, z0_port=50.0, z0=50.0 * (1.0 + sign * 0.03), gamma=gamma)
        for sign in (1, -1)
    ]
    one = halves[0].line(period_m / 2, "m") ** halves[1].line(period_m / 2, "m")
    whole = one
    for _ in range(round(LENGTH_M / period_m) - 1):
        whole = whole**one
    finding = named(observation(loss_db(whole)))
    assert finding.fault == Fault.NOTCH.value
    assert finding.figures["period_m"] == pytest.approx(period_m, rel=0.02)


@pytest.mark.parametrize("ratio", [0.6, 1.4])
def test_length_by_loss_and_delay(ratio):
    whole = LENGTH_M * PER_METRE + 0.05 * LENGTH_M * GRID / 1e9
    finding = named(observation((ratio - 1.0) * whole, delay_error=ratio - 1.0))
    assert finding.fault == Fault.LENGTH.value
    assert finding.figures["length_m"] == pytest.approx(ratio * LENGTH_M, rel=0.02)


def test_loss_without_delay_is_not_length():
    whole = LENGTH_M * PER_METRE + 0.05 * LENGTH_M * GRID / 1e9
    assert named(observation(0.9 * whole)).fault == Fault.CABLE.value
    # unknown delay: it may be either, and the fault is said to be the cable's
    unknown = observation(0.5 * whole, delay_error=None)
    assert Fault.LENGTH.value not in named(unknown).likelihoods
    assert named(unknown).fault == Fault.CABLE.value


def test_loss_tangent_of_a_wet_cable():
    finding = named(observation(0.3 * GRID / 1e9))
    assert finding.fault == Fault.CABLE.value
    assert finding.figures["loss_ratio_at_highest"] > finding.figures["loss_ratio_at_lowest"]


@pytest.mark.long
def test_a_sound_item_is_accused_no_more_often_than_stated():
    # residuals drawn from the covariance of a sound item itself; binomial, 99.9 % one-sided
    from scipy.stats import binom

    from harness.analysis.diagnosis.diagnosis import FALSE_ACCUSATIONS

    g = np.random.default_rng(12)
    every = slice(None, None, 8)
    whole = observation(0.0 * GRID)
    few = Observation(
        frequency_hz=GRID[every],
        band=whole.band[every],
        residual_db=whole.residual_db[every],
        covariance=whole.covariance[every, every],
        conductor_db=whole.conductor_db[every],
        dielectric_db=whole.dielectric_db[every],
        cable_length_m=LENGTH_M,
        velocity_factor=VELOCITY,
        delay_s=whole.delay_s,
        delay_error=0.0,
        delay_standard_uncertainty=0.02,
    )
    root = np.linalg.cholesky(few.covariance)
    tries, accused = 150, 0
    for _ in range(tries):
        drawn = root @ g.standard_normal(len(root))
        accused += diagnose(_with(few, drawn, 0.02 * g.standard_normal())).is_accused
    assert accused <= binom.ppf(0.999, tries, FALSE_ACCUSATIONS)


def test_less_than_usual_contact_loss_is_no_fault():
    diagnosis = diagnose(observation(np.full_like(GRID, -0.3)))
    assert diagnosis.named is None or diagnosis.named.fault is not Fault.CONNECTOR


def test_adapter_without_cable_has_no_cable_fault():
    seen = observation(np.full_like(GRID, 0.5))
    bare = _with(seen, seen.residual_db, None, cable_length_m=0.0, covariance=np.eye(201) * 1e-4)
    assert {family.fault for family in families(bare)} <= {Fault.CONNECTOR, Fault.RIPPLE}
    assert diagnose(bare).named.fault is Fault.CONNECTOR


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_frequencies_are_no_trouble(count):
    seen = observation(0.0 * GRID)
    few = _with(
        seen,
        seen.residual_db[:count] + 0.4,
        0.0,
        frequency_hz=GRID[:count],
        band=np.arange(float(count)),
        covariance=np.eye(count) * 4e-4,
        conductor_db=seen.conductor_db[:count],
        dielectric_db=seen.dielectric_db[:count],
    )
    diagnosis = diagnose(few)
    assert sum(s.probability for s in diagnosis.suspicions) == pytest.approx(1.0)


def _with(seen, residual_db, delay_error, **changes) -> Observation:
    from dataclasses import replace

    return replace(seen, residual_db=residual_db, delay_error=delay_error, **changes)

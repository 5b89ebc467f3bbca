"""Attenuation from dimensions and materials against handbooks, a simulator, and the catalogue."""

import numpy as np
import pytest
from scipy.constants import mu_0

from harness.analysis.expected.catalogue_files import load_catalogue
from harness.analysis.expected.catalogue_parts import Cable, Construction, Stated
from harness.analysis.units import DB_PER_NEPER
from tests.harness.analysis.expected.first_principles import (
    AGREES_WITHIN,
    BRAID_FACTOR,
    STRAND_DIAMETER,
    STRAND_FACTOR,
    model_line,
    ratio_to_catalogue,
)

CABLES = list(load_catalogue().cables.values())


def smooth(inner_mm, outer_mm, permittivity, loss_tangent, sigma, inner="solid", outer="tube"):
    made = Construction(
        inner_mm / 1e3, outer_mm / 1e3, inner, outer, loss_tangent, sigma, "test"
    )  # fmt: skip
    velocity = Stated(permittivity**-0.5, 0.01, "test")
    return Cable("x", "", 1.0, 0.1, 0.05, 1e9, "test", velocity_factor=velocity, construction=made)


@pytest.mark.parametrize("cable", CABLES, ids=[cable.name for cable in CABLES])
def test_every_cable_loses_what_its_construction_says(cable):
    """Catalogue over first principles, over all published points, within the stated factor."""
    span = np.geomspace(cable.points.frequency_hz[0], cable.highest_point_hz, 9)
    ratio = ratio_to_catalogue(cable, span)
    assert ratio.max() <= AGREES_WITHIN
    assert ratio.min() >= 1.0 / AGREES_WITHIN


@pytest.mark.parametrize("cable", CABLES, ids=[cable.name for cable in CABLES])
def test_every_construction_makes_fifty_ohms(cable):
    """Common practice, no source: 50 ohm within 5 ohm. RG-178's thin bundle reads lowest."""
    assert model_line(cable, np.array([1e9])).impedance_ohm == pytest.approx(50.0, abs=5.0)


def test_a_handbook_line():
    """Pozar, Microwave Engineering, example 6.1: a = 1 mm, b = 4 mm, copper 5.813e7 S/m, 5 GHz:
    0.0220 Np/m with air; filled (2.08, 4e-4; from memory) 0.0318 + 0.0302 Np/m."""
    grid = np.array([5e9])
    air = model_line(smooth(2, 8, 1.0, 0.0, 5.813e7), grid).attenuation_db_per_m
    filled = model_line(smooth(2, 8, 2.08, 4e-4, 5.813e7), grid).attenuation_db_per_m
    assert air / DB_PER_NEPER == pytest.approx(0.0220, rel=0.005)
    assert filled / DB_PER_NEPER == pytest.approx(0.0318 + 0.0302, rel=0.005)


def test_a_circuit_simulator():
    """scikit-rf, media tests: a simulator's coaxial line, 1 mm / 3 mm, permittivity 2.29,
    loss tangent 4e-4, 1.68e-8 ohm m: conductor plus dielectric attenuation in Np/m at 40, 70,
    100 MHz (derived from its S-parameters), 43.5289 ohm."""
    grid = np.array([40e6, 70e6, 100e6])
    line = model_line(smooth(1, 3, 2.29, 4e-4, 1 / 1.68e-8), grid)
    expected = [0.0079405 + 0.00025373, 0.0105042 + 0.00044402, 0.012555 + 0.00063432]
    # scikit-rf adds the conductors' internal inductance, about a percent at these frequencies
    assert line.attenuation_db_per_m / DB_PER_NEPER == pytest.approx(expected, rel=0.01)
    assert line.impedance_ohm == pytest.approx(43.5289, rel=0.01)


@pytest.mark.parametrize(
    ("dimensions", "ghz", "db_per_100_ft"),
    [
        # scikit-rf's line, permittivity 2.04, loss tangent 2e-4, 5.8e7 S/m, an independent run
        ((0.92, 2.985), [0.5, 1.0, 5.0], [7.47, 10.80, 26.34]),
        ((0.51, 1.52), [0.1, 1.0, 2.4, 5.8], [6.37, 20.66, 32.67, 52.43]),
    ],
)
def test_smooth_lines(dimensions, ghz, db_per_100_ft):
    inner_mm, outer_mm = dimensions
    line = model_line(smooth(inner_mm, outer_mm, 2.04, 2e-4, 5.8e7), np.array(ghz) * 1e9)
    assert 30.48 * line.attenuation_db_per_m == pytest.approx(db_per_100_ft, rel=0.005)


@pytest.mark.parametrize(("inner", "outer"), [("19 strands", "braid"), ("solid", "two braids")])
def test_strands_and_braid_count_as_resistance(inner, outer):
    """Textbook: alpha_c = (Rs/2 pi) (K_s/a + K_b/b) / (2 Z0), with the factors as stated."""
    hz = np.array([1e9, 4e9])
    line = model_line(smooth(1, 3.3, 2.0, 0.0, 5.8e7, inner, outer), hz)
    a, b = 0.5e-3 * STRAND_DIAMETER[inner], 1.65e-3
    rs = np.sqrt(np.pi * hz * mu_0 / 5.8e7)
    per_metre = rs / (2 * np.pi) * (STRAND_FACTOR[inner] / a + BRAID_FACTOR[outer] / b)
    alpha = per_metre / (2 * line.impedance_ohm)
    assert line.attenuation_db_per_m == pytest.approx(alpha * DB_PER_NEPER, rel=0.01)


def test_warm_copper_and_any_order_of_frequencies():
    """NBS Handbook 100 (from memory): 0.393 %/K, half of it in the loss."""
    cable = smooth(1, 3.3, 2.0, 0.0, 5.8e7)
    cold = model_line(cable, np.array([3e9, 1e9, 3e9]))
    warm = model_line(cable, np.array([3e9, 1e9, 3e9]), 60.0)
    ratio = warm.attenuation_db_per_m / cold.attenuation_db_per_m
    assert ratio == pytest.approx(1 + 40 * 0.00197, rel=0.002)
    assert cold.attenuation_db_per_m[0] == cold.attenuation_db_per_m[2]
    assert cold.attenuation_db_per_m[0] > cold.attenuation_db_per_m[1]


def test_without_construction_there_is_nothing_to_calculate():
    with pytest.raises(ValueError, match="states no construction"):
        model_line(Cable("x", "", 1.0, 0.1, 0.05, 1e9, "test"), np.array([1e9]))

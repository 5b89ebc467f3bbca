"""Coaxial lines from dimensions and materials, against closed forms and published figures."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.constants import epsilon_0, mu_0, speed_of_light
from skrf import Frequency

from drivers.simulated.described.part_tables import DescribedLine
from drivers.simulated.physics.coaxial import coaxial, of_impedance, section, solved
from tests.long_cases import examples

DB_PER_NEPER = 8.685889638
DB_PER_100_FT = DB_PER_NEPER * 30.48


def line(inner_mm, outer_mm, permittivity=1.0, loss_tangent=0.0, conductivity=5.8e7, **factors):
    return DescribedLine.model_validate(
        {
            "inner_diameter": f"{inner_mm!r} mm",
            "outer_diameter": f"{outer_mm!r} mm",
            "permittivity": permittivity,
            "loss_tangent": loss_tangent,
            "inner_conductivity": f"{conductivity!r} S/m",
            "outer_conductivity": f"{conductivity!r} S/m",
            **factors,
        }
    )


def media(of, frequency_hz, **conditions):
    grid = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    return coaxial(of, Frequency.from_f(grid, unit="hz"), 50.0, **conditions)


def attenuation(of, frequency_hz, **conditions):
    """Np/m."""
    return media(of, frequency_hz, **conditions).gamma.real


def closed_form(of, frequency_hz):
    """Conductor and dielectric loss in Np/m, and how far the thin-skin approximation may be off.

    alpha_c = R' / (2 Z0), R' = Rs / (2 pi) (1/a + 1/b), alpha_d = pi f sqrt(eps) tan(delta) / c
    (textbook; Pozar, Microwave Engineering, 2.2 and 2.7, from memory). Skin depth over radius
    decides the accuracy: the next terms of Schelkunoff's series are delta / (2 a) on the
    resistance, and the conductors' internal inductance on the impedance.
    """
    a, b = of.inner_diameter_m / 2, of.outer_diameter_m / 2
    sigma = of.inner_conductivity_s_per_m
    surface_ohm = np.sqrt(np.pi * frequency_hz * mu_0 / sigma)
    skin_m = 1.0 / (surface_ohm * sigma)
    ratio = np.log(b / a)
    z0 = np.sqrt(mu_0 / epsilon_0 / of.permittivity) / (2 * np.pi) * ratio
    conductor = surface_ohm / (2 * np.pi) * (1 / a + 1 / b) / (2 * z0)
    dielectric = np.pi * frequency_hz * np.sqrt(of.permittivity) * of.loss_tangent / speed_of_light
    tolerance = skin_m / (2 * a) + skin_m * (1 / a + 1 / b) / (4 * ratio)
    return conductor, dielectric, tolerance


@pytest.mark.parametrize(
    ("permittivity", "loss_tangent", "conductor", "dielectric"),
    [(1.0, 0.0, 0.0220, 0.0), (2.08, 4e-4, 0.0318, 0.0302)],
)
def test_the_textbook_example(permittivity, loss_tangent, conductor, dielectric):
    """Pozar, Microwave Engineering, example 6.1: a = 1 mm, b = 4 mm, copper 5.813e7 S/m, 5 GHz.

    Air: 0.0220 Np/m as published; filled: derived from the same formulas. Four digits are
    given, and the thin-skin approximation is good to 0.1 % here.
    """
    of = line(2.0, 8.0, permittivity, loss_tangent, conductivity=5.813e7)
    found = attenuation(of, 5e9)[0]
    assert found == pytest.approx(conductor + dielectric, abs=1e-4)
    by_form = closed_form(of, 5e9)
    assert found == pytest.approx(by_form[0] + by_form[1], rel=by_form[2])


@examples(20, 60)
@given(
    inner_mm=st.floats(0.3, 3.0),
    ratio=st.floats(1.6, 5.0),
    permittivity=st.floats(1.0, 2.5),
    loss_tangent=st.floats(0.0, 2e-3),
    conductivity=st.floats(1e7, 6.2e7),
    frequency_hz=st.floats(1e8, 8e9),
)
def test_any_line_follows_the_closed_form(
    inner_mm, ratio, permittivity, loss_tangent, conductivity, frequency_hz
):
    of = line(inner_mm, inner_mm * ratio, permittivity, loss_tangent, conductivity)
    conductor, dielectric, tolerance = closed_form(of, frequency_hz)
    assert attenuation(of, frequency_hz)[0] == pytest.approx(
        conductor + dielectric, rel=1.1 * tolerance + 1e-4
    )


@pytest.mark.parametrize(
    ("inner_mm", "outer_mm", "frequency_ghz", "db_per_100_ft"),
    [
        (0.92, 2.985, (0.5, 1.0, 5.0), (7.47, 10.80, 26.34)),
        (0.51, 1.52, (0.1, 1.0, 2.4, 5.8), (6.37, 20.66, 32.67, 52.43)),
    ],
    ids=["RG-402 size", "RG-316 size"],
)
def test_first_principles_figures(inner_mm, outer_mm, frequency_ghz, db_per_100_ft):
    """Smooth copper 5.8e7 S/m, PTFE 2.04 and 2e-4: figures computed beforehand by scikit-rf."""
    of = line(inner_mm, outer_mm, 2.04, 2e-4)
    found = attenuation(of, np.array(frequency_ghz) * 1e9) * DB_PER_100_FT
    assert found == pytest.approx(db_per_100_ft, abs=0.006)


def test_semi_rigid_is_within_its_published_range():
    """.141 semi-rigid: 12 dB/100 ft at 1 GHz and 45 at 10 GHz (a maker's sheet, rounded).

    Smooth silver and copper lose a little less than any sheet says, never more.
    """
    of = line(0.92, 2.985, 2.04, 2e-4)
    found = attenuation(of, np.array([1e9, 10e9])) * DB_PER_100_FT
    assert np.all(found < [12.0, 45.0])
    assert np.all(found > np.array([12.0, 45.0]) * 0.8)


def test_thin_flexible_with_strands_and_braid_is_a_real_one():
    """RG-316: 87 dB/100 m at 1 GHz, 128.7 at 2 GHz, 163 at 3 GHz (maker's nominal, Huber+Suhner
    sheet as transcribed in public source); the factors are those of the starting description."""
    of = line(0.51, 1.52, 2.04, 3e-4, 6.1e7, inner_factor=1.25, outer_factor=1.6)
    found = attenuation(of, np.array([1e9, 2e9, 3e9])) * DB_PER_NEPER * 100
    assert found == pytest.approx([87.0, 128.7, 163.0], rel=0.1)


def test_impedance_and_delay_follow_the_dimensions():
    """Z0 = eta0 / (2 pi sqrt(eps)) ln(b/a), velocity c / sqrt(eps): textbook, high frequency."""
    of = line(0.92, 2.985, 2.04)
    found = media(of, 5e9)
    assert found.z0_characteristic.real[0] == pytest.approx(49.4, abs=0.2)
    velocity = 2 * np.pi * 5e9 / found.gamma.imag[0]
    assert velocity == pytest.approx(speed_of_light / np.sqrt(2.04), rel=2e-3)


@pytest.mark.parametrize(
    ("frequency_hz", "s21"),
    [
        (40e6, 0.965211447926 - 0.252694586273j),
        (70e6, 0.897847896451 - 0.431200533288j),
        (100e6, 0.797944750178 - 0.592704940136j),
    ],
)
def test_another_simulator_agrees(frequency_hz, s21):
    """Reference of a circuit simulator (scikit-rf, skrf/media/tests): d 1 mm, D 3 mm, 200 mm,
    eps 2.29, tan delta 4e-4, 1.68e-8 ohm m, without the conductors' internal inductance, which
    lengthens the line here by up to 1 % at 40 MHz."""
    network = media(line(1.0, 3.0, 2.29, 4e-4, 1 / 1.68e-8), frequency_hz).line(0.2, "m")
    assert abs(network.s[0, 1, 0]) == pytest.approx(abs(s21), rel=5e-4)
    assert np.angle(network.s[0, 1, 0]) == pytest.approx(np.angle(s21), rel=1.2e-2)


def test_a_factor_multiplies_its_conductors_loss():
    """alpha_c is in proportion to Rs/a + Rs/b, so that each conductor has a known share."""
    frequency_hz = 3e9
    smooth = attenuation(line(1.0, 3.0), frequency_hz)[0]
    stranded = attenuation(line(1.0, 3.0, inner_factor=1.4), frequency_hz)[0]
    braided = attenuation(line(1.0, 3.0, outer_factor=1.4), frequency_hz)[0]
    assert stranded / smooth == pytest.approx(1 + 0.4 * 0.75, rel=5e-3)
    assert braided / smooth == pytest.approx(1 + 0.4 * 0.25, rel=5e-3)


@pytest.mark.parametrize("temperature_c", [-20.0, 20.0, 23.0, 45.0])
def test_warm_copper_loses_more(temperature_c):
    """Resistance +0.393 %/K (NBS Handbook 100, from memory); skin effect takes its root.

    Dielectric loss stays; the thin skin gets thicker by the same root, which is the tolerance.
    """
    of = line(1.0, 3.0, 2.04, 2e-4)
    conductor, dielectric, tolerance = closed_form(of, 2e9)
    expected = conductor * np.sqrt(1 + 0.00393 * (temperature_c - 20.0)) + dielectric
    change = attenuation(of, 2e9, temperature_c=temperature_c)[0] - attenuation(of, 2e9)[0]
    assert change == pytest.approx(expected - conductor - dielectric, rel=3 * tolerance, abs=1e-12)


def test_delay_follows_its_coefficient():
    of = line(1.0, 3.0, 2.04, delay_ppm_per_k=-60.0)
    cold, warm = (media(of, 2e9, temperature_c=t).gamma.imag[0] for t in (20.0, 30.0))
    # warmer conductors also have a little more internal inductance
    assert warm / cold - 1 == pytest.approx(-600e-6, rel=0.1)


@settings(max_examples=20)
@given(st.floats(0.8, 1.2))
def test_a_line_of_another_impedance(ratio):
    of = line(0.92, 2.985, 2.04)
    before, after = (media(some, 5e9).z0_characteristic.real[0] for some in
                     (of, of_impedance(of, ratio)))  # fmt: skip
    assert after / before == pytest.approx(ratio, rel=2e-3)


@settings(max_examples=40)
@given(
    length_m=st.floats(1e-3, 20.0),
    inner_mm=st.floats(0.3, 3.0),
    ratio=st.floats(1.6, 5.0),
    conductivity=st.floats(1e5, 6e7),
)
def test_a_section_is_scikit_rf_s_line(length_m, inner_mm, ratio, conductivity):
    """Media.line, to the rounding of its changes of port impedance."""
    frequency_hz = np.linspace(10e6, 8e9, 30)
    found = media(line(inner_mm, inner_mm * ratio, 2.04, 1e-3, conductivity), frequency_hz)
    built = section(solved(found), length_m, found.frequency, 50.0)
    assert built.s == pytest.approx(found.line(length_m, "m").s, abs=1e-10)

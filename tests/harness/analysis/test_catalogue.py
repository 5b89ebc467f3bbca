"""Catalogue and expected loss against published tables and the facts of the trade."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.quantities import LENGTH_UNITS, parse_quantity
from harness.analysis.catalogue import (
    Catalogue,
    UnknownPartError,
    fit_attenuation,
    load_catalogue,
)
from harness.analysis.expected import expected_loss
from harness.analysis.parts import parse_part


def chain(*parts):
    return [parse_part(p, lambda text: parse_quantity(text, LENGTH_UNITS, "1 m")) for p in parts]


def loss_db(parts, *ghz):
    return expected_loss(chain(*parts), load_catalogue(), np.array(ghz) * 1e9).loss_db


@pytest.mark.parametrize(
    ("cable", "mhz", "db_per_100_m", "within"),
    [
        # makers' data sheets as transcribed in public sources, same rows as the catalogue's
        ("RG-316", [200, 1000, 3000], [36.5, 87.0, 163.0], 0.002),
        ("RG-174", [100, 400, 1000], [28.4, 57.5, 92.2], 0.003),
        ("240-size foam", [150, 900, 2500, 5800], [9.9, 24.8, 42.4, 66.8], 0.005),
        # rows that the fit has not seen: within twice the entry's own uncertainty
        # closed form of a maker's RG-213/U sheet, 0.1679 sqrt(f) + 0.0585 f dB/m, to 1 GHz
        ("RG-213", [200, 400, 1000], [8.68, 12.96, 22.64], None),
        # another maker's 240-size sheet
        ("240-size foam", [450, 1800, 5200], [17.3, 35.6, 63.3], None),
        # catalogue constants 0.12229 sqrt(f_MHz) + 0.00026 f_MHz dB/100 ft of a 400-size cable
        ("400-size foam", [100, 1500, 5800], [4.097, 16.818, 35.503], None),
        # another author's fit of RG-316 sheets, plausibility only
        ("RG-316", [400, 1000], [17.42 * 3.28084, 28.85 * 3.28084], None),
    ],
)
def test_attenuation_agrees_with_published_tables(cable, mhz, db_per_100_m, within):
    entry = load_catalogue().cables[cable]
    got = 100 * entry.attenuation_db_per_m(np.array(mhz) * 1e6)
    allowed = 2 * entry.relative_uncertainty if within is None else within
    assert got == pytest.approx(np.array(db_per_100_m), rel=allowed)


def test_fit_of_a_corrugated_cable():
    """Maker's sheet of a 1/4 inch corrugated foam cable, 1 MHz to 18 GHz, three decimals:
    a 18.19057, b 1.36493 dB/100 m, largest residual 0.0005 (independent recomputation)."""
    mhz = np.array([1, 10, 50, 100, 200, 500, 1000, 1500, 2000, 3000, 4000, 5000, 6000, 8000,
                    10000, 12000, 14000, 16000, 18000.0])  # fmt: skip
    db = np.array([0.577, 1.833, 4.136, 5.889, 8.408, 13.545, 19.556, 24.326, 28.455, 35.602,
                   41.841, 47.5, 52.747, 62.37, 71.173, 79.393, 87.172, 94.601,
                   101.745])  # fmt: skip
    a, b = fit_attenuation(mhz * 1e6, db)
    assert (round(a, 5), round(b, 5)) == (18.19057, 1.36493)
    residual = a * np.sqrt(mhz / 1e3) + b * mhz / 1e3 - db
    assert np.abs(residual).max() < 0.0006


@given(a=st.floats(0.001, 10), b=st.floats(0, 10))
def test_fit_returns_the_constants_it_was_given(a, b):
    ghz = np.array([0.1, 0.5, 1.0, 3.0, 6.0])
    got = fit_attenuation(ghz * 1e9, a * np.sqrt(ghz) + b * ghz)
    assert got == pytest.approx((a, b), rel=1e-6, abs=1e-9)


def test_half_a_metre_of_rg_316():
    """Common practice, no source: 18 in of RG-316 with its connectors measures about 0.7, 1.0,
    1.3, 1.7 dB at 1.3, 2.4, 3.3, 5.8 GHz, leads' adapters included. Ratios between
    frequencies within 15 %, absolute values between 0.55 and 1.05 of these."""
    practice = np.array([0.7, 1.0, 1.3, 1.7])
    model = loss_db(["RG-316 18 in", "2 x SMA"], 1.3, 2.4, 3.3, 5.8)
    share = model / practice
    assert np.all((share >= 0.55) & (share <= 1.05))
    assert share.max() / share.min() < 1.15


@pytest.mark.parametrize(
    ("parts", "ghz", "low", "high"),
    [
        (["RG-402 0.15 m", "2 x SMA semi-rigid"], 5.8, 0.2, 0.3),
        (["SMA straight adapter"], 5.8, 0.08, 0.12),
        (["SMA right-angle adapter"], 5.8, 0.35, 0.45),
        (["SMA right-angle adapter"], 2.4, 0.08, 0.12),
        (["SMA 45-degree adapter"], 5.8, 0.08, 0.12),
    ],
)
def test_other_facts_of_the_trade(parts, ghz, low, high):
    """Common practice, no source: a 0.15 m semi-rigid jumper loses 0.2 to 0.3 dB at 5.8 GHz, a
    straight or 45-degree adapter about 0.1 dB there, a sharp right angle about 0.4 dB and
    0.1 dB at 2.4 GHz."""
    assert low <= loss_db(parts, ghz)[0] <= high


def test_one_decibel_is_reached_by_a_metre_of_thin_cable():
    """Common practice, no source: 1 dB is the usual threshold at which a loss is noticed in a
    link; half a metre of RG-316 stays below it at 2.4 GHz and a metre does not."""
    assert loss_db(["RG-316 500 mm", "2 x SMA"], 2.4)[0] < 1.0
    assert loss_db(["RG-316 1 m", "2 x SMA"], 2.4)[0] > 1.0


def test_every_entry_names_its_source():
    catalogue = load_catalogue()
    for entry in [*catalogue.cables.values(), *catalogue.joints.values()]:
        assert len(entry.source) > 10
        assert 0.0 < entry.relative_uncertainty < 1.0
        assert np.all(np.asarray(loss_of(entry)) > 0.0)


def loss_of(entry):
    grid = np.array([1e8, 1e9, 5e9])
    return entry.loss_db(grid) if hasattr(entry, "loss_db") else entry.attenuation_db_per_m(grid)


@given(metres=st.floats(0.01, 50), copies=st.integers(1, 5))
def test_expected_loss_adds_up(metres, copies):
    """Loss is proportional to length and to count; the uncertainty of like parts adds
    linearly, because they err alike."""
    grid = np.array([1e9, 3e9])
    one = expected_loss(chain(f"RG-316 {metres!r} m"), load_catalogue(), grid)
    many = expected_loss(chain(f"{copies} x RG-316 {metres!r} m"), load_catalogue(), grid)
    assert many.loss_db == pytest.approx(copies * one.loss_db)
    assert many.standard_uncertainty_db == pytest.approx(copies * one.standard_uncertainty_db)


def test_warm_copper_loses_more():
    """NBS Handbook 100 (from memory): copper's resistance rises 0.393 %/K, so conductor loss
    rises about 0.2 %/K."""
    cable = load_catalogue().cables["RG-402"]
    grid = np.array([1e8])
    ratio = cable.attenuation_db_per_m(grid, 30.0) / cable.attenuation_db_per_m(grid, 20.0)
    assert float(ratio[0]) == pytest.approx(1.02, abs=0.001)


@pytest.mark.parametrize(
    ("parts", "complaint"),
    [
        (["RG-361 1 m"], "did you mean 'RG-316'"),
        (["RG-316"], "say how long"),
        (["SMA 10 mm"], "has no length"),
        (["zzzz"], "known: RG-58"),
    ],
)
def test_wrong_parts_are_named(parts, complaint):
    with pytest.raises(UnknownPartError, match=complaint):
        loss_db(parts, 1.0)


def test_an_empty_catalogue_says_so():
    with pytest.raises(UnknownPartError, match="no part 'SMA'"):
        Catalogue({}, {}).find("SMA")

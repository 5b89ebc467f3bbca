"""Catalogue and expected loss against published tables and the facts of the trade."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.quantities import LENGTH_UNITS, parse_quantity
from harness.analysis.expected.attenuation_fit import fit_attenuation, is_fit
from harness.analysis.expected.catalogue_cables import CableEntry
from harness.analysis.expected.catalogue_files import load_catalogue
from harness.analysis.expected.catalogue_parts import (
    Cable,
    Catalogue,
    Joint,
    UnknownPartError,
    rests_on_memory,
)
from harness.analysis.expected.expected_loss import expected_loss
from harness.analysis.expected.part_list import parse_part


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
    got = 100 * entry.attenuation_at_points_db_per_m(np.array(mhz) * 1e6)
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


def test_stated_fits_are_what_a_solver_finds():
    """scipy's non-negative least squares on the same points."""
    for cable in load_catalogue().cables.values():
        points = cable.points
        found = fit_attenuation(
            points.frequency_hz, points.attenuation_db_per_m, points.standard_uncertainty_db_per_m
        )
        assert (cable.conductor_db_per_m, cable.dielectric_db_per_m) == pytest.approx(
            found, rel=1e-12
        )


@given(
    db=st.lists(st.floats(0.1, 50.0), min_size=3, max_size=3),
    off=st.sampled_from([1.0, 1.0 + 1e-6, 0.9]),
)
def test_a_fit_is_known_by_its_points(db, off):
    """Also where a constant is held at zero, as points that do not rise make it."""
    hz, u = np.array([1e8, 1e9, 6e9]), np.array([0.1, 0.2, 0.3])
    a, b = fit_attenuation(hz, np.array(db), u)
    assert is_fit((a * off, b * off), hz, np.array(db), u) == (off == 1.0)


def test_a_fit_to_other_points_is_refused():
    table = {
        "unit": "dB/m", "points_mhz": [[100, 1.0], [1000, 3.5]], "relative_uncertainty": 0.1,
        "source": "made for this test",
    }  # fmt: skip
    cable = CableEntry.model_validate(table).cable("x", {})
    fitted = [cable.conductor_db_per_m, cable.dielectric_db_per_m]
    again = CableEntry.model_validate({**table, "fitted_db_per_m": fitted}).cable("x", {})
    assert (again.conductor_db_per_m, again.covariance) == (fitted[0], cable.covariance)
    with pytest.raises(ValueError, match="not what the points give"):
        CableEntry.model_validate({**table, "fitted_db_per_m": [fitted[0] * 1.01, fitted[1]]})
    constants = {"conductor_db_per_m": 1.0, "dielectric_db_per_m": 0.1, "highest_ghz": 1.0}
    without = {"relative_uncertainty": 0.1, "source": "made", "constants": constants}
    with pytest.raises(ValueError, match="belongs to points_mhz"):
        CableEntry.model_validate({**without, "fitted_db_per_m": fitted})


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
    entries: list[Cable | Joint] = [*catalogue.cables.values(), *catalogue.joints.values()]
    for entry in entries:
        assert len(entry.source) > 10
        assert 0.0 < entry.relative_uncertainty < 1.0
        assert np.all(np.asarray(loss_of(entry)) > 0.0)


def loss_of(entry):
    grid = np.array([1e8, 1e9, 5e9])
    return entry.loss_db(grid) if hasattr(entry, "loss_db") else entry.attenuation_db_per_m(grid)


def test_every_cable_and_joint_that_is_asked_for_is_there():
    """Generic or military designations; connector pairs and adapters of the trade."""
    known = load_catalogue()
    for number in (58, 174, 178, 213, 223, 142, 400, 316, 402, 405):
        assert f"RG-{number}" in known.cables
    for size in (195, 240, 400):
        assert f"{size}-size foam" in known.cables
    assert len(known.cables) >= 14
    for connector in ("SMA", "RP-SMA", "N", "BNC", "TNC", "MCX", "MMCX", "U.FL-size"):
        assert known.joints[connector].kind == "connector"
    for body in ("straight", "right-angle", "swept right-angle", "45-degree", "bulkhead",
                 "female-female", "male-male"):  # fmt: skip
        assert known.joints[f"SMA {body} adapter"].kind == "adapter"


def test_every_entry_is_complete():
    catalogue = load_catalogue()
    grid = np.geomspace(1e8, 5e9, 5)
    for cable in catalogue.cables.values():
        stated = [cable.velocity_factor, cable.temperature_coefficient, cable.rated_frequency]
        assert cable.points is not None
        assert cable.construction is not None
        assert cable.maximum is not None
        parts: list[Any] = [*stated, cable.points, cable.construction, cable.maximum]
        for part in parts:
            assert len(part.source) > 10
        assert np.all(cable.maximum_db_per_m(grid) >= cable.attenuation_db_per_m(grid))
    for joint in catalogue.joints.values():
        assert len(joint.maximum_source) > 10
        assert len(joint.rated_frequency.source) > 10
        assert np.all(joint.maximum_loss_db(grid) > joint.loss_db(grid))
        assert (joint.torque is None) == bool(joint.coupling)


def test_what_rests_on_memory_is_wide():
    """A number without a document behind it is good to 15 % of a cable's loss at best, and to
    30 % of a joint's."""
    catalogue = load_catalogue()
    of_memory = [c for c in catalogue.cables.values() if rests_on_memory(c.source)]
    assert [cable.name for cable in of_memory] == ["RG-223"]
    assert min(cable.relative_uncertainty for cable in of_memory) >= 0.15
    joints = [j for j in catalogue.joints.values() if rests_on_memory(j.source)]
    assert min(joint.relative_uncertainty for joint in joints) >= 0.3


@pytest.mark.parametrize(
    ("name", "in_lbf", "n_m"),
    [("SMA", (3, 5), (0.339, 0.5649)), ("N", (12, 15), (1.3558, 1.6948))],
)
def test_torque_in_inches_and_metres(name, in_lbf, n_m):
    """1 in lbf = 0.0254 m x 4.4482216152605 N exactly; the metric figures are rounded ones."""
    torque = load_catalogue().joints[name].torque
    assert torque.in_lbf == in_lbf
    assert torque.n_m == pytest.approx(n_m, rel=0.12)


def test_the_most_a_cable_may_lose_keeps_its_published_points():
    """RG-58: 4 and 28 dB/100 ft at 50 and 1000 MHz (MIL-C-17G /28C, as quoted); RG-213: 9 at
    1000 MHz (/74C, as quoted); RG-142: 30.51 dB/100 m at 400 MHz (distributor's sheet)."""
    cables = load_catalogue().cables
    for name, mhz, db, metres in (
        ("RG-58", 50, 4, 30.48), ("RG-58", 1000, 28, 30.48), ("RG-213", 1000, 9, 30.48),
        ("RG-142", 400, 30.51, 100),
    ):  # fmt: skip
        most = cables[name].maximum_db_per_m(np.array([mhz * 1e6]))
        assert metres * float(most[0]) == pytest.approx(db, rel=1e-6)


@given(st.sampled_from([*load_catalogue().cables, *load_catalogue().joints]))
def test_spelling_does_not_matter(name):
    known = load_catalogue()
    for spelt in (name.lower(), name.upper(), name.replace("-", ""), name.replace("-", " ")):
        assert known.find(spelt).name == name


def test_own_entries_stand_for_those_of_their_name():
    own = replace(load_catalogue().joints["SMA"], ohmic_db=0.01, aliases=("our SMA",))
    known = load_catalogue().with_entries(Catalogue({}, {"sma": replace(own, name="sma")}))
    assert known.joints["sma"].ohmic_db == 0.01
    assert known.find("our sma").name == "sma"
    assert "SMA" not in known.joints
    assert known.find("RG-316") is load_catalogue().find("RG-316")


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
        (["RG-231 1 m"], "did you mean 'RG-213'"),
        (["RG-316 1,2 m"], "write 'RG-316 1.2 m'"),
        (["RG-316 4'"], "write 'RG-316 4 ft'"),
        (['RG-316 18"'], "write 'RG-316 18 in'"),
        (["RG-316, 1,2m"], "write 'RG-316 1.2 m'"),
        (["2xN"], "write '2 x N', with blanks"),
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


def test_a_maximum_is_of_the_longest_and_the_worst():
    grid = np.array([2.4e9])
    parts = chain("RG-316 450 mm", "2 x SMA")
    got = expected_loss(parts, load_catalogue(), grid, length_limits_m=0.05)
    cable = load_catalogue().cables["RG-316"]
    most = 0.5 * cable.maximum_db_per_m(grid) + 2 * 0.06 * np.sqrt(2.4)
    assert got.maximum_db == pytest.approx(most)


def test_parts_of_one_entry_count_as_one():
    """Two pieces of one cable err alike wherever they stand in the chain, and by any spelling."""
    grid = np.array([1e9])
    apart = expected_loss(chain("RG-316 1 m", "SMA", "rg316 2 m"), load_catalogue(), grid)
    whole = expected_loss(chain("RG-316 3 m", "SMA"), load_catalogue(), grid)
    assert apart.standard_uncertainty_db == pytest.approx(whole.standard_uncertainty_db)
    assert [part.entry.name for part in apart.parts] == ["RG-316", "SMA", "RG-316"]
    assert sum(part.loss_db for part in apart.parts) == pytest.approx(apart.loss_db)


def test_what_is_beyond_its_rating_is_told():
    low = expected_loss(chain("RG-316 1 m", "BNC"), load_catalogue(), np.array([3e9]))
    high = expected_loss(chain("RG-316 1 m", "2 x BNC", "BNC"), load_catalogue(), np.array([5e9]))
    assert low.beyond_rating == ()
    assert high.beyond_rating == ("RG-316 is rated to 3 GHz only.", "BNC is rated to 4 GHz only.")


def test_warmth_is_less_sure_far_from_the_points():
    """The temperature coefficient has an uncertainty; at the points' temperature it is none."""
    grid = np.array([1e9])
    cable = load_catalogue().cables["240-size foam"]
    near = expected_loss(chain("240-size 1 m"), load_catalogue(), grid, temperature_c=25.0)
    far = expected_loss(chain("240-size 1 m"), load_catalogue(), grid, temperature_c=85.0)
    assert near.loss_db == pytest.approx(cable.attenuation_at_points_db_per_m(grid))
    relative = [e.standard_uncertainty_db / e.loss_db for e in (near, far)]
    assert relative[1] > relative[0]


def test_uncertainty_of_a_cable_has_its_parts():
    """Spread of the type, what the fit leaves open, and growth beyond the points."""
    cable = load_catalogue().cables["RG-178"]
    hz = np.array([3e8, 1e9, 4e9])
    ghz = hz / 1e9
    (aa, ab), (_, bb) = cable.covariance
    of_fit = np.sqrt(aa * ghz + 2 * ab * ghz**1.5 + bb * ghz**2)
    of_fit /= cable.attenuation_at_points_db_per_m(hz)
    of_type = 0.08 * np.array([1.0, 1.0, 4.0])
    assert cable.relative_uncertainty_at(hz) == pytest.approx(np.hypot(of_type, of_fit))
    assert of_fit[2] > of_fit[1]


def test_a_length_within_limits_is_rectangular():
    """JCGM 100:2008, 4.3.7: limits a without further knowledge have u = a / sqrt(3)."""
    grid = np.array([1e9])
    parts = chain("RG-316 1 m")
    plain = expected_loss(parts, load_catalogue(), grid)
    limited = expected_loss(parts, load_catalogue(), grid, length_limits_m=0.3)
    added = limited.standard_uncertainty_db**2 - plain.standard_uncertainty_db**2
    assert np.sqrt(added) == pytest.approx(0.3 * plain.loss_db / np.sqrt(3))

"""The lines that rest on what is stated: each as large as it must be, on the term it acts on."""

from dataclasses import replace

import numpy as np
import pytest

from tests.harness.analysis.loss.contribution_bench import PLAIN, bench, lines, stated


def test_leakage_is_that_of_a_phasor():
    """Exact: level of 1 + e exp(j phi) with uniform phase, e 20 dB down: its standard deviation is
    the line's to 1 % (the leakage term of EA-4/02 S7)."""
    readings = bench(PLAIN, making_db=0.0, noise_db=1e-9, loss_db=40.0)
    line = lines(readings, stated(4, isolation_db=60.0))["leakage"]
    phase = 2 * np.pi * np.arange(3600) / 3600
    exact = np.std(20 * np.log10(np.abs(1 + 0.1 * np.exp(1j * phase))))
    assert line.standard_uncertainty_db == pytest.approx(exact, rel=0.01)
    assert line.distribution == "U-shaped"


def test_leads_and_pads_are_in_the_path_that_leakage_passes():
    """Leads of 10 dB each way make the item 10 dB more exposed: the line grows tenfold in
    20 dB (EA-4/02 S7: 8.686 dB x 10^(-(I - A) / 20))."""
    readings = bench(PLAIN, making_db=0.0, noise_db=1e-9, loss_db=20.0)
    padded = replace(
        readings, normalization=readings.normalization / 10, insertions=readings.insertions / 10
    )
    bare, behind = (
        lines(each, stated(4, isolation_db=100.0))["leakage"].standard_uncertainty_db
        for each in (readings, padded)
    )
    assert behind == pytest.approx(10.0 * bare, rel=1e-6)


def test_resolution_is_that_of_two_rounded_readings():
    """By simulation: the difference of two readings rounded to 0.1 dB is off by 0.1 / sqrt(6)
    (triangular; JCGM 100:2008, 4.3.9)."""
    rng = np.random.default_rng(3)
    through, item = rng.uniform(-10, 10, (2, 100_000))
    off = (np.round(through, 1) - np.round(item, 1)) - (through - item)
    line = lines(bench(PLAIN), stated(4, resolution_db=0.1))["resolution"]
    assert line.standard_uncertainty_db[0] == pytest.approx(off.std(), rel=0.01)


def test_statements_in_the_words_of_a_data_sheet():
    """Rectangular limits (JCGM 100:2008, 4.3.7), each on the term that it acts on."""
    readings = bench(PLAIN, making_db=0.0, noise_db=1e-9, loss_db=20.0)
    found = lines(
        readings,
        stated(
            4, linearity_db=0.02, linearity_per_10_db=0.01, flexure_db=0.03,
            temperature_limits_k=2.0, temperature_coefficient_per_k=0.002,
        ),
    )  # fmt: skip
    limits = {
        "linearity of the receiver": 0.02 + 0.01 * 2,
        "flexure of the leads": 0.03,
        "temperature": 2.0 * 0.002 * 20.0,
    }
    for name, limit in limits.items():
        assert found[name].standard_uncertainty_db == pytest.approx(limit / np.sqrt(3), rel=1e-3)
    assert found["temperature"].acts_on == "item"
    assert found["connection of the reference"].acts_on == "reference"


def test_the_parts_of_a_mismatch_make_it_up():
    readings = bench(PLAIN)
    line = lines(
        readings, stated(4, source_reflection=0.05, load_reflection=0.03, item_reflection=0.1)
    )["mismatch"]
    assert line.parts_db.shape == (6, 4)
    assert np.sqrt(np.sum(line.parts_db**2, axis=0)) == pytest.approx(line.standard_uncertainty_db)

"""What a diagnosis says of items that lose too little."""

from dataclasses import replace

import numpy as np
import pytest

from harness.analysis.diagnosis.finding import Fault, Finding
from harness.report.words.diagnosis_words import finding_sentences, less_than_expected

LESS = Finding(
    is_accused=True, fault=None, form="", probability=0.9, false_accusation=1e-4,
    frequency_hz=2.4e9, effect_db=-0.4, has_delay=True,
    figures={"length_ratio": 0.5, "stated_length_m": 1.0, "length_m": 0.5,
             "loss_ratio_at_lowest": 0.5, "loss_ratio_at_highest": 0.5},
    likelihoods={Fault.LENGTH.value: 0.6, Fault.CABLE.value: 0.4},
)  # fmt: skip


@pytest.mark.parametrize("fault", [None, Fault.LENGTH.value, Fault.CABLE.value])
@pytest.mark.parametrize("has_delay", [True, False])
def test_a_loss_that_is_too_low_accuses_no_cable(fault, has_delay):
    """Whatever the shape looks most like: no fault takes loss away, so the measuring is doubted."""
    said = " ".join(finding_sentences(replace(LESS, fault=fault, has_delay=has_delay)))
    for word in ("water", "length", "easure the cable", "longer", "shorter", "connector"):
        assert word not in said
    assert "0.4 dB less than it should lose" in said
    assert "Was the item in" in said


def test_a_loss_that_is_too_high_has_its_cable_looked_at():
    said = " ".join(finding_sentences(replace(LESS, fault=Fault.CABLE.value, effect_db=0.4)))
    assert "water" in said


@pytest.mark.parametrize(("above_db", "is_told"), [(0.0, False), (-0.05, False), (-0.2, True)])
def test_an_item_that_loses_less_than_it_should_is_told(good_run, above_db, is_told):
    """E_n = -0.2 / sqrt(U^2 + 0.06^2) is below -1; -0.05 of the same is not."""
    bands = {
        name: replace(
            band,
            expected_db=band.insertion_loss_db - above_db,
            expected_expanded_uncertainty_db=np.full(len(band.frequency_hz), 0.06),
            expanded_uncertainty_db=np.full(len(band.frequency_hz), 0.08),
        )
        for name, band in good_run.bands.items()
    }
    said = less_than_expected(bands)
    assert ("Is it this item" in said) is is_told
    assert ("E_n = -2.0" in said) is is_told

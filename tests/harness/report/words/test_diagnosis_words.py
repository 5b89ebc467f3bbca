"""What a diagnosis says of items that lose too little."""

from dataclasses import replace

import pytest

from harness.analysis.diagnosis.finding import Fault, Finding
from harness.report.words.diagnosis_words import finding_sentences

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

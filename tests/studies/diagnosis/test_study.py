"""A few drawn items of every kind; the whole study is `python -m tests.studies.diagnosis`."""

import pytest

from harness.analysis.diagnosis.diagnosed import finding_of
from harness.evaluation.read_back import as_text, from_text
from tests.studies.diagnosis.assemblies import KINDS, SOUND, draw
from tests.studies.diagnosis.measured import WIDE, examine
from tests.studies.diagnosis.study import study

SEEDS = range(20)
"""Among those that the diagnosis was built on; the judgement uses others."""


@pytest.mark.long
def test_faults_are_named_and_sound_items_left_alone():
    tally = study(SEEDS)
    assert {o.drawn.fault for o in tally.outcomes} == {SOUND, *KINDS}
    assert tally.share_named_rightly() >= 0.9, tally.table()
    assert tally.share_accused() <= 0.1, tally.table()


@pytest.mark.parametrize("seed", [0, 2, 4])
def test_a_finding_is_the_same_when_it_is_read_back(seed):
    found = examine(draw(seed, "connector", is_wide=True), seed, WIDE)
    finding = finding_of(found.seen, found.diagnosis, end=2)
    assert from_text(as_text(finding)) == finding
    assert from_text(as_text(None)) is None

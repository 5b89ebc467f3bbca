"""The study of gauge studies, reduced."""

import pytest

from tests.studies.gauge.study import BENCHES, LEAST, coverage


@pytest.mark.parametrize("bench", BENCHES[:2], ids=lambda bench: bench.name)
def test_the_limits_hold_the_truth(bench):
    for name, share in coverage(bench, 150).items():
        assert share.interval(0.999)[1] > LEAST, f"{name} holds only {share.fraction:.1%}"
        assert share.interval(0.999)[0] < 0.97, f"{name} holds {share.fraction:.1%}: too cautious"


def test_limits_of_half_the_confidence_hold_half():
    """So that the study would notice limits that are too narrow."""
    shares = coverage(BENCHES[0], 100, confidence=0.5)
    assert all(share.interval(0.999)[1] < LEAST for share in shares.values())

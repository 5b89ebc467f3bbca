"""The study of coverage, reduced; the whole is `python -m tests.studies.stability`."""

import pytest

from harness.analysis.loss.band import stability_of_band
from harness.analysis.lots.binomial import Share
from tests.long_cases import long
from tests.studies.stability import study
from tests.studies.stability.study import LEAST, MOST, allan_coverage, carry_out
from tests.studies.stability.worlds import World, worlds

SURE = 0.995
"""Confidence of the interval that a share found in few runs stands for."""
RUNS = 30


def may_be(share: Share, least: float, most: float) -> bool:
    """Whether the share that was found can come from one between the two."""
    low, high = share.interval(SURE)
    return high >= least and low <= most


@pytest.mark.parametrize(
    "world",
    [World("walk, 40", 40, 0.0, walk=1.0), *long(World("white, 40", 40))],
    ids=lambda world: world.name,
)
def test_intervals_hold_what_they_say(world):
    found = carry_out(world, RUNS)
    assert may_be(found.drift, LEAST, 1.0)
    assert may_be(found.temperature, LEAST, MOST)
    assert may_be(found.warm_up_seen, 0.0, 0.02)


def test_an_interval_of_half_the_width_is_caught(monkeypatch):
    real = stability_of_band

    def halved(band):
        found = real(band)
        for estimate in (found.temperature.drift_db_per_h, found.temperature.coefficient_db_per_k):
            for end in ("low", "high"):
                value = 0.4 * getattr(estimate, end) + 0.6 * estimate.value
                object.__setattr__(estimate, end, value)
        return found

    monkeypatch.setattr(study, "stability_of_band", halved)
    found = carry_out(World("white, 32", 32), 25)
    assert not may_be(found.temperature, LEAST, MOST)


@pytest.mark.long
@pytest.mark.parametrize("noise", ["white", "random walk"])
def test_intervals_of_the_allan_deviation_hold_what_they_say(noise):
    for row in allan_coverage(noise, 480, 400):
        assert may_be(row.share, LEAST, MOST), row


def test_the_list_of_worlds_is_whole():
    names = [world.name for world in worlds()]
    assert len(set(names)) == len(names)
    for kind in ("white", "memory", "random walk", "insertions"):
        assert any(kind in name for name in names)

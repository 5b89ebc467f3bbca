"""Where the zero of a sitting ought to lie, by the zeros of earlier ones."""

import math

import numpy as np
import pytest
from scipy.stats import t as student

from harness.analysis.likeness.reads_like import Likeness
from harness.analysis.likeness.zero_level import (
    FEWEST_SITTINGS,
    HONEST_DOUBTED,
    SITTING_S,
    EarlierZero,
    first_of_sittings,
    foreseen_from,
    zero_offset,
)
from tests.harness.analysis.likeness.worlds import World

BAND = "telemetry-868"
DAY_S = 86400.0


def zeros(levels_db):
    return [EarlierZero(day * DAY_S, {BAND: level}) for day, level in enumerate(levels_db)]


def test_it_is_the_prediction_interval_of_a_normal_quantity():
    """ISO 16269-8 (unknown standard deviation): mean +- t s sqrt(1 + 1/n), t of scipy.stats."""
    levels_db = np.array([-26.1, -25.9, -26.2, -25.7, -26.0, -26.3])
    found = foreseen_from(zeros(levels_db), [BAND], 0.001, 0.0)[BAND]
    t = student.ppf(1.0 - HONEST_DOUBTED / 2.0, 5)
    assert found.level_db == pytest.approx(levels_db.mean())
    assert found.within_db == pytest.approx(t * levels_db.std(ddof=1) * math.sqrt(7.0 / 6.0))
    assert (found.sittings, found.likeness) == (6, Likeness.UNLIKE_EARLIER)


@pytest.mark.parametrize("count", [FEWEST_SITTINGS, 12])
def test_honest_zeros_lie_outside_as_seldom_as_stated(monkeypatch, count):
    """Of five bands in any: of 400 sittings some 80 where one in five may, which tells more than
    the two of one in 200; four standard deviations are 32."""
    monkeypatch.setattr("harness.analysis.likeness.zero_level.HONEST_DOUBTED", 0.2)
    rng = np.random.default_rng(5)
    bands, outside = [str(number) for number in range(5)], 0
    for _ in range(400):
        levels_db = rng.normal(-20.0, 0.1, (count + 1, 5))
        known = [
            EarlierZero(day * DAY_S, dict(zip(bands, row, strict=True)))
            for day, row in enumerate(levels_db[:-1])
        ]
        foreseen = foreseen_from(known, bands, 0.01, 0.0)
        outside += any(
            abs(level - foreseen[band].level_db) > foreseen[band].within_db
            for band, level in zip(bands, levels_db[-1], strict=True)
        )
    assert 48 <= outside <= 112


def test_too_few_sittings_tell_nothing():
    assert foreseen_from(zeros([-20.0] * (FEWEST_SITTINGS - 1)), [BAND], 0.02, 0.0) == {}


def test_zeros_of_one_sitting_count_once():
    """A lot keeps one zero in all its files, and two zeros of an hour are much alike."""
    within = [EarlierZero(hour * 3600.0, {BAND: -20.0}) for hour in (0, 0, 1, 3, 6, 11)]
    assert [zero.time / 3600.0 for zero in first_of_sittings(within)] == [0, 11]
    assert SITTING_S == 4 * 3600.0


def test_zeros_that_agree_by_chance_are_no_tighter_than_makings_and_steps():
    found = foreseen_from(zeros([-20.0] * 8), [BAND], 0.02, 0.1)[BAND]
    assert found.within_db == pytest.approx(0.1 + 0.06 * math.sqrt(9.0 / 8.0))


@pytest.mark.parametrize(("what", "is_explained"), [("through", True), ("PIG-0451", False)])
def test_an_item_in_place_is_no_zero(what, is_explained):
    """By the simulated bench's physics, which knows nothing of this."""
    earlier = [
        EarlierZero(day * DAY_S, {BAND: float(np.mean(made[BAND].level_db))})
        for day in range(6)
        for made in [World(50 + day, bands=(BAND,)).connects("through")]
    ]
    now = World(70, bands=(BAND,)).connects(what)
    off = zero_offset(now, foreseen_from(earlier, [BAND], 0.02, 0.0))
    assert off.is_explained is is_explained
    assert off.band == BAND
    if not is_explained:
        assert 0.3 < off.loss_db < 0.6

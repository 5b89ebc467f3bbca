"""Sweeps of one connection agree as far as noise and settling let them."""

import numpy as np
import pytest

from harness.analysis.loss.agreement import largest_change
from tests.long_cases import long

ALLOWED_DB = 0.06
FLOOR_DB = -100.0


def sweeps(seed, points, noise_db, level_db=-20.0, count=4):
    random = np.random.default_rng(seed)
    slope_db = level_db - np.linspace(0.0, 2.0, points)
    return slope_db + noise_db * random.standard_normal((count, points))


@pytest.mark.parametrize(
    ("points", "noise_db"),
    [(5, 0.0015), (51, 0.01), *long((11, 0.002), (201, 0.1), (201, 0.5))],
)
def test_noise_alone_is_explained(points, noise_db):
    """A thousand connections of each, without one alarm."""
    for seed in range(1000):
        assert largest_change(sweeps(seed, points, noise_db), FLOOR_DB, ALLOWED_DB).is_explained


@pytest.mark.parametrize("points", [5, 51])
def test_noise_near_the_floor_is_explained(points):
    """A reading 6 dB above the floor scatters by 3 dB (Rayleigh's phasor beside a steady one)."""
    random = np.random.default_rng(3)
    floor = 10.0 ** (FLOOR_DB / 20.0)
    for _ in range(300):
        noise = random.standard_normal((2, 4, points)) * floor / np.sqrt(2.0)
        levels_db = 20.0 * np.log10(np.abs(2.0 * floor + noise[0] + 1j * noise[1]))
        assert largest_change(levels_db, FLOOR_DB, ALLOWED_DB).is_explained


def test_an_old_sweep_among_new_ones_is_not_explained():
    levels_db = sweeps(1, 51, 0.0015)
    levels_db[0] += 0.2
    change = largest_change(levels_db, FLOOR_DB, ALLOWED_DB)
    assert not change.is_explained
    assert change.sweep == 0
    assert change.change_db == pytest.approx(0.2, abs=0.003)
    assert change.explained_db == pytest.approx(ALLOWED_DB, abs=0.006)


def test_part_of_a_band_that_is_old_is_not_explained():
    levels_db = sweeps(1, 51, 0.0015)
    levels_db[2, 35:] += 0.2
    change = largest_change(levels_db, FLOOR_DB, ALLOWED_DB)
    assert not change.is_explained
    assert change.point >= 35


def test_earlier_sweeps_averaged_in_are_not_explained():
    """A running mean of eight that was not begun anew draws near by an eighth of what is left."""
    item_db, through_db = -21.35, -20.0
    seen_db = item_db + (through_db - item_db) * (7 / 8) ** np.arange(1, 5)
    levels_db = sweeps(1, 51, 0.0005, 0.0) + seen_db[:, np.newaxis]
    assert not largest_change(levels_db, FLOOR_DB, ALLOWED_DB).is_explained

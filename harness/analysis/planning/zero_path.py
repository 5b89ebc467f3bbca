"""Where a zero may have been, drawn at random within a stated rate."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from harness.analysis.arrays import FloatArray


def checks_of(through_time: FloatArray, item_time: FloatArray) -> FloatArray:
    """Mean time of each check of the zero, rising.

    Sweeps of the through between which no sweep of the item lies are one check.
    """
    swept_before = np.searchsorted(np.sort(item_time), through_time)
    return np.array(
        [through_time[swept_before == count].mean() for count in np.unique(swept_before)]
    )


def zero_path_db(
    through_time: FloatArray,
    item_time: FloatArray,
    time: FloatArray,
    rate_db_per_s: float,
    campaigns: int,
    rng: np.random.Generator,
) -> FloatArray:
    """Level of the zero at each time (T,), of as many campaigns: (T, C, 1).

    Before the first and after the last check of the zero it moves at a constant rate, anywhere
    within the stated one. Between two checks it goes on a parabola whose rate at either end
    stays within the stated one: its departure from the line between the checks is D 4 s (1 - s)
    with s from 0 to 1 and D anywhere within a quarter of what the rate makes of the interval;
    the line takes what the rate leaves over.
    """
    path_db = np.zeros((len(time), campaigns))
    if not rate_db_per_s:
        return path_db[:, :, None]
    checks = checks_of(through_time, item_time)
    before = np.minimum(time - checks[0], 0.0)
    path_db += before[:, None] * rng.uniform(-rate_db_per_s, rate_db_per_s, campaigns)
    for begin, end in pairwise(checks):
        share = rng.uniform(-1.0, 1.0, campaigns)
        departure_db = share * rate_db_per_s * (end - begin) / 4.0
        left_over = rate_db_per_s * (1.0 - np.abs(share))
        change_db = (end - begin) * left_over * rng.uniform(-1.0, 1.0, campaigns)
        s = np.clip((time - begin) / (end - begin), 0.0, 1.0)[:, None]
        path_db += change_db * s + departure_db * 4.0 * s * (1.0 - s)
    after = np.maximum(time - checks[-1], 0.0)
    path_db += after[:, None] * rng.uniform(-rate_db_per_s, rate_db_per_s, campaigns)
    return path_db[:, :, None]

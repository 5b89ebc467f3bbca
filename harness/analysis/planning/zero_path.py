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
    turn: float | None = None,
) -> FloatArray:
    """Level of the zero at each time (T,), of as many campaigns: (T, C, 1).

    Before the first and after the last check of the zero it moves at a constant rate, anywhere
    within the stated one. Between two checks it runs at the stated rate, up or down, and turns
    round once, at the fraction `turn` of the time or anywhere: nothing that keeps to the rate goes
    further from the line between them.
    """
    path_db = np.zeros((len(time), campaigns))
    if not rate_db_per_s:
        return path_db[:, :, None]
    checks = checks_of(through_time, item_time)
    before = np.minimum(time - checks[0], 0.0)
    path_db += before[:, None] * rng.uniform(-rate_db_per_s, rate_db_per_s, campaigns)
    for begin, end in pairwise(checks):
        rate = rate_db_per_s * rng.choice((-1.0, 1.0), campaigns)
        anywhere = rng.uniform(0.0, 1.0, campaigns)
        turn_s = (end - begin) * (anywhere if turn is None else turn)
        gone_s = np.clip(time - begin, 0.0, end - begin)[:, None]
        path_db += rate * (turn_s - np.abs(gone_s - turn_s))
    after = np.maximum(time - checks[-1], 0.0)
    path_db += after[:, None] * rng.uniform(-rate_db_per_s, rate_db_per_s, campaigns)
    return path_db[:, :, None]

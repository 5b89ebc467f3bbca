"""How far the zero may move and how old it may be: the rules of the report and of the live bench.

What the station states goes first. Where it states no most, a change is explained by its drift in
the time between and by how the through was made. Two statistics are judged by that: the rms over
the band, which hardly scatters, and the largest of all points, which lies further out.
"""

from __future__ import annotations

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.units import SECONDS_PER_HOUR

HONEST_MARKED = 0.005
"""Share of runs that may be marked by the rms over the band although their zero did nothing that
is not stated; half of the 1 % that people are told of."""
LARGEST_WITHIN = 3.0
"""Standard deviations of the makings that explain the largest change of all points."""


def explained_change_db(
    drift_db_per_hour: float,
    apart_s: float,
    makings_db: float,
    within: float,
    resolution_db: float = 0.0,
) -> float:
    """Most that two checks `apart_s` seconds apart differ by, with the standard deviation
    `makings_db` of their difference by how they were made and the step of their readings."""
    drift_db = drift_db_per_hour * (apart_s / SECONDS_PER_HOUR)
    return drift_db + within * makings_db + resolution_db


def most_seen_db(most_change_db: float, resolution_db: float = 0.0) -> float:
    """Most that two checks differ by if the zero moved by no more than a stated most: readings
    that are rounded to a step differ by one step of them more."""
    return most_change_db + resolution_db


def age_mark(check_time: FloatArray, insertion_time: FloatArray, oldest_s: float | None) -> str:
    """That the zero was too old for some insertion; empty where it never was.

    Mean Unix times of the checks (C,) and of the insertions (I,). The age is the time since the
    last check, or until the first one where none is before.
    """
    if oldest_s is None:
        return ""
    last = np.searchsorted(check_time, insertion_time) - 1
    age_s = np.abs(insertion_time - check_time[np.maximum(last, 0)])
    if not np.any(age_s > oldest_s):
        return ""
    first = int(np.argmax(age_s > oldest_s))
    return (
        f"From insertion {first + 1} on the zero was up to {age_s.max() / SECONDS_PER_HOUR:.1f} h "
        f"old, older than the {oldest_s / SECONDS_PER_HOUR:g} h that the station allows."
    )

"""What the zero did between its checks and beyond them, and whether the station allows it."""

from __future__ import annotations

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import Statements
from harness.analysis.loss.contributions_from_readings import OneMaking
from harness.analysis.loss.loss import InsertionLosses
from harness.analysis.loss.reduction import LossStatistics
from harness.analysis.loss.zero_limits import (
    RMS_WITHIN,
    age_mark,
    explained_change_db,
)
from harness.analysis.uncertainty.budget import Contribution
from harness.analysis.units import SECONDS_PER_HOUR

ROOT_3 = np.sqrt(3.0)


def departure_s(losses: InsertionLosses) -> FloatArray:
    """How far the zero may be off its line at each insertion for a rate of 1 dB/s, (I,).

    The rate stays within +-r. Between two checks T apart the departure from the line is taken
    as the parabola D 4 s (1 - s), s from 0 to 1, whose slopes at its ends stay within that:
    |D| <= r T / 4. Before the first and after the last check it is r times the time beyond.
    """
    time, checks = losses.time, losses.check_time
    beyond_s = np.maximum(np.maximum(checks[0] - time, time - checks[-1]), 0.0)
    if len(checks) == 1:
        return np.asarray(beyond_s)
    gap = np.clip(np.searchsorted(checks, time) - 1, 0, len(checks) - 2)
    length_s = checks[gap + 1] - checks[gap]
    share = np.clip((time - checks[gap]) / length_s, 0.0, 1.0)
    return np.asarray(beyond_s + length_s * share * (1.0 - share))


def drift_lines(
    found: LossStatistics, statements: Statements, notes: list[str]
) -> list[Contribution]:
    """Drift of the zero that its line does not follow, rectangular (JCGM 100:2008, 4.3.7).

    With a stated rate the departures of the insertions, all of one sign, average to that of
    the mean loss. Without one only the changes seen at the checks tell: half the largest.
    """
    losses, rate = found.losses, statements.drift_db_per_hour
    shape = losses.mean_db.shape
    is_beyond = bool(
        np.any(losses.time > losses.check_time[-1]) or np.any(losses.time < losses.check_time[0])
    )
    if is_beyond:
        notes.append(_beyond_note(rate))
    if rate is not None:
        half_db = np.full(shape, rate * float(np.mean(departure_s(losses))) / SECONDS_PER_HOUR)
        source = "station: drift_per_hour (GUM 4.3.7)"
    elif len(losses.check_db) > 1:
        half_db = np.abs(np.diff(losses.check_db, axis=0)).max(axis=0) / 2.0
        source = "largest change between neighbouring checks of the zero (GUM 4.3.7)"
    else:
        return []
    return [
        Contribution(
            "drift of the zero", "B", "rectangular", half_db / ROOT_3, np.inf, source,
            acts_on="reference",
        )
    ]  # fmt: skip


def _beyond_note(rate: float | None) -> str:
    unchecked = "Some insertions have no check of the zero after (or before) them"
    if rate is None:
        return (
            f"{unchecked} and the station states no drift: that drift of the zero is NOT in the "
            "uncertainty."
        )
    return f"{unchecked}: there the drift is the station's statement."


def zero_marks(
    found: LossStatistics, through: OneMaking, statements: Statements, frequency_hz: FloatArray
) -> tuple[str, ...]:
    """What the zero did that the station does not allow, one sentence each.

    A change from check to check is too much where it is above the stated most, or where over
    the band it is more than the stated drift and the makings of the through explain. A zero is
    too old where a sweep of the item comes too long after the last check.
    """
    losses = found.losses
    marks: list[str] = []
    change_db = np.abs(np.diff(losses.check_db, axis=0))
    counts = np.bincount(losses.check)
    for number, change in enumerate(change_db):
        between = f"Between checks {number + 1} and {number + 2} the zero moved"
        largest = int(np.argmax(change))
        most = statements.most_zero_change_db
        if most is not None and change[largest] > most:
            marks.append(
                f"{between} by {change[largest]:.3f} dB at {frequency_hz[largest] / 1e6:.6g} MHz, "
                f"more than the {most:g} dB that the station allows. Nothing was corrected for "
                "that: look for its cause and measure again."
            )
        elif statements.drift_db_per_hour is not None:
            made = through.variance_db2 * (1.0 / counts[number] + 1.0 / counts[number + 1])
            explained = explained_change_db(
                statements.drift_db_per_hour,
                np.diff(losses.check_time)[number],
                float(np.sqrt(np.mean(made))),
                RMS_WITHIN,
            )
            seen = float(np.sqrt(np.mean(np.square(change))))
            if seen > explained:
                marks.append(
                    f"{between} by {seen:.3f} dB (rms over the band); the stated drift and the "
                    f"makings of the through explain {explained:.3f} dB. The uncertainty may be "
                    "too small: look for the cause and measure again."
                )
    marks.append(age_mark(losses.check_time, losses.time, statements.oldest_zero_s))
    return tuple(filter(None, marks))

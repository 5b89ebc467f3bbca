"""What the zero did between its checks and beyond them, and whether the station allows it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import FIRST_RULES, RULES, Statements
from harness.analysis.loss.contributions_from_readings import OneMaking
from harness.analysis.loss.first_rules import RMS_WITHIN, smooth_departure_s
from harness.analysis.loss.loss import InsertionLosses
from harness.analysis.loss.reduction import LossStatistics
from harness.analysis.loss.zero_limits import (
    HONEST_MARKED,
    age_mark,
    explained_change_db,
    most_seen_db,
)
from harness.analysis.uncertainty.budget import Contribution, Distribution, coverage_factor
from harness.analysis.units import SECONDS_PER_HOUR

ROOT_2, ROOT_3 = np.sqrt([2.0, 3.0])


def most_departure_s(losses: InsertionLosses) -> float:
    """Most that the mean loss may be off, in s, where the zero moves at most 1 dB/s either way.

    Between two checks T apart, a zero that runs at its full rate r and turns round at the fraction
    p lies off their line by 2 r T K(s, p) at the fraction s, with K(s, p) = min(s, p) - s p; no
    path within the rate lies further (first principles). For an insertion in the middle that is
    r T / 2. The mean over the insertions is greatest for a turn at one of them. Before the first
    check and after the last it is r times the time beyond.
    """
    time, checks = losses.time, losses.check_time
    off_s = float(np.sum(np.maximum(np.maximum(checks[0] - time, time - checks[-1]), 0.0)))
    for begin, end in pairwise(checks.tolist()):
        s = (time[(time > begin) & (time < end)] - begin) / (end - begin)
        if len(s):
            bridge = np.minimum.outer(s, s) - np.outer(s, s)
            off_s += 2.0 * (end - begin) * float(bridge.sum(axis=0).max())
    return off_s / len(time)


def drift_lines(
    found: LossStatistics, statements: Statements, notes: list[str]
) -> list[Contribution]:
    """Drift of the zero that its line does not follow.

    With a stated rate it is at most that of a zero which turns round at the worst place. One that
    turns round anywhere is near that limit more often than near nothing, much as an arcsine
    (U-shaped) distribution is: 4 p (1 - p) of it, p being where it turns. Without a rate only the
    changes seen at the checks tell: half the largest, rectangular (JCGM 100:2008, 4.3.7).
    """
    losses, rate = found.losses, statements.drift_db_per_hour
    shape = losses.mean_db.shape
    is_beyond = bool(
        np.any(losses.time > losses.check_time[-1]) or np.any(losses.time < losses.check_time[0])
    )
    if is_beyond:
        notes.append(_beyond_note(rate))
    distribution: Distribution = "rectangular"
    if rate is not None and statements.rules == FIRST_RULES:
        off_s = float(np.mean(smooth_departure_s(losses)))
        half_db = np.full(shape, rate * off_s / SECONDS_PER_HOUR)
        source = "station: drift_per_hour (GUM 4.3.7)"
    elif rate is not None:
        half_db = np.full(shape, rate * most_departure_s(losses) / SECONDS_PER_HOUR)
        distribution = "U-shaped"
        source = "station: drift_per_hour; whatever path keeps to it"
    elif len(losses.check_db) > 1:
        half_db = np.abs(np.diff(losses.check_db, axis=0)).max(axis=0) / 2.0
        source = "largest change between neighbouring checks of the zero (GUM 4.3.7)"
    else:
        return []
    u_db = half_db / (ROOT_2 if distribution == "U-shaped" else ROOT_3)
    return [
        Contribution(
            "drift of the zero", "B", distribution, u_db, np.inf, source, acts_on="reference"
        )
    ]


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
    the band it is more than drift, resolution, noise and the makings of the through explain. A
    zero is too old where a sweep of the item comes too long after the last check.
    """
    losses = found.losses
    marks: list[str] = []
    change_db = np.abs(np.diff(losses.check_db, axis=0))
    for number, change in enumerate(change_db):
        between = f"Between checks {number + 1} and {number + 2} the zero moved"
        largest = int(np.argmax(change))
        most = statements.most_zero_change_db
        resolution_db = _resolution_db(statements)
        step_db = resolution_db if statements.rules == RULES else 0.0
        if most is not None and change[largest] > most_seen_db(most, step_db):
            marks.append(
                f"{between} by {change[largest]:.3f} dB at {frequency_hz[largest] / 1e6:.6g} MHz, "
                f"more than the {most:g} dB that the station allows. Nothing was corrected for "
                "that: look for its cause and measure again."
            )
        elif statements.drift_db_per_hour is not None:
            explained = explained_change_db(
                statements.drift_db_per_hour,
                np.diff(losses.check_time)[number],
                float(np.sqrt(np.mean(_made_db2(found, through, statements, number)))),
                _within(through, statements, len(change_db)),
                resolution_db,
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


def _made_db2(
    found: LossStatistics, through: OneMaking, statements: Statements, number: int
) -> FloatArray:
    """Variance of the difference of two neighbouring checks by how they were made and swept."""
    counts = np.bincount(found.losses.check)
    variance_db2 = through.variance_db2
    if statements.rules > FIRST_RULES:
        noise_share = max(found.makings.mean_share - through.noise_share, 0.0)
        variance_db2 = variance_db2 + noise_share * np.square(found.makings.within_db)
    return np.asarray(variance_db2 * (1.0 / counts[number] + 1.0 / counts[number + 1]))


def _within(through: OneMaking, statements: Statements, changes: int) -> float:
    """Standard deviations of the makings that explain a change: Student's t, so that of runs
    whose zero kept to what is stated at most `HONEST_MARKED` get a mark, all bands and changes
    taken together (Bonferroni)."""
    if statements.rules == FIRST_RULES:
        return RMS_WITHIN
    return float(coverage_factor(through.dof, 1.0 - HONEST_MARKED / (changes * statements.bands)))


def _resolution_db(statements: Statements) -> float:
    """Two readings rounded to a step differ by up to one of it."""
    return 0.0 if statements.rules == FIRST_RULES else statements.resolution_db or 0.0

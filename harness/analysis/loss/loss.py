"""The loss of insertions against a reference that moves in time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray, IntArray
from harness.analysis.loss.grouped import GroupedMeans


@dataclass(frozen=True)
class InsertionLosses:
    """I insertions, M makings of the through in C checks of the zero, P frequencies."""

    means_db: FloatArray
    """(I, P)"""
    time: FloatArray
    """(I,) mean Unix time of each insertion."""
    reference_db: FloatArray
    """(M, P) level of each making of the through."""
    reference_time: FloatArray
    """(M,)"""
    reference_weights: FloatArray
    """(M,) share that each making has in the mean loss; they add up to 1."""
    check: IntArray
    """(M,) which check of the zero each making belongs to: makings between which the item was
    not swept are one."""
    check_db: FloatArray
    """(C, P) mean level of the makings of each check."""
    check_time: FloatArray
    """(C,)"""

    @property
    def mean_db(self) -> FloatArray:
        """(P,) the loss: every insertion counts alike, however many sweeps it has."""
        return np.asarray(np.mean(self.means_db, axis=0), dtype=np.float64)


def transmission_row(traces: Sequence[str]) -> int:
    """Which of a sweep's traces went through what is between the leads: S21, or the only one."""
    return traces.index("S21") if "S21" in traces else 0


def level_db(readings: ComplexArray) -> FloatArray:
    """20 log10 of the magnitude, of any shape."""
    return np.asarray(20.0 * np.log10(np.abs(readings)), dtype=np.float64)


def group_means(values: FloatArray, group: IntArray) -> FloatArray:
    """Mean of the rows of each group; (N, ...) to (I, ...), groups in rising order."""
    labels, index = np.unique(group, return_inverse=True)
    grouped = GroupedMeans(len(labels))
    grouped.add(values, index)
    return np.asarray(grouped.means, dtype=np.float64)


@dataclass(frozen=True)
class ReferenceLine:
    """The checks of the zero joined by straight lines in time; level before and after them all.

    At each of N times the reference lies between two of the C checks, or on one.
    """

    before: IntArray
    """(N,) the check before, or the first."""
    after: IntArray
    """(N,) the check after, or the last."""
    share: FloatArray
    """(N,) of the check after, 0 to 1; that of the one before is the rest."""

    def at(self, rows: slice, check_db: FloatArray) -> FloatArray:
        """(n, P) the reference at some of the times, from checks of (C, P)."""
        before, after, share = self.before[rows], self.after[rows], self.share[rows, None]
        line_db = np.empty((len(before), check_db.shape[1]))
        changes = np.flatnonzero((np.diff(before) != 0) | (np.diff(after) != 0)) + 1
        for begin, end in pairwise([0, *changes.tolist(), len(before)]):
            if begin < end:
                before_db, after_db = check_db[before[begin]], check_db[after[begin]]
                line_db[begin:end] = before_db + share[begin:end] * (after_db - before_db)
        return line_db

    def check_shares(self, weight: FloatArray, checks: int) -> FloatArray:
        """(C,) how much each check counts where each time counts by `weight` (N,)."""
        return np.asarray(
            np.bincount(self.before, weight * (1.0 - self.share), checks)
            + np.bincount(self.after, weight * self.share, checks)
        )


def reference_line(check_time: FloatArray, time: FloatArray) -> ReferenceLine:
    """Where each time (N,) lies among the checks of the zero (C,).

    Raises:
        ValueError: `check_time` does not rise.
    """
    require_rising(check_time)
    last = len(check_time) - 1
    position = np.searchsorted(check_time, time, side="right")
    before, after = np.clip(position - 1, 0, last), np.clip(position, 0, last)
    length_s = check_time[after] - check_time[before]
    passed_s = np.clip(time - check_time[before], 0.0, length_s)
    share = np.divide(passed_s, length_s, out=np.zeros(len(time)), where=length_s > 0.0)
    return ReferenceLine(before, after, share)


def require_rising(time: FloatArray) -> None:
    """Refuse makings of the through whose times are out of order.

    Raises:
        ValueError: `time` (M,) does not rise.
    """
    if np.any(np.diff(time) <= 0.0):
        raise ValueError(
            "the clock ran backwards between two checks of the zero; without the order of the "
            "readings in time their reference is not known"
        )


def checks_of(making_time: FloatArray, item_time: FloatArray) -> IntArray:
    """Which check each making belongs to, (M,), counted from 0: a sweep of the item between two
    makings parts them."""
    swept_before = np.searchsorted(np.sort(item_time), making_time)
    _, check = np.unique(swept_before, return_inverse=True)
    return np.asarray(check, dtype=np.int64)

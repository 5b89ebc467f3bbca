"""From readings to the loss of every insertion, against a reference that moves in time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray, IntArray


@dataclass(frozen=True)
class InsertionLosses:
    """I insertions, M makings of the through in C checks of the zero, P frequencies."""

    sweep_loss_db: FloatArray
    """(N, P) each sweep against the reference at its time."""
    insertion: IntArray
    """(N,) which insertion, counted from 0 without gaps."""
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


def level_db(readings: ComplexArray) -> FloatArray:
    """20 log10 of the magnitude, of any shape."""
    return np.asarray(20.0 * np.log10(np.abs(readings)), dtype=np.float64)


def group_means(values: FloatArray, group: IntArray) -> FloatArray:
    """Mean of the rows of each group; (N, ...) to (I, ...), groups in rising order."""
    labels, index = np.unique(group, return_inverse=True)
    # group by group: with many columns a tenth of the time of adding up by index
    means = [values[index == number].mean(axis=0) for number in range(len(labels))]
    return np.asarray(np.stack(means), dtype=np.float64)


def reference_weights(check_time: FloatArray, time: FloatArray) -> FloatArray:
    """How much each check of the zero counts at each time, shape (N, C).

    The reference is the line in time between neighbouring checks, level before the first
    and after the last.

    Raises:
        ValueError: `check_time` does not rise.
    """
    require_rising(check_time)
    unit = np.eye(len(check_time))
    columns = [np.interp(time, check_time, column) for column in unit]
    return np.stack(columns, axis=-1)


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


def insertion_losses(
    through_db: FloatArray,
    through_time: FloatArray,
    through_making: IntArray,
    item_db: FloatArray,
    item_time: FloatArray,
    insertion: IntArray,
) -> InsertionLosses:
    """Loss of every sweep and insertion; `*_db` are (K, P) and (N, P), the rest (K,) or (N,).

    Raises:
        ValueError: there is no sweep of the through, or none of the item.
    """
    if not len(through_db):
        raise ValueError("there is no sweep of the through to measure against")
    if not len(item_db):
        raise ValueError("there is no sweep of the item")
    reference_db = group_means(through_db, through_making)
    making_time = group_means(through_time, through_making)
    require_rising(making_time)
    check = checks_of(making_time, item_time)
    check_db, check_time = group_means(reference_db, check), group_means(making_time, check)
    weights = reference_weights(check_time, item_time)
    sweep_loss_db = weights @ check_db - item_db
    _, order = np.unique(insertion, return_inverse=True)
    check_share = np.mean(group_means(weights, insertion), axis=0)
    return InsertionLosses(
        sweep_loss_db=sweep_loss_db,
        insertion=np.asarray(order, dtype=np.int64),
        means_db=group_means(sweep_loss_db, insertion),
        time=group_means(item_time, insertion),
        reference_db=reference_db,
        reference_time=making_time,
        reference_weights=np.asarray((check_share / np.bincount(check))[check]),
        check=check,
        check_db=check_db,
        check_time=check_time,
    )

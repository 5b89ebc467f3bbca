"""From readings to the loss of every insertion, against a reference that moves in time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray, IntArray


@dataclass(frozen=True)
class InsertionLosses:
    """I insertions, M makings of the through, P frequencies."""

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
    sums = np.zeros((len(labels), *values.shape[1:]))
    np.add.at(sums, index, values)
    counts = np.bincount(index).reshape(-1, *([1] * (values.ndim - 1)))
    return np.asarray(sums / counts, dtype=np.float64)


def reference_weights(making_time: FloatArray, time: FloatArray) -> FloatArray:
    """How much each making of the through counts at each time, shape (N, M).

    The reference is the line in time between neighbouring checks, level before the first
    and after the last.

    Raises:
        ValueError: `making_time` does not rise.
    """
    if np.any(np.diff(making_time) <= 0.0):
        raise ValueError(
            "the clock ran backwards between two checks of the zero; without the order of the "
            "readings in time their reference is not known"
        )
    unit = np.eye(len(making_time))
    columns = [np.interp(time, making_time, column) for column in unit]
    return np.stack(columns, axis=-1)


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
    weights = reference_weights(making_time, item_time)
    sweep_loss_db = weights @ reference_db - item_db
    _, order = np.unique(insertion, return_inverse=True)
    return InsertionLosses(
        sweep_loss_db=sweep_loss_db,
        insertion=np.asarray(order, dtype=np.int64),
        means_db=group_means(sweep_loss_db, insertion),
        time=group_means(item_time, insertion),
        reference_db=reference_db,
        reference_time=making_time,
        reference_weights=np.asarray(np.mean(group_means(weights, insertion), axis=0)),
    )

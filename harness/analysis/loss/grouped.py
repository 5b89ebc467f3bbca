"""Means and scatter of groups of rows that come block by block."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.analysis.arrays import FloatArray, IntArray


class GroupedMeans:
    """Means of rows by group; of any shape, real or complex."""

    def __init__(self, groups: int) -> None:
        self.sizes: IntArray = np.zeros(groups, dtype=np.int64)
        self._sums: NDArray[Any] | None = None

    def add(self, values: NDArray[Any], group: IntArray) -> None:
        """Take in rows (n, ...) of groups (n,), counted from 0."""
        if self._sums is None:
            self._sums = np.zeros((len(self.sizes), *values.shape[1:]), dtype=values.dtype)
        for number, rows in _runs(values, group):
            self.sizes[number] += len(rows)
            self._sums[number] += rows.sum(axis=0)

    @property
    def means(self) -> NDArray[Any]:
        """(I, ...), once every group has rows."""
        if self._sums is None:
            raise ValueError("there are no rows to take the mean of")
        return np.asarray(self._sums / self.sizes.reshape(-1, *[1] * (self._sums.ndim - 1)))


class GroupedScatter:
    """Means of rows (P,) by group, and the scatter within the groups.

    Blocks are put together by the exact rule for two parts of n and m rows whose means are d
    apart: the squares add up, and d^2 n m / (n + m) (Chan, Golub and LeVeque 1983).
    """

    def __init__(self, groups: int, width: int) -> None:
        self.sizes: IntArray = np.zeros(groups, dtype=np.int64)
        self.means: FloatArray = np.zeros((groups, width))
        self.within_squares: FloatArray = np.zeros(width)
        """(P,) sum over all groups of the squares about their means."""

    def add(self, values: FloatArray, group: IntArray) -> None:
        """Take in rows (n, P) of groups (n,), counted from 0."""
        for number, rows in _runs(values, group):
            count, before = len(rows), int(self.sizes[number])
            mean = rows.mean(axis=0)
            if count > 1:
                self.within_squares += np.sum(np.square(rows - mean), axis=0)
            apart = mean - self.means[number]
            if before:
                self.within_squares += np.square(apart) * (before * count / (before + count))
            self.means[number] += apart * (count / (before + count))
            self.sizes[number] += count


def _runs(values: NDArray[Any], group: IntArray) -> Iterator[tuple[int, NDArray[Any]]]:
    """The rows of each group that is there."""
    if np.any(np.diff(group) < 0):
        order = np.argsort(group, kind="stable")
        values, group = values[order], group[order]
    begins = np.flatnonzero(np.diff(group, prepend=-1))
    for begin, end in pairwise([*begins.tolist(), len(group)]):
        yield int(group[begin]), values[begin:end]

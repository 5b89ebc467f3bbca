"""A dataset that grows by a row at a time, written past HDF5's chunk cache."""

from __future__ import annotations

from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray


class Column:
    """Rows of one dataset; its newest chunk stands here as well and is written whole.

    A tenth of the time of `dataset[row] = value`, which is left to datasets with checksums. For
    datasets whose chunks hold whole rows.
    """

    def __init__(self, dataset: h5py.Dataset) -> None:
        self._dataset = dataset
        self._id = dataset.id
        self._rows = len(dataset)
        self._beside = (0,) * (dataset.ndim - 1)
        self._width = dataset.shape[1:]
        self._height: int = dataset.chunks[0]
        self._is_plain = not dataset.fletcher32
        self._first = -1
        self._nothing = dataset.fillvalue
        self._chunk = np.empty(dataset.chunks, dataset.dtype)

    def __len__(self) -> int:
        return self._rows

    def write(self, row: int, value: NDArray[Any] | float) -> None:
        """Write a row: one that is there, or the first beyond the end."""
        if not self._is_plain:
            self._dataset.resize(max(row + 1, self._rows), axis=0)
            self._dataset[row] = value
            self._rows = max(row + 1, self._rows)
            return
        within = row % self._height
        if row - within != self._first:
            self._load(row - within)
        if row >= self._rows:
            self._id.set_extent((row + 1, *self._width))
            self._rows = row + 1
        self._chunk[within] = value
        self._id.write_direct_chunk((self._first, *self._beside), self._chunk)

    def _load(self, first: int) -> None:
        """Go to another chunk; what is not written of it yet is the fill value."""
        self._chunk[...] = self._nothing
        if first < self._rows:
            there = self._dataset[first : first + self._height]
            self._chunk[: len(there)] = there
        self._first = first

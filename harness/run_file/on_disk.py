"""Readings read from where HDF5 says that they stand, past its selections: a third of the time.

Only of a file that nobody writes, and of sweeps that are each an unfiltered chunk of their own.
"""

from __future__ import annotations

import os

import h5py
import numpy as np
from numpy.typing import NDArray

COMPLEX = np.dtype("<c16")


class ReadingsOnDisk:
    """The first rows of a dataset of readings, while its file is open."""

    def __init__(self, handle: int, shape: tuple[int, ...], places: NDArray[np.int64]) -> None:
        self._handle, self._shape, self._places = handle, shape, places
        self._row_bytes = int(np.prod(shape)) * COMPLEX.itemsize

    @classmethod
    def of(cls, dataset: h5py.Dataset, rows: int) -> ReadingsOnDisk | None:
        """None where they can only be read by HDF5."""
        file, shape = dataset.file, dataset.shape[1:]
        row_bytes = int(np.prod(shape)) * COMPLEX.itemsize
        if (
            file.mode != "r" or file.swmr_mode or file.driver != "sec2" or file.userblock_size
            or dataset.dtype != COMPLEX or dataset.chunks != (1, *shape) or not row_bytes
            or dataset.id.get_create_plist().get_nfilters()
        ):  # fmt: skip
            return None
        handle = file.id.get_vfd_handle()
        last = os.fstat(handle).st_size - row_bytes
        places = np.full(rows, -1, dtype=np.int64)

        def note(chunk: h5py.h5d.StoreInfo) -> None:
            (row, *_), is_filtered, place, size = chunk
            is_whole = size == row_bytes and not is_filtered
            if row < rows and is_whole and place is not None and place <= last:
                places[row] = place

        dataset.id.chunk_iter(note)
        # HDF5 reads the fill value where nothing was written, and refuses what is beyond the end
        if np.any(places < 0):
            return None
        return cls(handle, shape, places)

    def read(self, rows: slice) -> NDArray[np.complex128]:
        """Some of the rows, (n, S, P). Needs no HDF5, so another thread may call it.

        Raises:
            OSError: the file ends before they do.
        """
        places = self._places[rows]
        readings = np.empty((len(places), *self._shape), COMPLEX)
        if not len(places):
            return readings
        into = readings.data.cast("B")
        # what stands side by side is read at once
        ends = np.flatnonzero(np.diff(places) != self._row_bytes) + 1
        begin = 0
        for end in (*ends.tolist(), len(places)):
            part = into[begin * self._row_bytes : end * self._row_bytes]
            place = int(places[begin])
            while part:
                count = os.preadv(self._handle, [part], place)
                if not count:
                    raise OSError(f"the file ends before the sweep at byte {place}")
                part, place = part[count:], place + count
            begin = end
        return readings

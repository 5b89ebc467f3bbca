"""A run file that its writer has not closed, as bytes that HDF5 reads like those of a closed one.

HDF5 marks a file that is being written, and then waits without end for what a power cut left out.
So what it is given is the file without the marks, with zeros beyond its end, read-only and without
a copy; what was torn can be mended in it (`torn_blocks`), on top of the file and not in it.
"""

from __future__ import annotations

import io
import os
from typing import Any

from harness.run_file.lookup3 import lookup3

SUPERBLOCK_BYTES = 48
_VERSION, _FLAGS, _END = 8, 11, slice(28, 36)
_OF_A_WRITER = 0b101
BEYOND_BYTES = 1 << 24
"""Zeros beyond the end, and by how much a file may be shorter than it says: what was written since
it was last synchronized may be missing, which is one sweep."""


def is_unclosed(superblock: bytes) -> bool:
    """Whether a file that begins so has, or had, a writer who did not close it (HDF5 file format
    3.0, II.A superblock version 3: consistency flags at byte 11)."""
    return (
        len(superblock) >= SUPERBLOCK_BYTES
        and superblock[_VERSION] == 3
        and bool(superblock[_FLAGS] & _OF_A_WRITER)
    )


class UnclosedFile(io.RawIOBase):
    """A file of version 3 as if it had been closed, for as long as its descriptor is open."""

    def __init__(self, descriptor: int) -> None:
        """Raises OSError where the end of the file is missing."""
        self._descriptor = descriptor
        self._place = 0
        self._over: list[tuple[int, bytes]] = []
        superblock = bytearray(os.pread(descriptor, SUPERBLOCK_BYTES, 0))
        size = os.fstat(descriptor).st_size
        claimed = int.from_bytes(superblock[_END], "little")
        if claimed > size + BEYOND_BYTES:
            raise OSError("the end of the file is missing")
        self._size = max(claimed, size) + BEYOND_BYTES
        superblock[_FLAGS] = 0
        superblock[_END] = self._size.to_bytes(8, "little")
        superblock[-4:] = lookup3(bytes(superblock[:-4])).to_bytes(4, "little")
        self.put(0, bytes(superblock))

    def put(self, place: int, data: bytes) -> None:
        """Show `data` there from now on; the file stays as it is."""
        self._over.append((place, data))

    def peek(self, place: int, count: int) -> bytes:
        """Bytes at a place."""
        room = bytearray(count)
        self._fill(place, memoryview(room))
        return bytes(room)

    def readinto(self, into: Any) -> int:
        """Fill the whole of it, with zeros beyond the end."""
        room = memoryview(into).cast("B")
        self._fill(self._place, room)
        self._place += len(room)
        return len(room)

    def _fill(self, place: int, room: memoryview) -> None:
        begin, rest = min(place, self._size), room
        while rest and (count := os.preadv(self._descriptor, [rest], begin)):
            begin, rest = begin + count, rest[count:]
        rest[:] = bytes(len(rest))
        for first, data in self._over:
            low, high = max(first, place), min(first + len(data), place + len(room))
            if low < high:
                room[low - place : high - place] = data[low - first : high - first]

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Go to a place."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._place, os.SEEK_END: self._size}[whence]
        self._place = base + offset
        return self._place

    def tell(self) -> int:
        """The place where it is read next."""
        return self._place

    def readable(self) -> bool:
        """It is; and it is never written."""
        return True

    def seekable(self) -> bool:
        """It is."""
        return True

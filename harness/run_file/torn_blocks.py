"""What a power cut tore in a file that was being written, mended on top of it.

Pages that were written since the last synchronization may be there or not, each for itself. Where
HDF5 changes a block that reaches over two of them, its checksum then agrees with neither state, and
HDF5 refuses the block, with thousands of sweeps that it points to and that are whole. Both states
of such a block are good but for its newest entry: its checksum is made anew, and pointers to what
is not there are taken out. Whether what is then read is what was written is for the digests of the
sweeps to say.

Only what grows changes while a run is written: headers of datasets and the extensible arrays that
index their chunks (HDF5 file format 3.0, IV.A.1.b, III.A.1.c object headers of version 2, VII.D).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from typing import NamedTuple

from harness.run_file.lookup3 import lookup3
from harness.run_file.unclosed import UnclosedFile

_NOWHERE = b"\xff" * 8
_SUM = 4
_PREFIX = 14
"""Of every block of an array: signature, version, kind of elements, address of its header."""
_ARRAY_HEADER = 72
_MOST_SET, _INDEX_BLOCK = slice(44, 52), slice(60, 68)
_BLOCK_OFFSET = 4
# as HDF5 makes them for datasets that grow: others are not ours
_GEOMETRY = bytes((32, 4, 16, 4, 10))
_IN_INDEX, _PAGE = 4, 1 << 10
_DIRECT_SUPERBLOCKS, _SUPERBLOCKS = 4, 29
_LAYOUT, _CONTINUATION = 8, 16
_CHUNKED, _EXTENSIBLE_ARRAY = 2, 4
_LARGEST_HEADER, _MOST_PARTS, _LARGEST_ELEMENT = 1 << 16, 8, 24
_MARK = b"\x01"
"""Of a suspect sweep, and with its Fletcher checksum."""
_MARKED, _UNMARKED = _MARK + b"\x00\x01\x00\x01", bytes(5)


class _Chunks(NamedTuple):
    """The chunks of a dataset."""

    header: int
    """Where the header of their index is."""
    size: int
    """Of one, in bytes without a checksum."""


def mend(view: UnclosedFile, place: int) -> None:
    """Mend what belongs to the dataset whose header is there."""
    chunks = _mend_header(view, place)
    if chunks is not None:
        _Array(view, chunks).mend()


def _mend_header(view: UnclosedFile, place: int) -> _Chunks | None:
    """What its chunks are found by; None where it has none."""
    begin = view.peek(place, 6)
    if begin[:5] != b"OHDR\x02":
        return None
    flags = begin[5]
    width = 1 << (flags & 3)
    first = 6 + 16 * bool(flags & 0x20) + 4 * bool(flags & 0x10)
    size = int.from_bytes(view.peek(place + first, width), "little")
    parts = [(place, first + width, size)]
    found = None
    # a header of ours is in one part or two
    for at, head, length in parts:
        if length > _LARGEST_HEADER or len(parts) > _MOST_PARTS:
            continue
        block = bytearray(view.peek(at, head + length + _SUM))
        before = bytes(block)
        for kind, message in _messages(block, head, 4 + 2 * bool(flags & 4)):
            if kind == _CONTINUATION:
                to, whole = (int.from_bytes(block[n : n + 8], "little") for n in
                             (message, message + 8))  # fmt: skip
                if view.peek(to, 4) == b"OCHK":
                    parts.append((to, 4, whole - 4 - _SUM))
            elif kind == _LAYOUT:
                found = _chunks(view, block, message)
        _seal(view, at, bytes(block), changed=block != before)
    return found


def _messages(block: bytearray, first: int, head: int) -> Iterator[tuple[int, int]]:
    """Kind and place of each."""
    at = first
    while at + head <= len(block) - _SUM:
        yield block[at], at + head
        at += head + int.from_bytes(block[at + 1 : at + 3], "little")


def _chunks(view: UnclosedFile, block: bytearray, at: int) -> _Chunks | None:
    """Of the message on the layout: version, class, flags, dimensions, width, their sizes, and
    the index, which is made with the first chunk."""
    version, kind, _, dimensions, width = block[at : at + 5]
    end = at + 5 + dimensions * width
    if version not in (4, 5) or kind != _CHUNKED or block[end] != _EXTENSIBLE_ARRAY:
        return None
    size = 1
    for each in range(at + 5, end, width):
        size *= int.from_bytes(block[each : each + width], "little")
    where = slice(end + 6, end + 14)
    index = int.from_bytes(block[where], "little")
    if _is_index(view.peek(index, _ARRAY_HEADER)):
        return _Chunks(index, size)
    block[where] = _NOWHERE
    return None


def _is_index(head: bytes) -> bool:
    return head[:4] == b"EAHD" and head[7:12] == _GEOMETRY and 8 <= head[6] <= _LARGEST_ELEMENT


def _seal(view: UnclosedFile, place: int, block: bytes, *, changed: bool = False) -> None:
    made = lookup3(block[:-_SUM]).to_bytes(_SUM, "little")
    if changed or made != block[-_SUM:]:
        view.put(place, block[:-_SUM] + made)


class _Array:
    """The extensible array that says where the chunks of a dataset are."""

    def __init__(self, view: UnclosedFile, chunks: _Chunks) -> None:
        self._view, self._chunks = view, chunks
        head = view.peek(chunks.header, _ARRAY_HEADER)
        self._is_filtered, self._element = head[5] == 1, head[6]
        self._end = view.seek(0, os.SEEK_END)
        self._newest: int | None = None
        self._places: list[int] = []

    def mend(self) -> None:
        """All of its blocks; then what points to chunks whose own checksums do not agree."""
        self._mend_header()
        if self._is_filtered:
            self._newest = max(self._places, default=0)
            self._mend_header()

    def _mend_header(self) -> None:
        head = bytearray(self._view.peek(self._chunks.header, _ARRAY_HEADER))
        before = bytes(head)
        where = bytes(head[_INDEX_BLOCK])
        if where != _NOWHERE and not self._is_block(where, b"EAIB"):
            head[_INDEX_BLOCK], where = _NOWHERE, _NOWHERE
            head[_MOST_SET] = bytes(8)
        _seal(self._view, self._chunks.header, bytes(head), changed=head != before)
        if where != _NOWHERE:
            self._mend_index(int.from_bytes(where, "little"))

    def _mend_index(self, place: int) -> None:
        elements = _IN_INDEX * self._element
        direct = [n for n in range(_DIRECT_SUPERBLOCKS) for _ in range(_blocks_of(n))]
        below = [*direct, *range(_DIRECT_SUPERBLOCKS, _SUPERBLOCKS)]
        block = bytearray(self._view.peek(place, _PREFIX + elements + 8 * len(below) + _SUM))
        before = bytes(block)
        self._mend_elements(block, _PREFIX, _IN_INDEX)
        for number, superblock in enumerate(below):
            at = _PREFIX + elements + 8 * number
            if number < len(direct):
                self._mend_pointer(block, at, b"EADB", self._data_block(superblock, None))
            else:
                self._mend_pointer(block, at, b"EASB", self._superblock(superblock))
        _seal(self._view, place, bytes(block), changed=block != before)

    def _mend_pointer(
        self, block: bytearray, at: int, signature: bytes, mend: Callable[[int], None]
    ) -> None:
        pointer = bytes(block[at : at + 8])
        if pointer == _NOWHERE:
            return
        if self._is_block(pointer, signature):
            mend(int.from_bytes(pointer, "little"))
        else:
            block[at : at + 8] = _NOWHERE

    def _superblock(self, number: int) -> Callable[[int], None]:
        blocks = _blocks_of(number)
        pages = _elements_of(number) // _PAGE if _elements_of(number) > _PAGE else 0
        width = (pages + 7) // 8
        first = _PREFIX + _BLOCK_OFFSET + blocks * width

        def mend(place: int) -> None:
            block = bytearray(self._view.peek(place, first + 8 * blocks + _SUM))
            before = bytes(block)
            for each in range(blocks):
                at = _PREFIX + _BLOCK_OFFSET + each * width
                marks = bytes(block[at : at + width]) if pages else None
                self._mend_pointer(block, first + 8 * each, b"EADB",
                                   self._data_block(number, marks))  # fmt: skip
            _seal(self._view, place, bytes(block), changed=block != before)

        return mend

    def _data_block(self, superblock: int, marks: bytes | None) -> Callable[[int], None]:
        """`marks` say of each page whether it is there, highest bit first; None without pages."""
        head = _PREFIX + _BLOCK_OFFSET
        count = _elements_of(superblock)

        def mend(place: int) -> None:
            if marks is None:
                self._mend_block(place, head, count)
                return
            self._mend_block(place, head, 0)
            size = _PAGE * self._element + _SUM
            for page in range(count // _PAGE):
                if marks[page // 8] & (0x80 >> page % 8):
                    self._mend_block(place + head + _SUM + page * size, 0, _PAGE)

        return mend

    def _mend_block(self, place: int, first: int, count: int) -> None:
        block = bytearray(self._view.peek(place, first + count * self._element + _SUM))
        before = bytes(block)
        self._mend_elements(block, first, count)
        _seal(self._view, place, bytes(block), changed=block != before)

    def _mend_elements(self, block: bytearray, first: int, count: int) -> None:
        """Address of a chunk each; with a filter also its size, and which filters were left out."""
        nothing = _NOWHERE + bytes(self._element - 8)
        for at in range(first, first + count * self._element, self._element):
            element = slice(at, at + self._element)
            if block[at : at + 8] == _NOWHERE:
                continue
            where, size = int.from_bytes(block[at : at + 8], "little"), self._chunks.size
            is_sized = True
            if self._is_filtered:
                size += _SUM
                is_sized = int.from_bytes(block[at + 8 : element.stop - 4], "little") == size
            if where == 0 or where + size > self._end:
                block[element] = nothing
            elif self._newest is None:
                self._places.append(where)
            elif self._chunks.size == len(_MARK):
                # a mark of which only a part came to the disk is one all the same
                if not is_sized or self._view.peek(where, size) not in (_UNMARKED, _MARKED):
                    self._view.put(self._end - size, _MARKED)
                    block[element] = (self._end - size).to_bytes(8, "little") + bytes(
                        [size, *bytes(self._element - 9)]
                    )
            elif where == self._newest and not (is_sized and _agrees(self._view.peek(where, size))):
                block[element] = nothing

    def _is_block(self, pointer: bytes, signature: bytes) -> bool:
        found = self._view.peek(int.from_bytes(pointer, "little"), _PREFIX)
        return found[:4] == signature and found[6:] == self._chunks.header.to_bytes(8, "little")


def _blocks_of(superblock: int) -> int:
    return 1 << superblock // 2


def _elements_of(superblock: int) -> int:
    """Of one of its data blocks."""
    return 16 << (superblock + 1) // 2


def _agrees(chunk: bytes) -> bool:
    """Whether the Fletcher checksum behind a chunk of an even size is that of it (as HDF5 makes
    it: sums of 16-bit words, the high byte first, modulo 65535 but never 0 for what is not)."""
    one = other = 0
    for at in range(0, len(chunk) - 4, 2):
        one += int.from_bytes(chunk[at : at + 2], "big")
        other += one
    one, other = (each % 65535 or 65535 * bool(each) for each in (one, other))
    return int.from_bytes(chunk[-4:], "little") == other << 16 | one

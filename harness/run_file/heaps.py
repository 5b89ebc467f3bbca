"""A look at the texts of a run file before HDF5 reads them.

Texts of variable length stand in global heap collections, which bear no checksum; at an object
of free space that claims no size HDF5 2.0 goes round for ever.
"""

from __future__ import annotations

from pathlib import Path

_BEGIN = b"GCOL\x01\0\0\0"
_COLLECTION_HEAD = _OBJECT_HEAD = 16
_SMALLEST = 4096
_AT_ONCE = 1 << 20


def require_sound_texts(path: Path) -> None:
    """Follow the objects of every collection (HDF5 file format 3.0, III.E).

    Raises:
        OSError: one could not be read to its end.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        before, place = b"", 0
        while block := file.read(_AT_ONCE):
            window = before + block
            found = window.find(_BEGIN)
            while found >= 0:
                _require_sound(path, place - len(before) + found, size)
                found = window.find(_BEGIN, found + 1)
            place += len(block)
            before = window[-(len(_BEGIN) - 1) :]


def _require_sound(path: Path, place: int, file_size: int) -> None:
    with path.open("rb") as file:
        file.seek(place)
        length = int.from_bytes(file.read(_COLLECTION_HEAD)[8:], "little")
        if not _SMALLEST <= length <= file_size - place:
            # HDF5 refuses it, or it is none
            return
        collection = file.read(length - _COLLECTION_HEAD)
    at = 0
    while at + _OBJECT_HEAD <= len(collection):
        is_free = collection[at : at + 2] == b"\0\0"
        size = int.from_bytes(collection[at + 8 : at + 16], "little")
        step = size if is_free else _OBJECT_HEAD + (size + 7) // 8 * 8
        if step < _OBJECT_HEAD or at + step > len(collection):
            raise OSError(f"the texts at byte {place} cannot be followed")
        at += step

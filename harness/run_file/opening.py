"""Run files opened for reading, whatever became of their writer, and whoever made them."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import h5py

from drivers.errors import InputError
from harness.run_file.admission import admit
from harness.run_file.heaps import require_sound_texts
from harness.run_file.schema import SCHEMA

SIGNATURE = b"\x89HDF\r\n\x1a\n"
"""With which HDF5 files begin (HDF5 file format 3.0, II.A)."""
TROUBLE = (AttributeError, LookupError, OSError, RuntimeError, TypeError, ValueError)
"""What HDF5, and the conversion of what it read, raise where something is damaged."""


class DamagedRunError(InputError):
    """A run file of which something is missing or is not what was written."""


@contextmanager
def open_run(path: Path) -> Iterator[h5py.File]:
    """Open a run file for reading, finished or not, also while another process writes it.

    Raises:
        InputError: it is not there, not a run file, or of another schema.
        DamagedRunError: it is damaged, or holds what does not belong in a run file.
    """
    require_regular(path)
    begin = b""
    with ExitStack() as stack:
        try:
            with path.open("rb") as raw:
                begin, size = raw.read(36), os.fstat(raw.fileno()).st_size
            require_sound_texts(path)
            file = stack.enter_context(_opened(path, begin, size))
        except TROUBLE as error:
            kind = DamagedRunError if begin.startswith(SIGNATURE) else InputError
            raise kind(
                f"{str(path)!r} is not a run file, or only a part of one: it is not readable as "
                "HDF5",
                hint=f"run files are the .h5 files that `tareline run` writes ({error})",
            ) from error
        with damage_told(path):
            schema = file.attrs.get("schema")
        if schema != SCHEMA:
            raise InputError(
                f"{str(path)!r} is not a run file of this version: its schema is {schema!r}, "
                f"this Tareline reads {SCHEMA!r}"
            )
        with damage_told(path):
            admit(file, size)
            yield file


def require_regular(path: Path) -> None:
    """Refuse what is no file before it is opened: of a pipe that could take for ever.

    Raises:
        InputError: nothing is there, or a folder, a pipe, a device.
    """
    try:
        mode = path.stat().st_mode
    except OSError as error:
        raise InputError(
            f"there is no run file {str(path)!r}", hint="name a .h5 file in results/"
        ) from error
    if not stat.S_ISREG(mode):
        kind = "folder" if stat.S_ISDIR(mode) else "pipe" if stat.S_ISFIFO(mode) else "device"
        raise InputError(
            f"there is no run file {str(path)!r}: it is a {kind}",
            hint="name a .h5 file in results/",
        )


@contextmanager
def damage_told(path: Path) -> Iterator[None]:
    """Say of the run file what cannot be read in it.

    Raises:
        DamagedRunError: instead of what HDF5 and the conversion of its values raise.
    """
    try:
        yield
    except TROUBLE as error:
        raise DamagedRunError(
            f"{str(path)!r} is damaged: {error}", hint="take the copy in your backup"
        ) from error


def _opened(path: Path, superblock: bytes, size: int) -> h5py.File:
    """A file whose writer is at work, or was killed, opens only as one of a single writer and
    several readers. There HDF5 waits for what is missing, so what was cut off is refused first.

    HDF5 file format 3.0, II.A superblock version 3: consistency flags at byte 11, end of file
    address at byte 28.
    """
    written_to = len(superblock) == 36 and superblock[8] == 3 and superblock[11] & 0b101
    if not written_to:
        return h5py.File(path, "r")
    if size < int.from_bytes(superblock[28:36], "little"):
        raise OSError("the end of the file is missing")
    return h5py.File(path, "r", libver="latest", swmr=True)

"""Run files opened for reading, whatever became of their writer, and whoever made them."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import h5py
from h5py import h5l

from drivers.errors import InputError
from harness.run_file.admission import admit
from harness.run_file.heaps import require_sound_texts
from harness.run_file.schema import SCHEMA
from harness.run_file.torn_blocks import mend
from harness.run_file.unclosed import (
    BEYOND_BYTES,
    SUPERBLOCK_BYTES,
    UnclosedFile,
    is_unclosed,
)

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
            raw = stack.enter_context(path.open("rb", buffering=0))
            begin, size = raw.read(SUPERBLOCK_BYTES), os.fstat(raw.fileno()).st_size
            require_sound_texts(path)
            view = UnclosedFile(raw.fileno()) if is_unclosed(begin) else None
            if view is not None:
                size += BEYOND_BYTES
                _mend_if_torn(view, size)
            file = stack.enter_context(h5py.File(view or path, "r"))
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


def _mend_if_torn(view: UnclosedFile, most_bytes: int) -> None:
    try:
        with h5py.File(view, "r") as file:
            admit(file, most_bytes)
            file.visititems(_follow)
    except TROUBLE:
        # if it is wrong otherwise it stays so
        with h5py.File(view, "r") as file:
            places = list(_headers(file))
        for place in places:
            mend(view, place)


def _follow(name: str, it: h5py.Group | h5py.Dataset) -> None:
    """Raises where HDF5 cannot follow what grows to its end."""
    if isinstance(it, h5py.Dataset) and it.chunks is not None:
        it.id.chunk_iter(lambda chunk: None)
        if it.fletcher32:
            it[()]


def _headers(group: h5py.Group) -> Iterator[int]:
    """Where the header of every dataset is; groups do not change once the writing has begun."""
    for name in group:
        link = group.id.links.get_info(name.encode())
        if link.type != h5l.TYPE_HARD:
            continue
        try:
            is_group = isinstance(group[name], h5py.Group)
        except KeyError:
            # a header that was torn
            is_group = False
        if is_group:
            yield from _headers(group[name])
        else:
            yield int(link.u)

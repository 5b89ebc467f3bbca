"""One writer a run file: a lock that ends with the process, however it ends.

It is one of the open file (OFD, Linux) and does not keep readers out; where the system has none,
nothing is locked.
"""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from struct import pack

from drivers.errors import InputError

# struct flock: type, whence, start, length (0: all of it), process (0 for a lock of an open file)
_WHOLE_FILE = pack("hhqqi4x", fcntl.F_WRLCK, os.SEEK_SET, 0, 0, 0)


def lock(handle: int) -> None:
    """Lock an open file for as long as it is open.

    Raises:
        BlockingIOError: another holds it.
    """
    command = getattr(fcntl, "F_OFD_SETLK", None)
    if command is None:
        return
    try:
        fcntl.fcntl(handle, command, _WHOLE_FILE)
    except OSError as error:
        if error.errno in (errno.EAGAIN, errno.EACCES):
            raise BlockingIOError(error.errno, "another process writes this file") from error
        if error.errno not in (errno.EINVAL, errno.ENOLCK, errno.ENOTSUP):
            raise


@contextmanager
def only_writer(path: Path) -> Iterator[None]:
    """Hold the lock of a run file meanwhile.

    Raises:
        InputError: another process writes it, or has just put another in its place.
    """
    with path.open("r+b") as file:
        try:
            lock(file.fileno())
        except BlockingIOError as error:
            raise InputError(
                f"{str(path)!r} is still being written by another process",
                hint="let that one end, or stop it first",
            ) from error
        if not os.path.samestat(os.fstat(file.fileno()), path.stat()):
            raise InputError(
                f"{str(path)!r} was just taken up by another process",
                hint="let that one end, or stop it first",
            )
        yield

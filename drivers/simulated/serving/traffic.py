"""The traffic log of a simulated bench: one line a message, for people.

    # s after start  instrument  connection  direction  text
       0.004123  analyzer      1  ->  *IDN?
       0.004310  analyzer      1  <-  Tareline,Simulated network analyzer,SIM-20,0.1.0
       0.017222  analyzer      1  <-  #41616... 1616 bytes
       0.017301  analyzer      1  !!  silence: ...

`->` is what the instrument receives, `<-` what it sends, `--` the connection, and `!!` what a
fault did. Connection 0 is a client that the simulation plays itself.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TextIO

from drivers.errors import InputError
from drivers.simulated.scpi.framing import stated_length
from drivers.simulated.scpi.scpi_errors import printable

RECEIVED, SENT, CONNECTION, FAULT = "->", "<-", "--", "!!"
LONGEST_LINE = 160
"""Characters of a message that are shown; of a longer one the beginning and the length are."""
STANDARD_ERROR = 2
"""Its file descriptor."""
HEADER = "# s after start  instrument  connection  direction  text"

_BLOCK = re.compile(rb"#([1-9])")


class ServedTrafficLog:
    """Writes lines to a stream, each at once; times count from the making of this object.

    A log that cannot be written to any more ends with one warning on standard error: the bench
    serves its clients whether or not there is room for the log. `name` is what messages call it.

    Raises:
        InputError: not even the first line can be written.
    """

    def __init__(self, stream: TextIO, name: str = "the traffic log") -> None:
        self._stream: TextIO | None = stream
        self._name = name
        self._start = time.monotonic()
        try:
            print(HEADER, file=stream, flush=True)
        except OSError as error:
            _abandon(stream)
            raise _not_writable(name, error) from error

    def write(self, instrument: str, connection: int, direction: str, text: str) -> None:
        """Write one line."""
        if self._stream is None:
            return
        seconds = time.monotonic() - self._start
        line = f"{seconds:11.6f}  {instrument:17} {connection:3d}  {direction}  {text}"
        try:
            print(line, file=self._stream, flush=True)
        except OSError as error:
            _abandon(self._stream)
            self._stream = None
            _warn(f"{self._name}: the traffic log ends here: {error.strerror}; the bench goes on\n")

    def message(self, instrument: str, connection: int, direction: str, data: bytes) -> None:
        """Write one line for the bytes of a message or of an answer."""
        self.write(instrument, connection, direction, abbreviated(data))


def open_log(path: Path, *, but_not: Sequence[Path] = ()) -> TextIO:
    """Open a log file anew.

    Raises:
        InputError: it cannot be written, or is one of the files `but_not`.
    """
    try:
        for other in but_not:
            if path.resolve() == other.resolve() or (path.exists() and path.samefile(other)):
                raise InputError(
                    "the traffic log would overwrite the description of the bench",
                    where=str(path),
                    hint="name another file for the log, or - for standard error",
                )
        return path.open("w", encoding="utf-8")
    except (OSError, RuntimeError) as error:  # the latter for links that run in a circle
        raise _not_writable(str(path), error) from error


def open_standard_error() -> TextIO:
    """Open standard error for a log, as a file of its own that can be given up if it fails.

    Raises:
        InputError: standard error is closed.
    """
    try:
        return os.fdopen(os.dup(STANDARD_ERROR), "w", encoding="utf-8")
    except OSError as error:
        raise _not_writable("standard error", error) from error


def _not_writable(name: str, error: Exception) -> InputError:
    return InputError(
        f"the traffic log cannot be written: {getattr(error, 'strerror', None) or error}",
        where=name,
        hint="name a file in a folder that exists, or - for standard error",
    )


def _abandon(stream: TextIO) -> None:
    """Close a stream that has failed; what it still holds cannot be written either."""
    with suppress(OSError):
        stream.close()


def _warn(text: str) -> None:
    """Tell people, without a buffer that would fail again at the end of the process."""
    with suppress(OSError):  # standard error itself may be what failed
        os.write(STANDARD_ERROR, text.encode())


def abbreviated(data: bytes) -> str:
    """Return `data` as one printable line; blocks and long texts give way to their length."""
    data = data.removesuffix(b"\n")
    match = _BLOCK.search(data)
    length = None if match is None else stated_length(data[match.start(1) : match.end() + 9])
    # bytes that only look like a block are shown as they are
    if match is not None and length is not None and length >= 0:
        head = data[: match.end() + int(match[1])]
        shown = f"{printable(head.decode('latin-1'))}... {len(data) - len(head)} bytes"
    else:
        shown = printable(data.decode("latin-1"))
    if len(shown) <= LONGEST_LINE:
        return shown
    return f"{shown[:LONGEST_LINE]}... {len(data)} bytes"

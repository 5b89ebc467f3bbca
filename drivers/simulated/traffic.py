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

import re
import time
from pathlib import Path
from typing import TextIO

from drivers.errors import InputError
from drivers.simulated.scpi.errors import printable
from drivers.simulated.scpi.framing import stated_length

RECEIVED, SENT, CONNECTION, FAULT = "->", "<-", "--", "!!"
LONGEST_LINE = 160
"""Characters of a message that are shown; of a longer one the beginning and the length are."""
HEADER = "# s after start  instrument  connection  direction  text"

_BLOCK = re.compile(rb"#([1-9])")


class TrafficLog:
    """Writes lines to a stream, each at once; times count from the making of this object."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._start = time.monotonic()
        print(HEADER, file=stream, flush=True)

    def write(self, instrument: str, connection: int, direction: str, text: str) -> None:
        """Write one line."""
        seconds = time.monotonic() - self._start
        print(
            f"{seconds:11.6f}  {instrument:17} {connection:3d}  {direction}  {text}",
            file=self._stream,
            flush=True,
        )

    def message(self, instrument: str, connection: int, direction: str, data: bytes) -> None:
        """Write one line for the bytes of a message or of an answer."""
        self.write(instrument, connection, direction, abbreviated(data))


def open_log(path: Path) -> TextIO:
    """Open a log file anew.

    Raises:
        InputError: it cannot be written.
    """
    try:
        return path.open("w", encoding="utf-8")
    except OSError as error:
        raise InputError(
            f"the traffic log cannot be written: {error.strerror}",
            where=str(path),
            hint="name a file in a folder that exists, or - for standard error",
        ) from error


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

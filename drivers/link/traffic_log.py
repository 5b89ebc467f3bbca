"""The traffic log: one line a message, for people.

    # date and time (UTC)         resource                           direction  text
    2031-03-04 09:15:02.004123    TCPIP0::192.0.2.10::5025::SOCKET   ->  *IDN?
    2031-03-04 09:15:02.006310    TCPIP0::192.0.2.10::5025::SOCKET   <-  #41616... 1616 bytes

`->` goes to the instrument, `<-` comes from it, `--` is what happened to the connection.
"""

from __future__ import annotations

import re
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from drivers.errors import InputError

SENT, RECEIVED, CONNECTION = "->", "<-", "--"
LONGEST_TEXT = 160
"""Characters of a message that are shown; of a longer one the beginning and the length are."""
HEADER = "# date and time (UTC)         resource                           direction  text"

_BLOCK = re.compile(rb"#[1-9]")


class TrafficLog:
    """Writes lines to a stream, each at once; many links may share one.

    The stream remains its maker's: `close` ends only what `open_traffic_log` opened.
    """

    def __init__(self, stream: TextIO, *, is_owner: bool = False) -> None:
        self._stream = stream
        self._is_owner = is_owner
        self._lock = threading.Lock()
        self._write(HEADER)

    def sent(self, resource: str, message: bytes) -> None:
        """Write what went to the instrument."""
        self._line(resource, SENT, abbreviated(message))

    def received(self, resource: str, answer: bytes) -> None:
        """Write what came from the instrument."""
        self._line(resource, RECEIVED, abbreviated(answer))

    def noted(self, resource: str, text: str) -> None:
        """Write what happened to the connection."""
        self._line(resource, CONNECTION, printable(text))

    def close(self) -> None:
        """End the file, if it was opened by `open_traffic_log`."""
        if self._is_owner:
            self._stream.close()

    def _line(self, resource: str, direction: str, text: str) -> None:
        now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S.%f")
        self._write(f"{now}    {resource:33}  {direction}  {text}")

    def _write(self, line: str) -> None:
        with self._lock:
            print(line, file=self._stream, flush=True)


def open_traffic_log(path: Path) -> TrafficLog:
    """Continue a log file, or begin one.

    Raises:
        InputError: it cannot be written.
    """
    try:
        return TrafficLog(path.open("a", encoding="utf-8"), is_owner=True)
    except OSError as error:
        raise InputError(
            f"the traffic log cannot be written: {error.strerror}",
            where=str(path),
            hint="name a file in a folder that exists",
        ) from error


def abbreviated(message: bytes) -> str:
    """Return a message as one printable line; blocks and long texts give way to their length."""
    message = message.rstrip(b"\r\n")
    match = _BLOCK.search(message)
    if match is not None:
        digits = int(message[match.end() - 1 : match.end()])
        count = message[match.end() : match.end() + digits]
        # bytes that only look like a block are shown as they are
        if len(count) == digits and count.isdigit():
            head = message[: match.end() + digits].decode("latin-1")
            return f"{printable(head)}... {int(count)} bytes"
    shown = printable(message.decode("latin-1"))
    if len(shown) <= LONGEST_TEXT:
        return shown
    return f"{shown[:LONGEST_TEXT]}... {len(message)} bytes"


def printable(text: str) -> str:
    """Return `text` with everything that is not printable ASCII escaped, on one line."""
    return "".join(
        letter if " " <= letter <= "~" else letter.encode("unicode_escape").decode("ascii")
        for letter in text
    )

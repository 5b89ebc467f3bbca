"""Lines from standard input that can be waited for with an end, while other work goes on."""

from __future__ import annotations

import os
import queue
import threading
import time

PIECE = 4096
GLANCE_S = 0.2
"""A wait is cut into pieces of this length, so that a stop signal is seen at once."""


class TypedLines:
    """Lines of a file descriptor, read in a thread from the first time that one is wanted.

    The descriptor is read without Python's buffered file: a thread that still waits there when
    the program ends holds no lock of it.
    """

    def __init__(self, descriptor: int = 0) -> None:
        self._descriptor = descriptor
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._reader: threading.Thread | None = None
        self._has_ended = False

    def next(self, wait_s: float | None = None) -> str | None:
        """The next line without its end; None if none came within `wait_s` (None: no limit).

        Raises:
            EOFError: the input has ended.
        """
        if self._has_ended:
            raise EOFError
        if self._reader is None:
            self._reader = threading.Thread(target=self._read, name="typed lines", daemon=True)
            self._reader.start()
        until = None if wait_s is None else time.monotonic() + wait_s
        while True:
            left_s = GLANCE_S if until is None else min(GLANCE_S, until - time.monotonic())
            try:
                line = self._lines.get(timeout=max(left_s, 0.0))
            except queue.Empty:
                if until is not None and time.monotonic() >= until:
                    return None
                continue
            if line is None:
                self._has_ended = True
                raise EOFError
            return line

    def _read(self) -> None:
        rest = b""
        while True:
            try:
                piece = os.read(self._descriptor, PIECE)
            except OSError:
                # the terminal is gone, which is an end like any other
                piece = b""
            rest += piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
            *whole, rest = rest.split(b"\n")
            if not piece and rest:
                whole.append(rest)
            for line in whole:
                self._lines.put(line.decode("utf-8", "replace"))
            if not piece:
                self._lines.put(None)
                return

"""Lines from standard input that can be waited for with an end; at a terminal, only fresh ones.

A confirmation counts only after it was asked. So at a terminal whatever was typed earlier can be
forgotten (`forget`), half a line too, and an empty line that comes at once after another line is
the same press of a key: the LF of a reader that sends CR and LF, a key that bounces or is held
down. What is piped keeps its order and is never forgotten: a script answers what it knows will
be asked.
"""

from __future__ import annotations

import codecs
import os
import termios
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from drivers.stop_signals import wait_ready

PIECE = 4096
SAME_PRESS_S = 0.1
"""Keys repeat 20 to 30 times a second and readers send a sign in less than 10 ms, while nobody
reads a prompt and answers it so soon (common practice, no source)."""
LONGEST_QUIET_S = 1.0
"""Of waiting for the end of what is being typed; a key that is held down has none."""
_LFLAG, _CC = 3, 6
"""Places of what `termios.tcgetattr` gives."""


@dataclass(frozen=True)
class TypedLine:
    """A line without its end."""

    text: str
    is_same_press: bool = False
    """Whether it is empty and came too soon after the line before it to be one of its own."""


@dataclass(frozen=True)
class Forgotten:
    """What was typed before it was asked for."""

    lines: tuple[str, ...] = ()
    """The last of them may be half a line."""
    is_same_press: bool = False
    """Whether it is one empty line at once after the line that was taken last."""


class TypedLines:
    """Lines of a file descriptor, read without Python's buffered file, which may hold some back."""

    def __init__(self, descriptor: int = 0) -> None:
        self._descriptor = descriptor
        self._lines: deque[str] = deque()
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._rest = ""
        self._ends_in_cr = False
        self._has_ended = False
        self._last_enter = -float("inf")

    @property
    def is_terminal(self) -> bool:
        """Whether somebody sits there, as far as the system knows."""
        try:
            return os.isatty(self._descriptor)
        except OSError:
            return False

    def next(self, wait_s: float | None = None) -> TypedLine | None:
        """The next line; None if none came within `wait_s` (None: no limit).

        Raises:
            EOFError: the input has ended.
        """
        until = None if wait_s is None else time.monotonic() + wait_s
        while not self._lines:
            if self._has_ended:
                raise EOFError
            left_s = None if until is None else max(until - time.monotonic(), 0.0)
            if not self._is_readable(left_s):
                return None
            self._read()
        text, now = self._lines.popleft(), time.monotonic()
        is_same = self.is_terminal and not text and now - self._last_enter < SAME_PRESS_S
        self._last_enter = now
        return TypedLine(text, is_same)

    def forget(self) -> Forgotten:
        """At a terminal, drop whatever was typed so far; a scan that is coming in, to its end.

        It also waits for the second Enter of the line that was taken last, so that none is on its
        way when a prompt is shown.
        """
        if self._has_ended or not self.is_terminal:
            return Forgotten()
        begun, taken_at = time.monotonic(), self._last_enter
        with self._every_sign():
            while self._is_readable(self._until_quiet_s()):
                self._read()
                self._last_enter = time.monotonic()
                if self._has_ended or time.monotonic() - begun > LONGEST_QUIET_S:
                    break
            with suppress(termios.error):
                termios.tcflush(self._descriptor, termios.TCIFLUSH)
        lines = (*self._lines, *([self._rest] if self._rest else []))
        self._lines.clear()
        self._rest, self._ends_in_cr = "", False
        self._decoder.reset()
        is_same = lines == ("",) and begun - taken_at < SAME_PRESS_S
        return Forgotten(lines, is_same)

    def _until_quiet_s(self) -> float:
        if self._lines or self._rest:
            return SAME_PRESS_S
        return max(self._last_enter + SAME_PRESS_S - time.monotonic(), 0.0)

    def _is_readable(self, wait_s: float | None) -> bool:
        """Whether there is something to read, or the end; a stop signal ends the wait at once."""
        try:
            return wait_ready([self._descriptor], wait_s=wait_s)
        except (OSError, ValueError):
            # closed or never there: reading it says so
            return True

    @contextmanager
    def _every_sign(self) -> Iterator[None]:
        """A section in which the terminal gives half a line, too."""
        try:
            usual = termios.tcgetattr(self._descriptor)
            signs = [*usual[:_CC], list(usual[_CC])]
            signs[_LFLAG] &= ~termios.ICANON
            signs[_CC][termios.VMIN], signs[_CC][termios.VTIME] = 0, 0
            termios.tcsetattr(self._descriptor, termios.TCSANOW, signs)
        except termios.error:
            # the terminal is gone, which the next reading tells
            yield
            return
        try:
            yield
        finally:
            with suppress(termios.error):
                termios.tcsetattr(self._descriptor, termios.TCSANOW, usual)

    def _read(self) -> None:
        try:
            piece = os.read(self._descriptor, PIECE)
        except OSError:
            # the terminal is gone, which is an end like any other
            piece = b""
        text = self._decoder.decode(piece, final=not piece)
        if text:
            self._rest += text.removeprefix("\n") if self._ends_in_cr else text
            self._ends_in_cr = text.endswith("\r")
        *whole, self._rest = self._rest.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        self._lines.extend(whole)
        if not piece:
            self._has_ended = True
            if self._rest:
                self._lines.append(self._rest)
                self._rest = ""

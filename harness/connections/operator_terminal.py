"""Where the operator reads and types: plain lines, a bell, and one line that says how far it is.

Everything is shown on standard error. Nothing is redrawn and nothing is large when `plain` is
asked for or when it is no terminal, so that a screen reader or a log gets one plain line after
the other, with the word first. No colour is needed anywhere.
"""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence
from typing import TextIO

from drivers.errors import InputError
from harness.bench.operator_lines import OperatorCommand, OperatorLine, help_lines, parse_line
from harness.connections.large_type import large
from harness.connections.typed_lines import TypedLine, TypedLines
from harness.report.words.numbers import printable
from harness.report.words.signs import can_show, shown

WIDEST = 79
BLOCK = "█"
SAME_PRESS = (
    "! An Enter at once after a line is dropped, here and from now on. If a reader sends two (CR "
    "and LF), set it to send one."
)
MOST_SHOWN = 3
_CLEAR_LINE = "\r\x1b[K"


class OperatorTerminal:
    """Shows lines, rings, and gives what is typed."""

    def __init__(
        self,
        typed: TypedLines,
        *,
        plain: bool = False,
        with_bell: bool = True,
        to: TextIO | None = None,
    ) -> None:
        self._typed = typed
        self._to = sys.stderr if to is None else to
        self.is_plain = plain or not self._to.isatty()
        self._with_bell = with_bell
        self._status = ""
        self._is_same_press_told = False

    def say(self, text: str) -> None:
        """Show a text, wrapped to the width of the terminal."""
        self._clear_status()
        for line in self._wrapped(text):
            print(line, file=self._to)
        self._to.flush()

    def say_all(self, lines: Iterable[str]) -> None:
        """Show several."""
        for line in lines:
            self.say(line)

    def status(self, text: str) -> None:
        """Show what is going on, in place of the last such line; nothing where all is plain."""
        if self.is_plain or text == self._status:
            return
        self._status = text
        room = self._width()
        print(f"{_CLEAR_LINE}{self._fit(text)[:room]}", end="", file=self._to, flush=True)

    def bell(self, times: int = 1) -> None:
        """Ring, at a terminal."""
        if self._with_bell and self._to.isatty():
            print("\a" * times, end="", file=self._to, flush=True)

    def verdict(self, line: str, words: str) -> None:
        """Show a line with the figures, and the words once more in large type."""
        self.say(line)
        if not self.is_plain:
            mark = BLOCK if can_show(BLOCK, self._encoding) else "#"
            self.say("")
            for row in large(words, mark):
                print(row, file=self._to)
            self.say("")

    def ask(self, prompt: str) -> OperatorLine:
        """Show a prompt and wait for a line; what cannot be meant is explained, and asked again.

        At a terminal what was typed before does not count, and that is told.

        Raises:
            EOFError: nobody can answer: the input has ended.
        """
        while True:
            self.forget()
            self._clear_status()
            print(f"{self._fit(prompt)} ", end="", file=self._to, flush=True)
            is_answered = False
            try:
                line = self._typed.next()
                is_answered = self._to.isatty() and self._typed.is_terminal
            finally:
                # a terminal shows the Enter that ended the line; nothing else ends it
                if not is_answered:
                    print(file=self._to, flush=True)
            meant = None if line is None else self._meant(line)
            if meant is not None:
                return meant

    def forget(self) -> None:
        """Drop what was typed at a terminal before this, and say so."""
        dropped = self._typed.forget()
        if dropped.is_same_press:
            self._tell_same_press()
        elif dropped.lines:
            self.say(f"! Dropped, because it was typed before it was asked: "
                     f"{_typed_text(dropped.lines)}.")  # fmt: skip

    def typed(self, wait_s: float) -> OperatorLine | None:
        """A line that somebody typed within `wait_s` without being asked; None if nobody did.

        Raises:
            EOFError: the input has ended.
        """
        line = self._typed.next(wait_s)
        return None if line is None else self._meant(line)

    def _tell_same_press(self) -> None:
        if not self._is_same_press_told:
            self._is_same_press_told = True
            self.say(SAME_PRESS)

    def _meant(self, line: TypedLine) -> OperatorLine | None:
        if line.is_same_press:
            self._tell_same_press()
            return None
        try:
            meant = parse_line(line.text)
        except InputError as error:
            self.say(f"! {error.what}")
            if error.hint:
                self.say(f"  {error.hint}")
            return None
        if meant.command is OperatorCommand.HELP:
            self.say("Enter goes on. A serial number is typed or scanned. Commands:")
            self.say_all(f"  {help_line}" for help_line in help_lines())
            return None
        return meant

    @property
    def _encoding(self) -> str:
        return self._to.encoding or "ascii"

    def _width(self) -> int:
        return min(shutil.get_terminal_size().columns - 1, WIDEST)

    def _fit(self, text: str) -> str:
        return shown(printable(text), self._encoding)

    def _wrapped(self, text: str) -> list[str]:
        lines = []
        for line in text.split("\n"):
            fitted = self._fit(line)
            indent = " " * (len(fitted) - len(fitted.lstrip()) + 2)
            lines += textwrap.wrap(fitted, self._width(), subsequent_indent=indent,
                                   break_on_hyphens=False) or [""]  # fmt: skip
        return lines

    def _clear_status(self) -> None:
        if self._status:
            print(_CLEAR_LINE, end="", file=self._to, flush=True)
            self._status = ""


def _typed_text(lines: Sequence[str]) -> str:
    """`'PIG-0451', Enter 4 times`."""
    words = [line.strip() for line in lines if line.strip()]
    enters = len(lines) - len(words)
    told = [repr(word) for word in words[:MOST_SHOWN]]
    if len(words) > MOST_SHOWN:
        told.append(f"{len(words) - MOST_SHOWN} more")
    if enters:
        told.append("Enter" if enters == 1 else f"Enter {enters} times")
    return ", ".join(told)

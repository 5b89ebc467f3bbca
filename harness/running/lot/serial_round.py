"""Which item is measured next: typed, scanned, listed, or asked for again."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from drivers.errors import InputError
from drivers.quantities import counted
from harness.bench.operator_lines import OperatorCommand, OperatorLine, checked_serial
from harness.bench.sitting import Wanted
from harness.connections.operator_terminal import OperatorTerminal
from harness.running.lot.folder import LotSoFar, Outline

SERIAL_PROMPT = "Serial number, or /stop:"
MOST_NAMED = 8


@dataclass(frozen=True)
class Serials:
    """Which serial numbers are to be measured, and which can be."""

    listed: Sequence[str] | None
    """None: they are typed or scanned."""
    wrong: Callable[[str], str]
    """What is wrong with one that this station cannot measure, or nothing."""


class SerialRound:
    """Gives serial numbers until there is none any more.

    `note` keeps what the operator says of the last item.
    """

    def __init__(
        self,
        terminal: OperatorTerminal,
        lot: LotSoFar,
        serials: Serials,
        note: Callable[[str], None],
    ) -> None:
        self._terminal = terminal
        self._lot = lot
        self._knows = serials.wrong
        self._note = note
        self._again: deque[str] = deque(outline.serial for outline in lot.wanted_again())
        listed = serials.listed
        self._is_listed = listed is not None
        left = [s for s in listed or () if (s,) not in lot.done and s not in self._again]
        self._listed = deque(left)
        self._last = ""
        if listed is not None:
            self._greet_list(listed, len(left))

    def ask_again(self, serials: Iterable[str]) -> None:
        """Have these measured again before others."""
        self._again.extend(serial for serial in serials if serial not in self._again)

    def measured(self, serial: str) -> None:
        """Nobody needs to ask for it again."""
        if serial in self._again:
            self._again.remove(serial)

    def next_item(self) -> Wanted | None:
        """The next one; None at the end of the list or of the input, or at /stop."""
        serial = self._next_listed() if self._is_listed else self._next_typed()
        if serial is not None:
            self._last = serial
        return None if serial is None else Wanted(serial)

    def _greet_list(self, listed: Sequence[str], left: int) -> None:
        done = len(listed) - left - len(self._again)
        told = f", {done} done already" if done else ""
        again = f", {len(self._again)} asked for again" if self._again else ""
        self._terminal.say(
            f"{counted(len(listed), 'serial number')} listed{told}{again}; {left} to go."
        )

    def _next_listed(self) -> str | None:
        while self._again or self._listed:
            serial = (self._again or self._listed).popleft()
            wrong = self._knows(serial)
            if not wrong:
                return serial
            self._terminal.say(f"! {serial} is left out: {wrong}")
        return None

    def _next_typed(self) -> str | None:
        while True:
            if self._again:
                self._terminal.say(f"Asked for again: {named(self._again)}")
            line = self._asked(SERIAL_PROMPT)
            if line is None or line.command is OperatorCommand.STOP:
                return None
            serial = self._taken(line)
            while serial and (serial,) in self._lot.done and serial not in self._again:
                decided = self._again_or_not(self._lot.done[(serial,)], serial)
                if decided is None:
                    return None
                if decided == serial:
                    return serial
                serial = decided
            if serial:
                return serial

    def _asked(self, prompt: str) -> OperatorLine | None:
        """What is typed; None at the end of the input."""
        try:
            return self._terminal.ask(prompt)
        except EOFError:
            return None

    def _taken(self, line: OperatorLine) -> str:
        """The serial number that a line asks for; empty where it asks for none."""
        if line.command is OperatorCommand.NOTE:
            self._note(line.text)
            return ""
        if line.command is OperatorCommand.REDO:
            if not self._last:
                self._terminal.say("! There is no last item to measure again.")
                return ""
            self._again.append(self._last)
            return self._last
        if line.command is not None:
            self._terminal.say(
                "! There is no item in hand: type or scan a serial number."
                if line.command is OperatorCommand.SKIP
                else f"! {line.command.word} can be typed while a connection is watched."
            )
            return ""
        if not line.text:
            return ""
        try:
            serial = checked_serial(line.text)
        except InputError as error:
            self._terminal.say(f"! {error.what}: {error.hint}.")
            return ""
        wrong = self._knows(serial)
        if wrong:
            self._terminal.say(f"! {serial}: {wrong}")
            return ""
        return serial

    def _again_or_not(self, outline: Outline, serial: str) -> str | None:
        """The same serial number: again; another: that one; empty: ask anew; None: the end."""
        standing = outline.standing
        self._terminal.say(f"{serial} was measured already: {standing.sign} {standing.word}.")
        line = self._asked("/redo or the same number again measures it again, Enter leaves it:")
        if line is None or line.command is OperatorCommand.STOP:
            return None
        if line.command is OperatorCommand.REDO:
            return serial
        if line.command is OperatorCommand.SKIP:
            return ""
        return self._taken(line)


def named(serials: Iterable[str]) -> str:
    """The first few by name, and how many more there are."""
    every = list(serials)
    more = len(every) - MOST_NAMED
    return ", ".join(every[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")

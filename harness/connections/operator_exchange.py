"""A person who makes the connections, and may ask for something else at any prompt."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Protocol

from drivers.errors import InputError
from harness.bench.operator_lines import Asked, OperatorCommand, OperatorLine
from harness.connections.operator_prompts import (
    CLEAN,
    NO_ANTENNA,
    RF_IS_OFF,
    TURN_THE_NUT,
    UNDO_WHOLLY,
    Cautions,
    in_both_units,
    item_lines,
    switch_lines,
    through_lines,
)
from harness.station.items import Item
from harness.station.station import Station

PROMPT = "RF is off. Enter when it is done, or /help:"
DOUBT_PROMPT = "RF is off. Enter once it is connected anew, /sure if it was right:"
NOBODY = "nobody answers the prompt: standard input has ended"


class Asking(Protocol):
    """Where a person is told and asked; see `harness.connections.operator_terminal`."""

    def say(self, text: str) -> None:
        """Show a text."""

    def say_all(self, lines: Iterable[str]) -> None:
        """Show several."""

    def ask(self, prompt: str) -> OperatorLine:
        """Show a prompt and wait for a line; raises EOFError at the end of the input."""


class OperatorExchange:
    """Asks the operator for each connection, and waits for Enter or for the item's number.

    Every command but a note is raised as `Asked`. `note` keeps what the operator says; `item`
    gives what is known of a serial number; `about_rf` is the first of the cautions.
    """

    needs_a_person = True

    def __init__(
        self,
        station: Station,
        terminal: Asking,
        note: Callable[[str], None],
        items: Mapping[str, Item] | Callable[[str], Item],
        about_rf: str = RF_IS_OFF,
    ) -> None:
        self._station = station
        self._terminal = terminal
        self._note = note
        self._item_of = items if callable(items) else items.__getitem__
        self._cautions = Cautions(about_rf)
        self._leads_are_joined = False
        self._last_item = ""

    def connect_through(self, *, again: bool) -> None:
        """Ask for the leads to be joined."""
        self._prompt(through_lines(self._station, again=again), CLEAN)
        self.joined()

    def connect_item(self, item: str, insertion: int, of: int) -> None:
        """Ask for the item to be inserted, or to be taken out and inserted again."""
        self._prompt(*self.item_words(item, insertion, of), item)
        self.inserted(item)

    def joined(self) -> None:
        """Know that the leads are joined."""
        self._leads_are_joined, self._last_item = True, ""

    def inserted(self, item: str) -> None:
        """Know that an item is between the leads."""
        self._leads_are_joined, self._last_item = False, item

    def connect_behind_switch(self, item: str, through_channel: str, item_channel: str) -> None:
        """Ask for through and item to be connected to the switch."""
        lines = switch_lines(self._station, item, through_channel, item_channel)
        self._prompt(lines, TURN_THE_NUT, item)

    def finish(self) -> None:
        """Say that hands are free."""
        self._terminal.say(f"Done. RF is off; everything can be taken out. {NO_ANTENNA}")

    def item_words(self, item: str, insertion: int, of: int) -> tuple[list[str], str]:
        """The lines for an item, and the caution that matters now."""
        known = self._item_of(item)
        is_again = item == self._last_item and not self._leads_are_joined
        lines = item_lines(self._station, item, insertion, of, ends=known.ends, is_out=not is_again)
        if insertion == 1 and known.made_of:
            lines.insert(1, f"  {in_both_units(', '.join(known.made_of))}")
        return lines, UNDO_WHOLLY if is_again else TURN_THE_NUT

    def cautions(self, matters: str) -> list[str]:
        """All of them the first time; then the one that matters."""
        return self._cautions.now(matters)

    def heard(self, line: OperatorLine, item: str) -> bool:
        """Whether a typed line means that it is done.

        Raises:
            Asked: it asks for something else.
        """
        if line.command is OperatorCommand.NOTE:
            self._note(line.text)
            return False
        if line.command is OperatorCommand.BY_HAND:
            self._terminal.say("! Nothing is watched now: Enter says that it is done.")
            return False
        if line.command is OperatorCommand.SURE:
            self._terminal.say("! Nothing is doubted now: Enter says that it is done.")
            return False
        if line.command is not None:
            raise Asked(line.command)
        is_done = line.text in ("", item)
        if not is_done:
            self._terminal.say(
                f"! {line.text!r} is not what is asked for now. Enter says that it is done; "
                "/skip leaves this item out."
            )
        return is_done

    def is_sure(self, doubt: str, item: str) -> bool:
        """Tell what is doubted of a connection; False where it was made anew, RF being off.

        Raises:
            Asked: the operator wants something else.
        """
        self._terminal.say(f"? {doubt}")
        while True:
            line = self._asked(DOUBT_PROMPT)
            if line.command is OperatorCommand.SURE:
                return True
            if self.heard(line, item):
                return False

    def _prompt(self, lines: list[str], matters: str, item: str = "") -> None:
        self._terminal.say_all([*lines, *self.cautions(matters)])
        while not self.heard(self._asked(PROMPT), item):
            pass

    def _asked(self, prompt: str) -> OperatorLine:
        try:
            return self._terminal.ask(prompt)
        except EOFError:
            raise InputError(
                NOBODY,
                hint="run it in a terminal, or on a station whose connections are switched",
            ) from None

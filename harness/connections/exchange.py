"""Who makes the connections: a person who is asked to, a signal switch, or the simulated bench."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Protocol

from drivers.errors import InputError, InstrumentError
from drivers.instruments.hand import Hand
from harness.connections.operator_prompts import (
    CLEAN,
    NO_ANTENNA,
    TURN_THE_NUT,
    UNDO_WHOLLY,
    Cautions,
    item_lines,
    switch_lines,
    through_lines,
)
from harness.report.words.signs import shown
from harness.station.station import Station


class Audience(Protocol):
    """Where a person is asked and told."""

    def ask(self, prompt: str) -> None:
        """Show a prompt and wait for Enter."""

    def say(self, text: str) -> None:
        """Show a line."""


class PersonAtTheBench:
    """Asks a person, and waits for Enter.

    `ask` shows a text and returns when the person has confirmed; `EOFError` from it means
    that nobody is there.
    """

    def __init__(
        self,
        station: Station,
        ask: Callable[[str], None],
        say: Callable[[str], None],
        ends: Sequence[str] = (),
    ) -> None:
        """`ends`: markings of the item's ends, that for the near lead first."""
        self._station = station
        self._ask = ask
        self._say = say
        self._ends = ends
        self._cautions = Cautions()
        self._leads_are_joined = False

    needs_a_person = True

    def connect_behind_switch(self, item: str, through_channel: str, item_channel: str) -> None:
        """Ask for through and item to be connected to the switch, for good."""
        lines = switch_lines(self._station, item, through_channel, item_channel)
        self._prompt(lines, TURN_THE_NUT)

    def connect_through(self, *, again: bool) -> None:
        """Ask for the leads to be joined."""
        self._leads_are_joined = True
        self._prompt(through_lines(self._station, again=again), CLEAN)

    def connect_item(self, item: str, insertion: int, of: int) -> None:
        """Ask for the item to be inserted, or to be taken out and inserted again."""
        is_out = insertion == 1 or self._leads_are_joined
        self._leads_are_joined = False
        lines = item_lines(self._station, item, insertion, of, ends=self._ends, is_out=is_out)
        self._prompt(lines, TURN_THE_NUT if is_out else UNDO_WHOLLY)

    def finish(self) -> None:
        """Say that hands are free."""
        self._say(f"Done. RF is off; the item can be taken out. {NO_ANTENNA}")

    def _prompt(self, lines: Sequence[str], matters: str) -> None:
        for line in (*lines, *self._cautions.now(matters)):
            self._say(shown(line, sys.stderr.encoding or "ascii"))
        try:
            self._ask("RF is off. Press Enter when it is done: ")
        except EOFError:
            raise InputError(
                "nobody answers the prompt: standard input has ended",
                hint="run it in a terminal, or on a station whose connections are switched",
            ) from None


class SimulatedExchange:
    """Has the simulated bench's hand make the connections."""

    needs_a_person = False

    def __init__(self, hand: Hand) -> None:
        self._hand = hand

    def connect_through(self, *, again: bool) -> None:
        """Join the leads."""
        self._hand.connect_through()

    def connect_item(self, item: str, insertion: int, of: int) -> None:
        """Take out what is there and insert the item."""
        self._hand.open_leads()
        self._hand.connect_item(item)

    def finish(self) -> None:
        """Leave the leads open."""
        self._hand.open_leads()


class ChannelSwitch(Protocol):
    """What is needed of a signal switch; see `drivers.instruments.signal_switch`."""

    def select(self, channel: str) -> None:
        """Close a channel, open all others, and make sure of it."""

    def reopen(self) -> None:
        """Start over on a fresh connection."""


class SwitchChannels:
    """The channels of a station's switch, one of them closed at a time.

    `note` is told when the switch had to be started afresh.
    """

    def __init__(
        self, switch: ChannelSwitch, station: Station, note: Callable[[str], None]
    ) -> None:
        if station.switch is None:
            raise AssertionError("the station has a switch")
        self._switch = switch
        self._channels = station.switch
        self._note = note

    def close_through(self) -> None:
        """Switch to the through."""
        self._close(self._channels.through)

    def close_item(self) -> None:
        """Switch to the item."""
        self._close(self._channels.item)

    def _close(self, channel: str) -> None:
        try:
            self._switch.select(channel)
        except InstrumentError as error:
            # RF is off here, and closing a channel twice does no harm
            self._note(f"starting the switch afresh after: {error.what}")
            self._switch.reopen()
            self._switch.select(channel)


class SwitchedExchange:
    """Has a signal switch exchange through and item, which `connect` puts behind it once."""

    needs_a_person = False

    def __init__(
        self,
        channels: SwitchChannels,
        connect: Callable[[], None],
        finish: Callable[[], None],
    ) -> None:
        self._channels = channels
        self._connect = connect
        self._finish = finish
        self._is_connected = False

    def connect_through(self, *, again: bool) -> None:
        """Switch to the through."""
        self._require_connected()
        self._channels.close_through()

    def connect_item(self, item: str, insertion: int, of: int) -> None:
        """Switch to the item, by way of the through: every insertion is a closing of its own."""
        self._require_connected()
        if insertion > 1:
            self._channels.close_through()
        self._channels.close_item()

    def finish(self) -> None:
        """Leave the through closed, and hands free."""
        self._require_connected()
        self._channels.close_through()
        self._finish()

    def _require_connected(self) -> None:
        if not self._is_connected:
            self._connect()
            self._is_connected = True

"""Who makes the connections: a person who is asked to, a signal switch, or the simulated bench."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Protocol

from drivers.errors import InputError, InstrumentError
from drivers.hand import Hand
from harness.connected import ConnectedStation
from harness.station import Station

CAUTIONS = (
    "RF is off while you work on a connection, and is kept below the station's maximum power.",
    "Never leave a driven port open to an antenna: transmitting needs a licence and local rules.",
    "Clean and gauge connectors; tighten with a torque wrench, turning the nut, not the cable.",
    "Wear an ESD strap. Local codes and the instrument's manual decide, not this program.",
)


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
        self, station: Station, ask: Callable[[str], None], say: Callable[[str], None]
    ) -> None:
        self._station = station
        self._ask = ask
        self._say = say
        self._cautioned = False
        self._leads_are_joined = False

    needs_a_person = True

    def connect_behind_switch(self, item: str, through_channel: str, item_channel: str) -> None:
        """Ask for through and item to be connected to the switch, for good."""
        through = self._station.through
        what = f"the adapter ({through.adapter})" if through else "a direct joint"
        self._prompt(
            f"Connect {what} to channel {through_channel} of the switch and {item} to channel "
            f"{item_channel}; the switch does the rest."
        )

    def connect_through(self, *, again: bool) -> None:
        """Ask for the leads to be joined."""
        through = self._station.through
        how = f"with the adapter ({through.adapter})" if through else "directly to each other"
        self._leads_are_joined = True
        self._prompt(f"{'Again, join' if again else 'Join'} the two leads {how}.")

    def connect_item(self, item: str, insertion: int, of: int) -> None:
        """Ask for the item to be inserted, or to be taken out and inserted again."""
        is_out = insertion == 1 or self._leads_are_joined
        self._leads_are_joined = False
        action = f"Put {item} between the leads" if is_out else f"Undo {item}, connect it again"
        self._prompt(f"{action} (insertion {insertion} of {of}).")

    def finish(self) -> None:
        """Say that hands are free."""
        self._say("Done. RF is off; the item can be taken out.")

    def _prompt(self, action: str) -> None:
        if not self._cautioned:
            for caution in CAUTIONS:
                self._say(f"! {caution}")
            self._cautioned = True
        leads = self._station.leads
        torque = f"{leads.connector}: {leads.torque_n_m:.2f} N m."
        try:
            self._ask(f"{action} {torque} RF is off. Press Enter when it is done: ")
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


class Switch(Protocol):
    """What is needed of a signal switch; see `drivers.signal_switch`."""

    def select(self, channel: str) -> None:
        """Close a channel, open all others, and make sure of it."""

    def reopen(self) -> None:
        """Start over on a fresh connection."""


class SwitchedExchange:
    """Has a signal switch exchange through and item, which `connect` puts behind it once.

    `note` is told when the switch had to be started afresh.
    """

    needs_a_person = False

    def __init__(
        self,
        switch: Switch,
        station: Station,
        connect: Callable[[], None],
        finish: Callable[[], None],
        note: Callable[[str], None],
    ) -> None:
        if station.switch is None:
            raise AssertionError("the station has a switch")
        self._switch = switch
        self._channels = station.switch
        self._connect = connect
        self._finish = finish
        self._note = note
        self._is_connected = False

    def connect_through(self, *, again: bool) -> None:
        """Switch to the through."""
        self._close(self._channels.through)

    def connect_item(self, item: str, insertion: int, of: int) -> None:
        """Switch to the item, by way of the through: every insertion is a closing of its own."""
        if insertion > 1:
            self._close(self._channels.through)
        self._close(self._channels.item)

    def finish(self) -> None:
        """Leave the through closed, and hands free."""
        self._close(self._channels.through)
        self._finish()

    def _close(self, channel: str) -> None:
        if not self._is_connected:
            self._connect()
            self._is_connected = True
        try:
            self._switch.select(channel)
        except InstrumentError as error:
            # RF is off here, and closing a channel twice does no harm
            self._note(f"starting the switch afresh after: {error.what}")
            self._switch.reopen()
            self._switch.select(channel)


def exchange_of(
    station: Station,
    connected: ConnectedStation,
    item: str,
    person: Audience,
    note: Callable[[str], None],
) -> PersonAtTheBench | SimulatedExchange | SwitchedExchange:
    """Whoever makes the connections of an item; `note` as in `SwitchedExchange`."""
    hand, switch, channels = connected.hand, connected.switch, station.switch
    asked = PersonAtTheBench(station, person.ask, person.say)
    by_hand = asked if hand is None else SimulatedExchange(hand)
    if switch is None or channels is None:
        return by_hand
    if hand is None:
        connect = partial(asked.connect_behind_switch, item, channels.through, channels.item)
    else:
        connect = partial(hand.connect_item, item)
    return SwitchedExchange(switch, station, connect, by_hand.finish, note)

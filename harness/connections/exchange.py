"""Who makes the connections where no person is asked: a signal switch, or the simulated bench."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from drivers.errors import InstrumentError
from drivers.instruments.hand import Hand
from harness.station.station import Station


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

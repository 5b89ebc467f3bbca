"""Who makes the connections of an item: chosen by what the station has."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from harness.connections.exchange import (
    Audience,
    PersonAtTheBench,
    SimulatedExchange,
    SwitchChannels,
    SwitchedExchange,
)
from harness.running.connected import ConnectedStation
from harness.station.station import Station


def exchange_of(
    station: Station,
    connected: ConnectedStation,
    item: str,
    person: Audience,
    note: Callable[[str], None],
    ends: Sequence[str] = (),
) -> PersonAtTheBench | SimulatedExchange | SwitchedExchange:
    """Whoever makes the connections of an item; `note` as in `SwitchChannels`, `ends` as in
    `PersonAtTheBench`."""
    hand, switch, channels = connected.hand, connected.switch, station.switch
    asked = PersonAtTheBench(station, person.ask, person.say, ends)
    by_hand = asked if hand is None else SimulatedExchange(hand)
    if switch is None or channels is None:
        return by_hand
    if hand is None:
        connect = partial(asked.connect_behind_switch, item, channels.through, channels.item)
    else:
        connect = partial(hand.connect_item, item)
    behind = SwitchChannels(switch, station, note)
    return SwitchedExchange(behind, connect, by_hand.finish)

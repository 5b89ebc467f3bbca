"""Who makes the connections of an item: chosen by what the station has."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from harness.connections.exchange import SimulatedExchange, SwitchChannels, SwitchedExchange
from harness.connections.operator_exchange import Asking, OperatorExchange
from harness.run_file.run import OPERATORS_NOTE
from harness.running.connected import ConnectedStation
from harness.station.items import Item
from harness.station.station import Station


def exchange_of(
    station: Station,
    connected: ConnectedStation,
    named: tuple[str, Item],
    terminal: Asking,
    record: Callable[[str, str], None],
) -> OperatorExchange | SimulatedExchange | SwitchedExchange:
    """Whoever makes the connections of an item; `record` keeps an event of a kind in its run."""
    hand, switch, channels = connected.hand, connected.switch, station.switch
    item, stated = named

    def note(text: str) -> None:
        record(OPERATORS_NOTE, text)
        terminal.say("Noted.")

    asked = OperatorExchange(station, terminal, note, {item: stated})
    by_hand = asked if hand is None else SimulatedExchange(hand)
    if switch is None or channels is None:
        return by_hand
    if hand is None:
        connect = partial(asked.connect_behind_switch, item, channels.through, channels.item)
    else:
        connect = partial(hand.connect_item, item)
    behind = SwitchChannels(switch, station, partial(record, "recovery"))
    return SwitchedExchange(behind, connect, by_hand.finish)

"""Who makes the connections at the production bench: chosen by station and operator."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from harness.bench.equipment import Exchange
from harness.connections.exchange import SimulatedExchange, SwitchChannels
from harness.connections.hands_free.hands_free_exchange import (
    HandsFreeExchange,
    WatchedPlace,
    caution_of_looks,
)
from harness.connections.operator_exchange import OperatorExchange
from harness.connections.operator_prompts import RF_IS_OFF
from harness.connections.operator_terminal import OperatorTerminal
from harness.connections.switched_lot import SwitchedLot
from harness.running.lot.lot_sitting import LotSitting
from harness.running.lot.serials_known import LotItems
from harness.running.open_station import OpenStation


def lot_exchange(
    place: OpenStation,
    terminal: OperatorTerminal,
    items: LotItems,
    sitting: LotSitting,
    *,
    hands_free: bool,
) -> tuple[OperatorExchange, Exchange]:
    """Who is asked what is in doubt, and who makes the connections: that person, the simulated
    hand, a switch behind either, or the bench that watches them."""
    station, hand = place.workplace.station, place.connected.hand
    about_rf = caution_of_looks(station) if hands_free else RF_IS_OFF
    person = OperatorExchange(station, terminal, sitting.note_in_hand, items, about_rf)
    by_hand: Exchange = person
    if hand is not None:
        by_hand = SimulatedExchange(hand)
    if hands_free:
        connected = place.connected
        watched = WatchedPlace(
            terminal, person, by_hand, hand, connected.clock, connected.wait_until
        )
        return person, HandsFreeExchange(station, connected.source, watched, items, sitting.remark)
    switch = place.connected.switch
    if switch is None or station.switch is None:
        return person, by_hand
    put_item: Callable[[str], None]
    if hand is not None:
        put_item = hand.connect_item
    else:
        channels = station.switch
        put_item = partial(
            person.connect_behind_switch,
            through_channel=channels.through,
            item_channel=channels.item,
        )
    behind = SwitchChannels(switch, station, terminal.say)
    return person, SwitchedLot(behind, put_item, by_hand.finish)

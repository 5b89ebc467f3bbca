"""Who makes the connections at the production bench: chosen by station and operator."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from drivers.errors import InputError
from harness.bench.equipment import Exchange
from harness.connections.exchange import SimulatedExchange, SwitchChannels
from harness.connections.hands_free.hands_free_exchange import (
    Connecting,
    HandsFreeExchange,
    Watching,
)
from harness.connections.hands_free.quick_look import QuickLook, look_settings
from harness.connections.operator_exchange import OperatorExchange
from harness.connections.operator_terminal import OperatorTerminal
from harness.connections.switched_lot import SwitchedLot
from harness.running.lot.lot_sitting import LotSitting
from harness.running.lot.serials_known import LotItems
from harness.running.open_station import OpenStation
from harness.station.station import Station


def require_hands_free(station: Station) -> None:
    """Check that the station can watch connections being made.

    Raises:
        InputError: it does not state at which level it may look.
    """
    if station.hands_free is None:
        raise InputError(
            "--hands-free looks at the connections with RF on at a low level, and the station "
            "does not say at which",
            where="[hands_free] in the station file",
            hint='[hands_free] and power = "-30 dBm"; no port may then be open to an antenna. It '
            "needs a network analyzer",
        )


def lot_exchange(
    place: OpenStation,
    terminal: OperatorTerminal,
    items: LotItems,
    sitting: LotSitting,
    *,
    hands_free: bool,
) -> Exchange:
    """A person, the simulated hand, a switch behind either, or the bench that watches them."""
    station, hand = place.workplace.station, place.connected.hand
    looks_dbm = station.hands_free.power_dbm if hands_free and station.hands_free else None
    person = OperatorExchange(station, terminal, sitting.note_in_hand, items, looks_dbm)
    by_hand: Exchange = person
    if hand is not None:
        by_hand = SimulatedExchange(hand)
    if hands_free:
        return _watching(place, terminal, items, sitting, person, by_hand)
    switch = place.connected.switch
    if switch is None or station.switch is None:
        return by_hand
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
    return SwitchedLot(behind, put_item, by_hand.finish)


def _watching(
    place: OpenStation,
    terminal: OperatorTerminal,
    items: LotItems,
    sitting: LotSitting,
    person: OperatorExchange,
    by_hand: Exchange,
) -> HandsFreeExchange:
    station, connected = place.workplace.station, place.connected
    if station.hands_free is None or station.analyzer is None:
        raise AssertionError("the station was checked")
    settings = look_settings(station)

    def expected_db(serial: str) -> float | None:
        expected = items(serial).expected(
            settings.frequency_hz(), station.temperature_c, station.known_parts()
        )
        return None if expected is None else float(np.mean(expected.loss_db))

    def wait(seconds: float) -> None:
        connected.wait_until(connected.clock() + seconds)

    watching = Watching(
        look=QuickLook(connected.source, settings),
        table=station.hands_free,
        floor_db=station.analyzer.noise_floor_dbm - settings.power_dbm,
        clock=connected.clock,
        wait=None if connected.hand is None else wait,
        expected_db=expected_db,
        remark=sitting.remark,
    )
    return HandsFreeExchange(
        station, watching, Connecting(terminal, person, by_hand, connected.hand)
    )

"""Connections made by somebody whose hands are busy: the bench watches, and goes on by itself.

The one exception to RF being off while connections are changed: short looks of a few points at
a low level that the station states, with RF on for each look and off between. The operator is
told so, because RF comes on by itself: no port may be open to an antenna. The level of joined
leads and the scatter of looks are learnt at the first joint, which somebody confirms.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from drivers.errors import InputError, InstrumentError
from harness.bench.equipment import Exchange, Sweeper
from harness.bench.operator_lines import OperatorCommand
from harness.connections.hands_free.exchange_watch import (
    ExchangeStage,
    Expectation,
    WatchedExchange,
    after_look,
)
from harness.connections.hands_free.quick_look import (
    LEARNING_LOOKS,
    LookNoise,
    QuickLook,
    learned,
    look_settings,
)
from harness.connections.operator_exchange import OperatorExchange
from harness.connections.operator_prompts import CLEAN, through_lines
from harness.connections.operator_terminal import OperatorTerminal
from harness.station.items import Item
from harness.station.station import Station

TELLS_APART_DB = 0.3
"""An item that loses less cannot be told from joined leads by its level."""
THROUGH_WITHIN_DB = 0.5
"""Of the level of the first through: a joint that is further off is none, or something is
between."""
LEVEL_WORDS = "dB off the joined leads"


class Hands(Protocol):
    """Whoever makes connections when asked, not waited for; see `drivers.instruments.hand`."""

    def ask_for_through(self) -> None:
        """The leads joined."""

    def ask_for_item(self, item: str) -> None:
        """An item between the leads."""

    def ask_to_tighten(self) -> None:
        """What is open made, what is loose tightened."""


@dataclass(frozen=True)
class WatchedPlace:
    """Where connections are watched: who makes them there, and how time passes."""

    terminal: OperatorTerminal
    person: OperatorExchange
    by_hand: Exchange
    """Makes the first joint, and whatever cannot be watched."""
    hands: Hands | None
    """Of a simulated operator; None: a person reads what is said."""
    clock: Callable[[], float]
    wait_until: Callable[[float], None]
    """Returns at a time of `clock`; not asked where a person's typing is waited for."""


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


def caution_of_looks(station: Station) -> str:
    """What an operator has to know of RF where connections are watched."""
    if station.hands_free is None:
        raise AssertionError("the station was checked")
    return (
        f"Hands-free: RF comes on BY ITSELF for short looks at {station.hands_free.power_dbm:g} "
        "dBm while you work on a connection. No port may be open to an antenna."
    )


class HandsFreeExchange:
    """Watches the connections; what is typed always works too.

    At the first joint, made by hand, the bench learns the level of joined leads and how much looks
    scatter. `remark` is told what the record should know.
    """

    needs_a_person = True

    def __init__(
        self,
        station: Station,
        source: Sweeper,
        place: WatchedPlace,
        item_of: Callable[[str], Item],
        remark: Callable[[str], None],
    ) -> None:
        if station.hands_free is None or station.analyzer is None:
            raise AssertionError("the station was checked")
        self._table, self._station, self._place = station.hands_free, station, place
        self._settings = look_settings(station)
        self._floor_db = station.analyzer.noise_floor_dbm - self._settings.power_dbm
        self._look = QuickLook(source, self._settings)
        self._terminal, self._person = place.terminal, place.person
        self._by_hand, self._hands, self._clock = place.by_hand, place.hands, place.clock
        self._item_of, self._remark = item_of, remark
        self._noise: LookNoise | None = None
        self._is_on = True
        self._nobody_types = False
        self._exchanges = 0

    def connect_through(self, *, again: bool) -> None:
        """Have the leads joined; the first time somebody says when that is done."""
        if self._noise is None or not self._is_on:
            self._by_hand.connect_through(again=again)
            self._learn()
            return
        lines = [*through_lines(self._station, again=again), *self._person.cautions(CLEAN)]
        right = Expectation(self._noise.zero_db - THROUGH_WITHIN_DB,
                            self._noise.zero_db + THROUGH_WITHIN_DB)  # fmt: skip
        ask = None if self._hands is None else self._hands.ask_for_through
        done = self._watched(lines, ask, right, "")
        if not done:
            self._by_hand.connect_through(again=again)
        self._person.joined()

    def connect_item(self, item: str, insertion: int, of: int) -> None:
        """Have the item inserted, or taken out and inserted again."""
        words, matters = self._person.item_words(item, insertion, of)
        expected_db = self._expected_db(item)
        right = Expectation()
        if self._noise is not None and expected_db is not None and expected_db >= TELLS_APART_DB:
            right = Expectation(below_db=self._noise.zero_db - expected_db / 2.0)
        hands = self._hands
        ask = None if hands is None else lambda: hands.ask_for_item(item)
        lines = [*words, *self._person.cautions(matters)]
        if not (self._is_on and self._watched(lines, ask, right, item)):
            self._by_hand.connect_item(item, insertion, of)
        self._person.inserted(item)

    def finish(self) -> None:
        """Say that hands are free."""
        self._by_hand.finish()

    def _expected_db(self, item: str) -> float | None:
        """What an item ought to lose, mean over the looks' frequencies; None: nobody knows."""
        station = self._station
        expected = self._item_of(item).expected(
            self._settings.frequency_hz(), station.temperature_c, station.known_parts()
        )
        return None if expected is None else float(np.mean(expected.loss_db))

    def _learn(self) -> None:
        """Look at the joined leads that nobody touches."""
        if self._hands is not None:
            # nobody was asked, so nobody was told
            self._terminal.say_all(self._person.cautions(CLEAN))
        self._terminal.say("Hands off the leads for a moment: the bench learns their level.")
        try:
            levels_db = []
            for _ in range(LEARNING_LOOKS):
                levels_db.append(self._look.level_db())
                self._pause()
        except InstrumentError as error:
            self._look.recover()
            self._switch_off(f"it cannot look: {error.what}")
            return
        self._noise = learned(levels_db, self._floor_db)

    def _watched(
        self,
        lines: list[str],
        ask: Callable[[], None] | None,
        right: Expectation,
        item: str,
    ) -> bool:
        """Whether the exchange was made, seen or typed; False where a prompt is needed for it.

        Raises:
            Asked: the operator wants something else.
        """
        noise = self._noise
        if noise is None:
            return False
        self._exchanges += 1
        self._terminal.forget()
        self._terminal.say_all(lines)
        if ask is not None:
            ask()
        begun = self._clock()
        seen = WatchedExchange(begun)
        told: set[ExchangeStage] = set()
        failed = False
        while self._clock() - begun < self._table.give_up_after_s:
            if self._typed(item):
                return True
            if not self._is_on:
                return False
            try:
                level_db = self._look.level_db()
            except InstrumentError as error:
                # afterwards RF is off, or this raises: nobody is told that it is while it may be on
                self._look.recover()
                self._remark(f"hands-free: starting afresh after: {error.what}")
                if failed:
                    self._switch_off(f"it cannot look any more: {error.what}")
                    return False
                failed = True
                continue
            earlier = seen.stage
            seen = after_look(
                seen, level_db, self._clock(), noise.rules(level_db), right,
                self._table.patience_s,
            )  # fmt: skip
            if seen.stage is ExchangeStage.DONE:
                self._terminal.bell()
                self._terminal.say(f"✓ {item or 'The leads'}: {ExchangeStage.DONE.value}.")
                return True
            if seen.stage is not earlier or not told:
                self._tell(seen, noise, told)
            self._pause()
        self._switch_off(f"nothing was connected for {self._table.give_up_after_s / 60.0:g} min")
        return False

    def _tell(self, seen: WatchedExchange, noise: LookNoise, told: set[ExchangeStage]) -> None:
        """Say what is waited for: once in a line, else in the status line; trouble always."""
        words = seen.stage.value
        if seen.stage is ExchangeStage.WRONG:
            off_db = noise.zero_db - seen.level_db
            words = f"{words} ({off_db:.2f} {LEVEL_WORDS}): see what is connected, or press Enter"
        if seen.stage in (ExchangeStage.LOOSE, ExchangeStage.WRONG, ExchangeStage.TOO_LONG):
            self._terminal.bell(2)
            self._terminal.say(f"! {words}{'' if words.endswith('?') else '.'}")
            self._remark(f"hands-free: {words}")
            if self._hands is not None:
                self._hands.ask_to_tighten()
        elif seen.stage in told or not (self._terminal.is_plain or self._exchanges == 1):
            self._terminal.status(words)
        else:
            self._terminal.say(f"  {words}.")
        told.add(seen.stage)

    def _typed(self, item: str) -> bool:
        """Whether somebody typed that it is done.

        Raises:
            Asked: somebody wants something else.
        """
        if self._nobody_types:
            return False
        try:
            line = self._terminal.typed(self._table.look_every_s if self._hands is None else 0.0)
        except EOFError:
            self._nobody_types = True
            return False
        if line is None:
            return False
        if line.command is OperatorCommand.BY_HAND:
            self._switch_off("you asked for it")
            return False
        return self._person.heard(line, item)

    def _pause(self) -> None:
        """Until the next look; a person's typing is waited for instead, see `_typed`."""
        if self._hands is not None:
            self._place.wait_until(self._clock() + self._table.look_every_s)

    def _switch_off(self, why: str) -> None:
        self._is_on = False
        self._terminal.say(f"! From now on the bench waits for Enter: {why}.")

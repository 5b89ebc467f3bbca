"""What quick looks say of an exchange: the old connection undone, the new one made, and right.

Pure: looks go in as levels with their time, and what to tell the operator comes out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from enum import Enum

from harness.connections.hands_free.connection_state import (
    ConnectionRules,
    ConnectionState,
    Watched,
    after_sweep,
)


class ExchangeStage(Enum):
    """How far an exchange is, and the words for it."""

    UNDO = "waiting until the connection that is there is undone"
    OPEN = "open: waiting for both ends"
    TOO_LONG = "still open: are both ends made?"
    MAKING = "it conducts: waiting until it is at rest"
    LOOSE = "loose: it does not come to rest. Tighten the nut with the wrench"
    WRONG = "at rest, but at a level that cannot be right"
    DONE = "made, and at rest"


@dataclass(frozen=True)
class Expectation:
    """What level is right once the connection is at rest, in dB; the bounds are not in it."""

    above_db: float = -math.inf
    below_db: float = math.inf

    def fits(self, level_db: float) -> bool:
        """Whether a level is right."""
        return self.above_db < level_db < self.below_db


@dataclass(frozen=True)
class WatchedExchange:
    """What was seen of an exchange so far; `since` is when the path was opened, or it began."""

    since: float
    stage: ExchangeStage = ExchangeStage.UNDO
    seen: Watched = field(default_factory=Watched)
    was_open: bool = False

    @property
    def level_db(self) -> float:
        """Mean of the last levels; nan while the path is open."""
        return self.seen.level_db


def after_look(
    before: WatchedExchange,
    level_db: float,
    time: float,
    rules: ConnectionRules,
    expectation: Expectation,
    patience_s: float,
) -> WatchedExchange:
    """What is believed after one more look, at `time` (s).

    A connection that was at rest all the time is the old one, so the path must have been open
    before anything counts as made.
    """
    seen = after_sweep(before.seen, level_db, rules)
    is_open = seen.state is ConnectionState.OPEN
    if is_open and before.seen.state is not ConnectionState.OPEN:
        before = replace(before, since=time)
    after = replace(before, seen=seen, was_open=before.was_open or is_open)
    if is_open:
        is_long = time - after.since > patience_s
        return replace(after, stage=ExchangeStage.TOO_LONG if is_long else ExchangeStage.OPEN)
    if not after.was_open:
        return replace(after, stage=ExchangeStage.UNDO)
    if seen.state is ConnectionState.LOOSE:
        return replace(after, stage=ExchangeStage.LOOSE)
    if seen.state is ConnectionState.MAKING:
        return replace(after, stage=ExchangeStage.MAKING)
    return replace(
        after, stage=ExchangeStage.DONE if expectation.fits(seen.level_db) else ExchangeStage.WRONG
    )

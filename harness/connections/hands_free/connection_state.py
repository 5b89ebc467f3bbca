"""What quick sweeps say of a connection that somebody opens and makes: is it ready to be measured?

Each quick sweep comes as one level: the mean over the band, in dB. Near the receiver's floor the
path is open. Above it the connection is being made, until the last levels scatter no more than the
receiver's noise does: then it has settled. One that does not come to rest, or that loses its rest
again and again, is loose. A loose nut that nobody touches can lie still: that is not seen here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import Enum
from functools import cached_property

import numpy as np


class ConnectionState(Enum):
    """What is believed of the connection."""

    OPEN = "open"
    MAKING = "making"
    SETTLED = "settled"
    LOOSE = "loose"


@dataclass(frozen=True)
class ConnectionRules:
    """What is known of the receiver, and how much has to be seen before something is believed.

    Raises:
        ValueError: a noise that is not positive, hysteresis the wrong way round, or too few sweeps.
    """

    floor_db: float
    """Level that is read with nothing connected."""
    noise_db: float
    """Standard deviation of the level of one quick sweep while nothing moves."""
    open_above_floor_db: float = 6.0
    """Up to so far above the floor a path that conducted is taken to be open."""
    closed_above_floor_db: float = 12.0
    """From so far above the floor on a path that was open is taken to conduct."""
    settle_sweeps: int = 8
    """So many levels in a row must agree."""
    loose_sweeps: int = 60
    """After so many sweeps above the floor without coming to rest it is loose."""
    most_breaks: int = 2
    """So often it may lose its rest, without having been open, before it is loose."""
    settle_probability: float = 0.95
    """With which levels of a connection at rest are taken to agree, at each sweep."""
    break_probability: float = 1e-6
    """With which a connection at rest is taken to have moved, at each sweep."""

    def __post_init__(self) -> None:
        if not self.noise_db > 0.0:
            raise ValueError("noise_db must be above 0")
        if not 0.0 < self.open_above_floor_db <= self.closed_above_floor_db:
            raise ValueError("closed_above_floor_db must not be below open_above_floor_db")
        if self.settle_sweeps < 3 or self.loose_sweeps <= self.settle_sweeps:
            raise ValueError("settle_sweeps must be 3 at least, and loose_sweeps above it")
        if not 0.0 < self.break_probability < 1.0 - self.settle_probability < 1.0:
            raise ValueError("a connection must be easier to believe at rest than in motion")

    @cached_property
    def settled_below_db(self) -> float:
        """Standard deviation of the last levels up to which they agree."""
        return self._limit_db(1.0 - self.settle_probability)

    @cached_property
    def broken_above_db(self) -> float:
        """Standard deviation of the last levels above which a settled connection has moved."""
        return self._limit_db(self.break_probability)

    def _limit_db(self, exceeded: float) -> float:
        """What the standard deviation of noise alone exceeds with a probability (chi-square)."""
        from scipy.special import chdtri

        freedom = self.settle_sweeps - 1
        return self.noise_db * math.sqrt(float(chdtri(freedom, exceeded)) / freedom)


@dataclass(frozen=True)
class Watched:
    """What was seen of a connection so far."""

    state: ConnectionState = ConnectionState.OPEN
    recent_db: tuple[float, ...] = ()
    """The last levels since the path conducts, `settle_sweeps` at most."""
    restless: int = 0
    """Sweeps above the floor since it was open or at rest."""
    breaks: int = 0
    """How often it lost its rest since it was open."""

    @property
    def level_db(self) -> float:
        """Mean of the last levels; nan while the path is open."""
        return float(np.mean(self.recent_db)) if self.recent_db else math.nan

    @property
    def scatter_db(self) -> float:
        """Standard deviation of the last levels; nan with fewer than two."""
        return float(np.std(self.recent_db, ddof=1)) if len(self.recent_db) > 1 else math.nan


def after_sweep(seen: Watched, level_db: float, rules: ConnectionRules) -> Watched:
    """What is believed after one more quick sweep, whose level is -inf or nan without a signal."""
    was_open = seen.state is ConnectionState.OPEN
    margin_db = rules.closed_above_floor_db if was_open else rules.open_above_floor_db
    if not level_db > rules.floor_db + margin_db:
        return Watched()
    recent_db = (*seen.recent_db, level_db)[-rules.settle_sweeps :]
    seen = replace(seen, recent_db=recent_db)
    is_full = len(recent_db) == rules.settle_sweeps
    if seen.state is ConnectionState.SETTLED:
        if seen.scatter_db <= rules.broken_above_db:
            return seen
        breaks = seen.breaks + 1
        state = ConnectionState.LOOSE if breaks > rules.most_breaks else ConnectionState.MAKING
        # rest is judged from what comes after the jolt
        return Watched(state, (level_db,), 1, breaks)
    if is_full and seen.scatter_db <= rules.settled_below_db:
        return replace(seen, state=ConnectionState.SETTLED, restless=0)
    restless = seen.restless + 1
    is_loose = seen.state is ConnectionState.LOOSE or restless > rules.loose_sweeps
    state = ConnectionState.LOOSE if is_loose else ConnectionState.MAKING
    return replace(seen, state=state, restless=restless)

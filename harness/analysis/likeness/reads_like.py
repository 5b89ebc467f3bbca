"""What a new connection reads like, before it is taken for an insertion of the item or for a zero.

Asked of level and, where there is phase, of delay: is it the joined leads, an open, the connection
before, something that cannot be the item? What cannot be told is believed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.likeness.made_connection import MadeConnection
from harness.analysis.likeness.same_making import RepeatStatements, is_same_making
from harness.analysis.several_runs.delay import (
    LARGEST_UNFORESEEN_TURN,
    SPEED_OF_LIGHT_M_PER_S,
    tilt_of_ripple_s,
)
from harness.analysis.units import DB_PER_NEPER, SECONDS_PER_HOUR

MAKINGS_WITHIN = 3.0
"""Standard deviations of the difference of two makings."""
LENGTH_WITHIN = 0.15
"""Of the stated length, beside its limits: a piece further off is another item (common practice,
no source)."""
JOINTS_WITHIN_S = 150e-12
"""What connectors, and the adapter that closed the through, add or take away: 3 cm of line."""
SLOWEST_FACTOR, FASTEST_FACTOR = 0.5, 1.0
"""Speed on a line over that of light, where the catalogue does not state it."""
MORE_THAN_A_FAULT_DB = 20.0
"""Above what is expected; an open reads that much, a bad contact hardly."""
UNKNOWN_REFLECTION = 0.3
"""Of an item that does not state its return loss: 10 dB."""


class Likeness(Enum):
    """What a connection reads like that cannot be, or can hardly be, what was asked for."""

    LEADS = "leads"
    """The joined leads, remade or not."""
    UNTOUCHED = "untouched"
    """The connection before, which nobody has undone."""
    OPEN = "open"
    OTHER = "other"
    """By its delay it is no item of this length."""
    ITEM = "item"
    """What was between the leads before, where they should be joined."""
    MOVED = "moved"
    """Joined leads that lost or won more than can be explained."""
    UNLIKE_EARLIER = "unlike earlier"
    """Joined leads that do not read as at earlier sittings."""
    UNLIKE_STATED = "unlike stated"
    """Joined leads that do not lose what they are stated to lose."""


@dataclass(frozen=True)
class Resemblance:
    """A likeness with the figures that tell it."""

    likeness: Likeness
    change_db: float
    """Of the level against the through, mean over the band where it is largest; loss positive."""
    delay_s: float = math.nan
    """Over the through; NaN where it cannot be told."""
    foreseen_s: float = math.nan


@dataclass(frozen=True)
class ForeseenItem:
    """What is known of an item beforehand."""

    loss_db: Mapping[str, tuple[FloatArray, FloatArray]]
    """By band: expected loss and its expanded uncertainty, (P,) each; empty: nothing is known."""
    delay_s: tuple[float, float] | None = None
    """Least and most, over a direct joint; None: nobody knows its length."""
    reflection: float = UNKNOWN_REFLECTION
    """Largest magnitude."""


@dataclass(frozen=True)
class PlaceStatements:
    """What the station states of itself."""

    repeats: RepeatStatements
    match: float
    """Sum of the largest reflections of source and load."""
    flexure_db: float = 0.0


Connections = Mapping[str, MadeConnection]


def delay_limits_s(
    length_m: float, length_limits_m: float, velocity_factor: float | None
) -> tuple[float, float]:
    """Least and most delay of a cable of stated length with its connectors."""
    slow, fast = (
        (SLOWEST_FACTOR, FASTEST_FACTOR)
        if velocity_factor is None
        else (velocity_factor, velocity_factor)
    )
    short_m = (1.0 - LENGTH_WITHIN) * length_m - length_limits_m
    long_m = (1.0 + LENGTH_WITHIN) * length_m + length_limits_m
    least = short_m / fast / SPEED_OF_LIGHT_M_PER_S - JOINTS_WITHIN_S
    return least, long_m / slow / SPEED_OF_LIGHT_M_PER_S + JOINTS_WITHIN_S


def item_reads_like(
    now: Connections,
    through: Connections,
    before: Connections | None,
    foreseen: ForeseenItem,
    stated: PlaceStatements,
) -> Resemblance | None:
    """What an insertion reads like that cannot be one of this item; None where it can be.

    `before`: the last connection that was swept with an item in it, this one or another; None
    where there is none since the through was joined.
    """
    change_db = _largest_change_db(now, through)
    delay = measured_delay_s(now, through, foreseen.reflection * stated.match)
    told = math.nan if delay is None else delay[0]
    wanted = math.nan if foreseen.delay_s is None else sum(foreseen.delay_s) / 2.0

    def like(likeness: Likeness) -> Resemblance:
        return Resemblance(likeness, change_db, told, wanted)

    if is_same_making(through, now, through, stated.repeats):
        return like(Likeness.LEADS)
    if _is_level_of_leads(now, through, foreseen, stated) and (
        delay is None or abs(delay[0]) <= delay[1] + JOINTS_WITHIN_S
    ):
        return like(Likeness.LEADS)
    if before is not None and is_same_making(before, now, through, stated.repeats):
        return like(Likeness.UNTOUCHED)
    if _is_open(now, through, foreseen):
        return like(Likeness.OPEN)
    if delay is not None and foreseen.delay_s is not None:
        least, most = foreseen.delay_s
        if delay[0] + delay[1] < least or delay[0] - delay[1] > most:
            nothing_added = abs(delay[0]) <= delay[1] + JOINTS_WITHIN_S
            return like(Likeness.LEADS if nothing_added else Likeness.OTHER)
    return None


def through_reads_like(
    now: Connections,
    zero: Connections,
    item: Connections | None,
    allowed_db: float,
    stated: PlaceStatements,
) -> Resemblance | None:
    """What joined leads read like that they should not, against the last zero; None: all is well.

    `item`: the last connection with an item in it since then; `allowed_db`: most that a zero may
    move at any frequency and still be one.
    """
    change_db = _largest_change_db(now, zero)
    delay = measured_delay_s(now, zero, UNKNOWN_REFLECTION * stated.match)
    told = math.nan if delay is None else delay[0]
    if item is not None and is_same_making(item, now, zero, stated.repeats):
        return Resemblance(Likeness.ITEM, change_db, told)
    moved = any(
        float(np.max(np.abs(now[band].level_db - zero[band].level_db))) > allowed_db
        for band in now
        if band in zero
    )
    if moved:
        longer = delay is not None and delay[0] - delay[1] > JOINTS_WITHIN_S
        still_in = longer or (
            item is not None
            and _is_level_of(now, item, stated)
            and not _is_level_of(now, zero, stated)
        )
        return Resemblance(Likeness.ITEM if still_in else Likeness.MOVED, change_db, told)
    return None


def measured_delay_s(
    now: Connections, through: Connections, ripple: float
) -> tuple[float, float] | None:
    """Delay over the through, and limits of its error, from the band that tells it best; None
    without phase, or where the points are too far apart.

    `ripple`: the most that two reflections add, as a ratio; over a band it may look like a delay.
    """
    found = [
        pair
        for band, made in now.items()
        if band in through and (pair := _band_delay_s(made, through[band], ripple)) is not None
    ]
    return min(found, key=lambda pair: pair[1], default=None)


def _band_delay_s(
    made: MadeConnection, through: MadeConnection, ripple: float
) -> tuple[float, float] | None:
    frequency_hz = made.frequency_hz
    if made.is_scalar or len(frequency_hz) < 3:
        return None
    turns = np.angle(made.transmission * np.conj(through.transmission)) / (2.0 * np.pi)
    lag = -np.unwrap(turns, period=1.0)
    if float(np.max(np.abs(np.diff(lag)))) > LARGEST_UNFORESEEN_TURN:
        return None
    centred = frequency_hz - frequency_hz.mean()
    slope = float(lag @ centred / np.sum(centred**2))
    scatter = lag - lag.mean() - slope * centred
    of_scatter = float(np.sqrt(np.mean(scatter**2) / np.sum(centred**2)))
    span_hz = float(frequency_hz[-1] - frequency_hz[0])
    return slope, tilt_of_ripple_s(ripple * DB_PER_NEPER, span_hz) + 2.0 * of_scatter


def _changes_db(now: Connections, through: Connections) -> Iterator[tuple[str, float]]:
    """Loss against the through, mean over each band."""
    for band, made in now.items():
        if band in through:
            yield band, float(np.mean(through[band].level_db - made.level_db))


def _largest_change_db(now: Connections, through: Connections) -> float:
    return max((change for _, change in _changes_db(now, through)), key=abs, default=math.nan)


def _is_level_of_leads(
    now: Connections, through: Connections, foreseen: ForeseenItem, stated: PlaceStatements
) -> bool:
    """Whether makings explain the level in every band, and the item would be told from that."""
    return _is_level_of(now, through, stated) and any(
        float(np.mean(loss_db - uncertainty_db))
        > 2.0 * _makings_explain_db(now[band], through[band], stated)
        for band, (loss_db, uncertainty_db) in foreseen.loss_db.items()
        if band in now and band in through
    )


def _is_level_of(now: Connections, other: Connections, stated: PlaceStatements) -> bool:
    """Whether makings explain how far apart two levels are in every band."""
    return all(
        abs(change_db) <= _makings_explain_db(now[band], other[band], stated)
        for band, change_db in _changes_db(now, other)
    )


def _makings_explain_db(
    one: MadeConnection, other: MadeConnection, stated: PlaceStatements
) -> float:
    """How far apart the levels of two makings of the same may be, mean over the band."""
    repeats = stated.repeats
    return (
        MAKINGS_WITHIN * math.sqrt(2.0) * repeats.connection_repeatability_db
        + repeats.drift_db_per_hour * abs(one.time - other.time) / SECONDS_PER_HOUR
        + repeats.resolution_db
        + stated.flexure_db
    )


def _is_open(now: Connections, through: Connections, foreseen: ForeseenItem) -> bool:
    """Whether it loses far more than expected in every band."""
    if not foreseen.loss_db:
        return False
    return all(
        band in foreseen.loss_db
        and change_db > float(np.mean(foreseen.loss_db[band][0])) + MORE_THAN_A_FAULT_DB
        for band, change_db in _changes_db(now, through)
    )

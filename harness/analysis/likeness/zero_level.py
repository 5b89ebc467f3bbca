"""Whether joined leads read as they ought to: as at earlier sittings, and as the leads are stated.

Asked of the level, mean over each band. One that is to come lies within t s sqrt(1 + 1/n) of the
mean of n earlier ones (prediction interval of a normal quantity, s unknown: ISO 16269-8).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.analysis.likeness.made_connection import MadeConnection
from harness.analysis.likeness.reads_like import MAKINGS_WITHIN, Likeness
from harness.analysis.uncertainty.student import student_quantile

HONEST_DOUBTED = 0.005
"""Share of honest sittings whose zero lies outside in some band; half of the 1 % of runs that may
be asked about without cause."""
FEWEST_SITTINGS = 5
"""With fewer the interval is too wide to tell anything (a judgement)."""
SITTING_S = 4 * 3600.0
"""Zeros that are closer to the one before belong to its sitting, and are too much alike to tell
how far zeros lie apart; the first of each counts (a judgement)."""


@dataclass(frozen=True)
class EarlierZero:
    """The opening zero of an earlier run."""

    time: float
    """Unix s."""
    level_db: Mapping[str, float]
    """By band, mean over it."""


@dataclass(frozen=True)
class ForeseenZero:
    """Where the level of joined leads ought to be in a band, mean over it."""

    level_db: float
    within_db: float
    likeness: Likeness
    """What a zero is that does not lie there: unlike the earlier ones, or what is stated."""
    sittings: int = 0
    """How many it rests on; none where it is stated."""


@dataclass(frozen=True)
class ZeroOffset:
    """How far joined leads are from where they ought to be, in the band where that is most."""

    band: str
    loss_db: float
    """More than foreseen; less is negative."""
    foreseen: ForeseenZero

    @property
    def is_explained(self) -> bool:
        """By how such zeros lie apart, or by the limits that are stated."""
        return abs(self.loss_db) <= self.foreseen.within_db


def first_of_sittings(zeros: Sequence[EarlierZero]) -> list[EarlierZero]:
    """The first zero of each sitting, in the order of time."""
    found: list[EarlierZero] = []
    before = -math.inf
    for zero in sorted(zeros, key=lambda each: each.time):
        if zero.time - before > SITTING_S:
            found.append(zero)
        before = zero.time
    return found


def foreseen_from(
    zeros: Sequence[EarlierZero], bands: Sequence[str], making_db: float, resolution_db: float
) -> dict[str, ForeseenZero]:
    """Where the next zero ought to lie, by the first ones of earlier sittings; bands that have too
    few are left out.

    `making_db`: standard deviation of a making; zeros that came out closer by chance count as if
    they scattered by that. `resolution_db`: step of the readings.
    """
    found = {}
    chosen = first_of_sittings(zeros)
    for band in bands:
        level_db = np.array([zero.level_db[band] for zero in chosen if band in zero.level_db])
        count = len(level_db)
        if count < FEWEST_SITTINGS:
            continue
        quantile = 1.0 - HONEST_DOUBTED / len(bands) / 2.0
        factor = float(student_quantile(quantile, np.array(count - 1.0)))
        scatter_db = max(factor * float(np.std(level_db, ddof=1)), MAKINGS_WITHIN * making_db)
        found[band] = ForeseenZero(
            float(np.mean(level_db)),
            scatter_db * math.sqrt(1.0 + 1.0 / count) + resolution_db,
            Likeness.UNLIKE_EARLIER,
            count,
        )
    return found


def zero_offset(
    now: Mapping[str, MadeConnection], foreseen: Mapping[str, ForeseenZero]
) -> ZeroOffset | None:
    """How far joined leads are off in the band where that is most, counted in what is explained;
    None where nothing is foreseen."""
    offsets = [
        ZeroOffset(band, there.level_db - float(np.mean(now[band].level_db)), there)
        for band, there in foreseen.items()
        if band in now
    ]
    return max(offsets, key=lambda off: abs(off.loss_db) / off.foreseen.within_db, default=None)

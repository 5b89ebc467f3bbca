"""Whether two connections that are said to be two makings are one and the same.

Two makings differ by how the joints came out, one that nobody touched by noise and drift alone.
So two that agree within noise and drift are one, unless makings agree so closely by chance.
How often they do follows from the station's statement of how well they repeat:

    A joint is a small impedance Z in the line; a new making changes it by dZ. With d = dZ / 2 Z0
    the transmission changes by -d, and the reflection at the joint by +d (a series impedance
    between matched ends, textbook, first order). `connection_repeatability` of a making with two
    joints, r nepers, is r / sqrt(2) for one joint, and the difference of two makings r for one
    joint, r sqrt(2) for both. A reflection is seen through its lead and back, which takes away as
    much as both leads do once. The reactance is taken to change as much as the resistance (common
    practice, no source).

    A normal x of standard deviation s lies within +-a with a probability of at most
    sqrt(2 / pi) a / s. That is so for each real part that a making changes by itself: of a
    complex trace two, of a level one, and of at most two traces, for there are two joints.

Where the product over the parts is above `MOST_BY_CHANCE`, two makings cannot be told from one,
and nothing is said: coarse readings and noisy ones, and most set-ups without phase. A station
that repeats better than it states is asked about once without cause, and can state that.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from harness.analysis.likeness.made_connection import MadeConnection
from harness.analysis.units import DB_PER_NEPER, SECONDS_PER_HOUR

MOST_BY_CHANCE = 2e-4
"""Of two makings to be taken for one. A run of six connections compares each with one before it
or two, so that at most 2 of 1000 honest runs are asked about."""
NOISE_WITHIN = 4.0
"""Standard deviations that noise stays within; of some dozens of parts one is out in 500 cases."""
MOST_JOINTS = 2


@dataclass(frozen=True)
class RepeatStatements:
    """What the station states of its connections and of its readings."""

    connection_repeatability_db: float
    drift_db_per_hour: float = 0.0
    resolution_db: float = 0.0


@dataclass(frozen=True)
class _ComparedTrace:
    """A trace of a band: how far apart two connections are there, relative to its reading."""

    trace: str
    apart: tuple[float, ...]
    """Real and imaginary part, or the level alone."""
    within: float
    """What noise, drift and resolution explain of each."""
    by_making: float
    """Standard deviation that two makings differ by in each; 0: not to be counted."""

    @property
    def is_explained(self) -> bool:
        """By noise and drift alone."""
        return all(abs(part) <= self.within for part in self.apart)

    @property
    def chance(self) -> float:
        """That two makings are as close as that."""
        if not self.by_making > 0.0:
            return 1.0
        return min(1.0, math.sqrt(2.0 / math.pi) * self.within / self.by_making) ** len(self.apart)


def is_same_making(
    before: Mapping[str, MadeConnection],
    now: Mapping[str, MadeConnection],
    through: Mapping[str, MadeConnection],
    stated: RepeatStatements,
) -> bool:
    """Whether two connections, by band, are one making; False where that cannot be told.

    `through` is the one that the zero rests on; how much its sweeps scatter is taken where the two
    have single sweeps only.
    """
    shared = [band for band in now if band in before and band in through]
    parts = [
        part for band in shared for part in _parts(before[band], now[band], through[band], stated)
    ]
    if not parts or not all(part.is_explained for part in parts):
        return False
    least: dict[str, float] = {}
    for part in parts:
        least[part.trace] = min(part.chance, least.get(part.trace, 1.0))
    return math.prod(sorted(least.values())[:MOST_JOINTS]) <= MOST_BY_CHANCE


def _parts(
    before: MadeConnection, now: MadeConnection, through: MadeConnection, stated: RepeatStatements
) -> Iterator[_ComparedTrace]:
    """What there is to compare; a trace whose scatter nobody knows, or that is 0, is left out."""
    making = stated.connection_repeatability_db / DB_PER_NEPER
    apart_h = abs(now.time - before.time) / SECONDS_PER_HOUR
    steady = stated.drift_db_per_hour * apart_h + stated.resolution_db
    both_leads = float(np.sqrt(np.mean(np.abs(through.transmission) ** 2)))
    for row, trace in enumerate(now.traces):
        noise = _noise(row, before, now, through)
        power = float(np.sum(np.abs(before.mean[row]) ** 2))
        if not (noise > 0.0 and power > 0.0):
            continue
        change = complex(np.vdot(before.mean[row], now.mean[row] - before.mean[row])) / power
        of_noise = noise * math.sqrt((1.0 / before.sweeps + 1.0 / now.sweeps) / power)
        is_reflection = trace in ("S11", "S22")
        by_making = math.sqrt(2.0) * making
        if is_reflection:
            by_making = making * both_leads / math.sqrt(power / len(now.frequency_hz))
        yield _ComparedTrace(
            trace=trace,
            apart=(change.real,) if now.is_scalar else (change.real, change.imag),
            within=steady / DB_PER_NEPER + NOISE_WITHIN * of_noise,
            # the way back shows the same joints once more
            by_making=0.0 if trace == "S12" else by_making,
        )


def _noise(row: int, *connections: MadeConnection) -> float:
    """Of one sweep, rms over those connections that can tell; NaN where none can."""
    known = [made.noise[row] for made in connections if math.isfinite(made.noise[row])]
    return float(np.sqrt(np.mean(np.square(known)))) if known else math.nan

"""One world: its runs, and in how many of them each interval holds the truth."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from harness.analysis.loss.band import stability_of_band
from harness.analysis.lots.binomial import Share
from harness.analysis.stability.allan import allan_table
from tests.studies.stability.worlds import (
    COEFFICIENT_DB_PER_K,
    DRIFT_DB_PER_H,
    SCATTER_DB,
    World,
)

SEED = 71
LEAST, MOST = 0.93, 0.98
FACTORS_LOOKED_AT = (1, 4, 16)
"""Averaging factors whose intervals are counted, where a series has them."""


@dataclass(frozen=True)
class Coverage:
    """Shares of the runs of a world."""

    drift: Share
    temperature: Share
    drift_half_width: float
    """Mean half-width of the drift's interval, dB/h."""
    warm_up_seen: Share
    """There is none."""
    marked: Share
    """Runs with an outlier or a step marked; there is none."""


def carry_out(world: World, runs: int) -> Coverage:
    """Draw the runs and analyse them."""
    rng = np.random.default_rng([SEED, zlib.crc32(world.name.encode())])
    drift = temperature = seen = marked = 0
    width = 0.0
    for _ in range(runs):
        found = stability_of_band(world.draw(rng))
        assert found is not None
        assert found.temperature is not None
        beside = found.temperature.drift_db_per_h
        drift += beside.low <= DRIFT_DB_PER_H <= beside.high
        coefficient = found.temperature.coefficient_db_per_k
        temperature += coefficient.low <= COEFFICIENT_DB_PER_K <= coefficient.high
        seen += found.warm_up is not None
        marked += bool(len(found.outliers) or len(found.steps.first))
        width += (beside.high - beside.low) / 2.0
    return Coverage(
        Share(drift, runs), Share(temperature, runs), width / runs, Share(seen, runs),
        Share(marked, runs),
    )  # fmt: skip


@dataclass(frozen=True)
class AllanCoverage:
    """How often the interval at one averaging time holds the true deviation."""

    noise: str
    factor: int
    share: Share


def allan_truth_db(noise: str, factor: int) -> float:
    """True Allan deviation at an averaging factor m, for noise of 2 mdB a sweep.

    White: 1/sqrt(m) (SP 1065, 3.4). A walk of unit steps sampled once a step: averages of m
    values differ with the variance (2 m^2 + 1)/(3 m), the sum over the steps between them.
    """
    m = float(factor)
    if noise == "white":
        return SCATTER_DB / np.sqrt(m)
    return SCATTER_DB * float(np.sqrt((2.0 * m**2 + 1.0) / (6.0 * m)))


def allan_coverage(noise: str, sweeps: int, runs: int) -> Iterator[AllanCoverage]:
    """Of one kind of noise, over its averaging times."""
    rng = np.random.default_rng([SEED, sweeps, zlib.crc32(noise.encode())])
    inside = dict.fromkeys(FACTORS_LOOKED_AT, 0)
    for _ in range(runs):
        values = SCATTER_DB * rng.normal(size=sweeps)
        table = allan_table(np.cumsum(values) if noise == "random walk" else values, 1.0)
        for place, factor in enumerate(table.averaging_s.astype(int).tolist()):
            if factor in inside:
                truth = allan_truth_db(noise, factor)
                inside[factor] += bool(table.low[place] <= truth <= table.high[place])
    for factor, count in inside.items():
        yield AllanCoverage(noise, factor, Share(count, runs))

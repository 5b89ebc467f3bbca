"""One scenario: its campaigns, and in how many of them the interval holds the truth."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import BandResult
from harness.analysis.loss.evaluate import evaluate
from harness.analysis.lots.binomial import Share
from harness.analysis.planning.campaigns import simulate, stated_in
from harness.analysis.uncertainty.budget import COVERAGE_PROBABILITY, Contribution, combine
from harness.analysis.uncertainty.monte_carlo import propagate
from tests.studies.coverage.scenarios import Scenario

LEAST, MOST_MONTE_CARLO, MOST_GUM = 0.94, 0.97, 0.975
WIDE = 1.5
"""Times what was needed, from which a scenario has to say why U is so much."""
SEED = 54


@dataclass(frozen=True)
class Campaigns:
    """C campaigns of a scenario, evaluated by the GUM."""

    scenario: Scenario
    result: BandResult
    truth_db: FloatArray
    """(C,)"""

    @property
    def error_db(self) -> FloatArray:
        """(C,)"""
        return np.asarray(self.result.insertion_loss_db - self.truth_db)

    @property
    def median_u_db(self) -> float:
        """What is stated by the GUM."""
        return float(np.median(self.result.expanded_uncertainty_db))

    @property
    def needed_db(self) -> float:
        """What would have held just the stated share of the errors."""
        return float(np.quantile(np.abs(self.error_db), COVERAGE_PROBABILITY))

    @property
    def ratio(self) -> float:
        """Stated over needed."""
        return self.median_u_db / self.needed_db

    def by_gum(self, budget: Sequence[Contribution] | None = None) -> Share:
        """With the whole budget, or with another."""
        combined = combine(self.result.budget if budget is None else budget)
        return _share(np.abs(self.error_db) <= combined.expanded_uncertainty_db)

    def by_monte_carlo(
        self, count: int, digits: int, budget: Sequence[Contribution] | None = None
    ) -> Share:
        """Of the first `count` campaigns, by the shortest interval."""
        whole = self.result.budget if budget is None else budget
        lines = [_first(line, count) for line in whole]
        found = propagate(lines, probability=COVERAGE_PROBABILITY, digits=digits, seed=SEED)
        error_db = self.error_db[:count]
        return _share((found.low_db <= -error_db) & (-error_db <= found.high_db))

    def without_what_dominates(self) -> list[Contribution]:
        """The budget as somebody would state it who forgot that line."""
        kept = [c for c in self.result.budget if c.name != self.scenario.dominates]
        assert len(kept) < len(self.result.budget), "the budget does not have that line at all"
        return kept


def carry_out(scenario: Scenario, campaigns: int) -> Campaigns:
    """Draw the campaigns and evaluate them, each as a column of its own."""
    rng = np.random.default_rng([SEED, zlib.crc32(scenario.name.encode())])
    readings, truth_db = simulate(scenario.world, scenario.plan, campaigns, rng)
    readings = scenario.instrument(readings, rng)
    stated = stated_in(scenario.world, campaigns, rng)
    return Campaigns(scenario, evaluate(readings, stated), truth_db)


def _share(inside: np.ndarray) -> Share:
    return Share(float(inside.sum()), len(inside))


def _first(line: Contribution, count: int) -> Contribution:
    parts = None if line.parts_db is None else line.parts_db[:, :count]
    return replace(
        line, standard_uncertainty_db=line.standard_uncertainty_db[:count], parts_db=parts
    )

"""What becomes of many campaigns: how often U is true, and how often a verdict is wrong."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import BandResult, Method
from harness.analysis.loss.evaluate import evaluate
from harness.analysis.lots.binomial import Share
from harness.analysis.planning.campaigns import CampaignPlan, World, simulate, stated_in
from harness.analysis.uncertainty.conformity import DecisionRule, severities

COLUMNS_AT_ONCE = 12_800
"""Campaigns times frequencies whose readings stay near the processor."""
DIGITS = 1
"""To which Monte Carlo holds still in each campaign: thousands of them average out the rest."""
VERDICTS = 4
TRUE_LOSS_IN_U = (-2.0, -1.5, -1.0, -0.5, -0.01, 0.01, 0.5, 1.0, 1.5, 2.0)
"""Where the true loss is placed, relative to the limit."""


@dataclass(frozen=True)
class Task:
    """One band, one plan, evaluated by one method."""

    world: World
    plan: CampaignPlan
    method: Method = "gum"


@dataclass(frozen=True)
class Coverage:
    """How often the stated interval held the true loss; P frequencies."""

    share: Share
    """Over the band: the frequencies of one campaign count as one trial together."""
    by_frequency: FloatArray
    """(P,)"""
    expanded_uncertainty_db: FloatArray
    """(P,) mean over the campaigns."""


@dataclass(frozen=True)
class VerdictShares:
    """What was said of an item whose true loss lies at one place relative to its limit."""

    beyond_limit_in_u: float
    """True loss minus limit where the band is worst, in mean expanded uncertainties."""
    true_loss_beyond_db: float
    """The same in dB."""
    passed: Share
    undecided: Share
    """Conditional verdicts."""
    failed: Share

    @property
    def is_conforming(self) -> bool:
        """Whether the item truly is within its limit."""
        return self.beyond_limit_in_u <= 0.0


@dataclass(frozen=True)
class Decisions:
    """How an item near its limit fares."""

    by_true_loss: tuple[VerdictShares, ...]

    @property
    def false_accept(self) -> VerdictShares:
        """Where most items beyond their limit passed."""
        wrong = [row for row in self.by_true_loss if not row.is_conforming]
        return max(wrong, key=lambda row: row.passed.count)

    @property
    def false_reject(self) -> VerdictShares:
        """Where most items within their limit failed."""
        wrong = [row for row in self.by_true_loss if row.is_conforming]
        return max(wrong, key=lambda row: row.failed.count)


def coverage(task: Task, campaigns: int, seed: Sequence[int]) -> Coverage:
    """Carry out `campaigns` campaigns and compare each stated interval with the truth."""
    points = len(task.world.frequency_hz)

    def look(result: BandResult, truth_db: FloatArray) -> FloatArray:
        inside = (result.interval_low_db <= truth_db) & (truth_db <= result.interval_high_db)
        u_db = result.expanded_uncertainty_db
        return np.stack([inside.reshape(-1, points).sum(0), u_db.reshape(-1, points).sum(0)])

    inside, u_db = np.sum(_in_chunks(task, campaigns, seed, look), axis=0) / campaigns
    return Coverage(Share(float(inside.mean() * campaigns), campaigns), inside, u_db)


def decisions(
    task: Task,
    limit_db: FloatArray,
    rule: DecisionRule,
    expanded_uncertainty_db: FloatArray,
    campaigns: int,
    seed: Sequence[int],
) -> Decisions:
    """Judge an item whose true loss lies at several places around its limit (P,).

    The loss keeps its course over frequency and is moved as a whole; what the readings err by
    is that of an item exactly at its limit. `expanded_uncertainty_db` (P,) is what distances
    are counted in.
    """
    points = len(limit_db)
    worst = int(np.argmax(task.world.loss_db - limit_db))
    beyond_db = float(task.world.loss_db[worst] - limit_db[worst])
    at_limit = replace(task, world=replace(task.world, loss_db=task.world.loss_db - beyond_db))
    moves_db = np.array(TRUE_LOSS_IN_U) * float(expanded_uncertainty_db[worst])

    def look(result: BandResult, truth_db: FloatArray) -> FloatArray:
        guard_db = rule.guard_band_db(
            result.standard_uncertainty_db, result.effective_dof, result.expanded_uncertainty_db
        )
        margin_db = np.tile(limit_db, len(truth_db) // points) - result.insertion_loss_db
        counts = np.empty((len(moves_db), VERDICTS))
        for row, move_db in enumerate(moves_db):
            said = severities(margin_db - move_db, guard_db).reshape(-1, points).max(axis=1)
            counts[row] = np.bincount(said, minlength=VERDICTS)
        return counts

    counts = np.sum(_in_chunks(at_limit, campaigns, seed, look), axis=0)
    return Decisions(
        tuple(
            VerdictShares(
                beyond_limit_in_u=in_u,
                true_loss_beyond_db=float(move_db),
                passed=Share(float(row[0]), campaigns),
                undecided=Share(float(row[1] + row[2]), campaigns),
                failed=Share(float(row[3]), campaigns),
            )
            for in_u, move_db, row in zip(TRUE_LOSS_IN_U, moves_db, counts, strict=True)
        )
    )


def _in_chunks(
    task: Task,
    campaigns: int,
    seed: Sequence[int],
    look: Callable[[BandResult, FloatArray], FloatArray],
) -> list[FloatArray]:
    """What `look` makes of each chunk of campaigns; the same for the same seed."""
    at_once = max(1, COLUMNS_AT_ONCE // len(task.world.frequency_hz))
    sizes = [min(at_once, campaigns - begin) for begin in range(0, campaigns, at_once)]

    def one(number: int) -> FloatArray:
        rng = np.random.Generator(np.random.SFC64([*seed, number]))
        readings, truth_db = simulate(task.world, task.plan, sizes[number], rng)
        stated = stated_in(task.world, sizes[number], rng)
        return look(evaluate(readings, stated, method=task.method, digits=DIGITS), truth_db)

    with ThreadPoolExecutor(os.cpu_count()) as workers:
        return list(workers.map(one, range(len(sizes))))

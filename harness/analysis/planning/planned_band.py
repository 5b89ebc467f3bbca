"""What a measurement will find out, before it is made.

A typical campaign is put together as readings whose scatter is the median of what is to be
expected, and evaluated like any other: whatever the evaluation learns, the prediction knows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any, cast

import numpy as np

from harness.analysis.arrays import FloatArray, IntArray
from harness.analysis.loss.band import BandReadings, BandResult, Method
from harness.analysis.loss.evaluate import evaluate
from harness.analysis.planning.campaigns import CampaignPlan, World, simulate, stated_for
from harness.analysis.uncertainty.budget import Contribution, combine
from harness.analysis.uncertainty.conformity import DecisionRule, Verdict, severities
from harness.analysis.units import DB_PER_NEPER

CAMPAIGNS_FOR_CHANCES = 1000
MEDIAN_OF_NORMAL = 0.6745
"""Median of the magnitude of a standard normal variable."""


@dataclass(frozen=True)
class Weakest:
    """The contribution that it pays most to work on, at one frequency."""

    name: str
    share: float
    """Of the combined variance."""
    expanded_without_db: float
    """What U would be if the contribution were gone."""


def predict(world: World, plan: CampaignPlan, method: Method = "gum") -> BandResult:
    """The result of a typical campaign in a band: its U is the median of what is to come."""
    return evaluate(expected_readings(world, plan), world.stated, method=method)


def expected_readings(world: World, plan: CampaignPlan) -> BandReadings:
    """Readings of a typical campaign, without chance.

    Connections and noise lie in fixed patterns whose variances are the medians of those that
    samples of their size have; the loss is the true one.
    """
    loss_db, stated = world.loss_db, world.stated
    item_noise_db = _noise_db(world, loss_db)
    through_noise_db = _noise_db(world, stated.through_loss_db)
    item_db = _levels(plan.insertion, world.making_db, item_noise_db) - loss_db
    through_db = _through_levels(plan, world.through_making_db, through_noise_db)
    through_db = through_db - stated.through_loss_db
    normalization, insertions = (
        (10.0 ** (level_db[:, None, :] / 20.0)).astype(np.complex128)
        for level_db in (through_db, item_db)
    )
    traces: tuple[str, ...] = ("S21",) if world.reads_reflections else ("transmission",)
    if world.reads_reflections:
        traces = ("S21", "S11", "S22")
        fourth = 1.0 + 10.0 ** (-loss_db / 5.0)
        seen = [
            np.sqrt(world.reflection**2 + far**2 * fourth + stated.through_reflection**2)
            for far in (stated.load_reflection, stated.source_reflection)
        ]
        normalization = np.pad(normalization, ((0, 0), (0, 2), (0, 0)))
        ones = np.ones((len(insertions), 1, 1))
        insertions = np.concatenate([insertions, ones * np.stack(seen)], axis=1)
    return BandReadings(
        frequency_hz=world.frequency_hz,
        traces=traces,
        normalization=normalization,
        normalization_time=plan.through_time,
        normalization_making=plan.making,
        insertions=insertions,
        insertion_time=plan.item_time,
        insertion=plan.insertion,
    )


def weakest(budget: Sequence[Contribution], index: int) -> Weakest:
    """The contribution without which U would be least, at one frequency.

    That is not always the greatest one: a small one with few degrees of freedom can cost more
    by its coverage factor.
    """
    here = [
        cast(Contribution, _at(line, index, len(line.standard_uncertainty_db))) for line in budget
    ]
    total = combine(here)

    def without_db(line: Contribution) -> float:
        rest = [other for other in here if other is not line]
        return float(combine(rest).expanded_uncertainty_db[0]) if rest else 0.0

    first = min(here, key=without_db)
    share = first.standard_uncertainty_db[0] ** 2 / total.standard_uncertainty_db[0] ** 2
    return Weakest(first.name, float(share), without_db(first))


def worst_index(result: BandResult, loss_db: FloatArray, limit_db: FloatArray | None) -> int:
    """Where the limit is nearest counted in U; without one, where U is greatest."""
    u_db = result.expanded_uncertainty_db
    return int(np.argmax(u_db) if limit_db is None else np.argmin((limit_db - loss_db) / u_db))


def verdict_chances(
    world: World,
    plan: CampaignPlan,
    limit_db: FloatArray,
    rule: DecisionRule,
    rng: np.random.Generator,
    *,
    campaigns: int = CAMPAIGNS_FOR_CHANCES,
    widening: float = 1.0,
) -> dict[Verdict, float]:
    """How often each verdict comes out, of simulated campaigns with the loss of `world`.

    Over a band the worst frequency decides; give a world of that one frequency where time
    counts. `limit_db` is (P,). `widening` is what another method makes of the U of the GUM.
    """
    readings, _ = simulate(world, plan, campaigns, rng)
    result = evaluate(readings, stated_for(world.stated, campaigns))
    guard_db = rule.guard_band_db(
        result.standard_uncertainty_db,
        result.effective_dof,
        widening * result.expanded_uncertainty_db,
    )
    margin_db = np.tile(limit_db, campaigns) - result.insertion_loss_db
    worst = severities(margin_db, guard_db).reshape(campaigns, -1).max(axis=1)
    return {v: float(np.mean(worst == v.severity)) for v in Verdict}


def at_frequency(world: World, index: int) -> World:
    """The same world at one of its frequencies."""
    return cast(World, _at(world, index, len(world.frequency_hz)))


def _at(value: Any, index: int, points: int) -> Any:
    """`value` with every array over `points`, in dataclasses as well, cut down to one of them."""
    if isinstance(value, np.ndarray):
        return value[..., index : index + 1] if value.shape[-1] == points else value
    if is_dataclass(value) and not isinstance(value, type):
        changed = {f.name: _at(getattr(value, f.name), index, points) for f in fields(value)}
        return replace(value, **changed)
    return value


def _noise_db(world: World, loss_db: FloatArray) -> FloatArray:
    """Standard deviation of the level of one sweep, (P,): in proportion, and of the floor."""
    floor_db = DB_PER_NEPER * world.noise_floor * 10.0 ** (loss_db / 20.0)
    return np.asarray(np.hypot(world.noise_db, floor_db))


def _levels(group: IntArray, making_db: float, noise_db: FloatArray) -> FloatArray:
    """Changes of level of each sweep, (N, P), for groups that are each one connection."""
    labels, sizes = np.unique(group, return_counts=True)
    of_means_db = np.sqrt(making_db**2 + noise_db**2 * np.mean(1.0 / sizes))
    means = _scores(len(labels)) * _typical(len(labels) - 1)
    within = _typical(len(group) - len(labels))
    rows = [
        mean * of_means_db + score * within * noise_db
        for mean, size in zip(means, sizes, strict=True)
        for score in _scores(size)
    ]
    return np.stack(rows)


def _through_levels(plan: CampaignPlan, making_db: float, noise_db: FloatArray) -> FloatArray:
    """Changes of level of each sweep of the through, (K, P).

    Makings without a sweep of the item between them are one check: their scatter about its
    mean has the median variance, and the means of neighbouring checks lie apart by the median
    of that distance.
    """
    making_time = np.array([plan.through_time[plan.making == m].mean() for m in _labels(plan)])
    check = np.searchsorted(np.sort(plan.item_time), making_time)
    _, check, makings = np.unique(check, return_inverse=True, return_counts=True)
    sizes = np.array([np.sum(plan.making == m) for m in _labels(plan)])
    of_means_db = np.sqrt(making_db**2 + noise_db**2 * np.mean(1.0 / sizes))
    scatter = _typical(len(making_time) - len(makings))
    aside = MEDIAN_OF_NORMAL / np.sqrt(2.0 * makings) * (-1.0) ** np.arange(len(makings))
    if len(makings) == 1:
        aside = np.zeros(1)
    of_making = np.concatenate([aside[c] + scatter * _scores(m) for c, m in enumerate(makings)])
    within = _typical(len(plan.making) - len(sizes))
    rows = [
        mean * of_means_db + score * within * noise_db
        for mean, size in zip(of_making, sizes, strict=True)
        for score in _scores(size)
    ]
    return np.stack(rows)


def _labels(plan: CampaignPlan) -> IntArray:
    return np.unique(plan.making)


def _scores(count: int) -> FloatArray:
    """A pattern of mean 0 and sample variance 1, (count,); 0 for a single one.

    From three on it has no slope, so that it neither hides nor feigns a moving reference.
    """
    if count == 1:
        return np.zeros(1)
    places = np.arange(count, dtype=np.float64)
    places -= places.mean()
    pattern = places if count == 2 else places**2
    return np.asarray((pattern - pattern.mean()) / pattern.std(ddof=1))


def _typical(dof: int) -> float:
    """Median of a sample standard deviation, in units of the true one."""
    from scipy.special import chdtri

    return float(np.sqrt(chdtri(dof, 0.5) / dof)) if dof > 0 else 0.0

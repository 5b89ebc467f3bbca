"""What the bands of a lot show: distribution, control charts, capability, drift."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray, IntArray
from harness.analysis.lots.binomial import Share
from harness.analysis.lots.capability import Capability, Normality, anderson_darling, capability
from harness.analysis.lots.control_charts import (
    ChartPair,
    individuals_chart,
    means_and_ranges_chart,
)
from harness.analysis.lots.lot_band import LotSummary, find_outliers, summarize
from harness.analysis.lots.shared_zeros import share_zeros, shared_zeros_chart
from harness.evaluation.standing import WORST_FIRST, Standing
from harness.several_runs.lot import ACCEPTED, Lot, LotGroup, LotItem

FEWEST = 2
"""Items without which there is nothing to compare."""
FEWEST_FOR_NORMALITY = 8
_SAME_LIMIT_DB = 1e-9


@dataclass(frozen=True)
class GroupFindings:
    """One band of items that may be compared."""

    group: LotGroup
    summary: LotSummary
    limit_db: float | None
    """The one limit at every item's deciding point; None where they differ or there is none."""
    judged_db: FloatArray | None
    """(N,) what is judged: the loss, or its excess over the limit where the limits differ from
    item to item; None without a limit."""
    left_out: IntArray
    """Indices of the items that stand apart or have a diagnosed fault: charts, scatter and the
    second capability are without them."""
    faulty: int
    """How many of all items have a diagnosed fault."""
    rest_db: FloatArray
    """(N,) the losses without those left out, which are NaN."""
    chart: ChartPair | None
    """Of the items in the order of time, without those left out; of the means of those that share
    a zero, where some do."""
    insertions: ChartPair | None
    """Of the insertions within each item, where every item has several."""
    capability: Capability | None
    """Of all items."""
    rest: Capability | None
    """Without those left out; None where none is."""
    normality: Normality | None
    """Of the rest."""
    standard_uncertainty_db: float
    """Median over the items."""


def find_in_lot(lot: Lot) -> list[GroupFindings]:
    """Of every group with at least two items, in the order of the groups."""
    return [find_in_group(group) for group in lot.groups if len(group.items) >= FEWEST]


def find_in_group(group: LotGroup) -> GroupFindings:
    """All that statistics say of one group; what they cannot say is None."""
    figures = group.figures
    loss_db, limit_db = figures.loss_db, figures.limit_db
    one_limit: float | None = None
    judged_db: FloatArray | None = None
    judged_limit_db = 0.0
    if np.all(np.isfinite(limit_db)):
        judged_db = loss_db - limit_db
        if np.ptp(limit_db) < _SAME_LIMIT_DB:
            one_limit = judged_limit_db = float(limit_db[0])
            judged_db = loss_db
    accused = group.accused
    # where most items have one the lot is what it is: nothing to set them against
    faulty = accused & (2 * np.count_nonzero(accused) < len(accused))
    is_apart = faulty.copy()
    is_apart[find_outliers(loss_db).index] = True
    left_out = np.flatnonzero(is_apart)
    summary = summarize(figures, left_out)
    rest_db = np.where(is_apart, np.nan, loss_db)
    chart = _chart(rest_db, figures.zero, figures.time)
    insertions = group.insertions
    several = insertions.shape[1] >= 2 and bool(np.all(np.isfinite(insertions[:, 1])))
    within = chart.sigma if chart is not None and one_limit is not None else None
    whole = rest = None
    if judged_db is not None:
        whole = _capability(judged_db, judged_limit_db, within)
        if np.any(is_apart):
            rest = _capability(np.where(is_apart, np.nan, judged_db), judged_limit_db, within)
    known = rest_db[np.isfinite(rest_db)]
    normal = len(known) >= FEWEST_FOR_NORMALITY and float(np.ptp(known)) > 0.0
    return GroupFindings(
        group=group,
        summary=summary,
        limit_db=one_limit,
        judged_db=judged_db,
        left_out=left_out,
        faulty=int(np.count_nonzero(accused)),
        rest_db=rest_db,
        chart=chart,
        insertions=means_and_ranges_chart(insertions) if several else None,
        capability=whole,
        rest=rest,
        normality=anderson_darling(known) if normal else None,
        standard_uncertainty_db=float(np.median(group.column("standard_uncertainty_db"))),
    )


def _chart(values_db: FloatArray, zero: FloatArray, time: FloatArray) -> ChartPair | None:
    """None where no two neighbours are known, or too few zeros where items share them."""
    if share_zeros(zero):
        return shared_zeros_chart(values_db, zero, time)
    known = np.isfinite(values_db)
    return individuals_chart(values_db) if np.any(known[1:] & known[:-1]) else None


def _capability(
    values_db: FloatArray, limit_db: float, within_sd_db: float | None
) -> Capability | None:
    """None where fewer than two values are known, or all are alike."""
    known = values_db[np.isfinite(values_db)]
    if len(known) < FEWEST or float(np.ptp(known)) < _SAME_LIMIT_DB:
        return None
    return capability(known, limit_db, within_sd_db=within_sd_db)


@dataclass(frozen=True)
class Apart:
    """An item that stands apart from the others, or that the shape of its loss accuses."""

    item: LotItem
    scores: tuple[tuple[str, float], ...]
    """Bands in which its loss does not belong to the rest, each with the distance in standard
    deviations of that; none where only the shape accuses it."""

    @property
    def furthest(self) -> float:
        """Greatest distance."""
        return max((abs(score) for _, score in self.scores), default=0.0)


def stand_apart(lot: Lot, found: Sequence[GroupFindings]) -> list[Apart]:
    """Every such item once, furthest first."""
    scores: dict[int, list[tuple[str, float]]] = {}
    for one in found:
        outliers = one.summary.outliers
        for index, score in zip(outliers.index.tolist(), outliers.score.tolist(), strict=True):
            item = one.group.items[index]
            scores.setdefault(id(item), []).append((one.group.band, score))
    apart = [
        Apart(item, tuple(scores.get(id(item), ())))
        for item in lot.items
        if id(item) in scores
        or (
            item.finding is not None
            and item.finding.is_accused
            and item.standing is not Standing.AGAIN
        )
    ]
    return sorted(apart, key=lambda one: (-one.furthest, one.item.name))


def yield_of(lot: Lot) -> Share | None:
    """Items accepted, conditionally or not, of those with a limit; None where none has one. What is
    to be measured again is neither."""
    judged = sum(lot.counts[standing] for standing in WORST_FIRST)
    accepted = sum(lot.counts[standing] for standing in ACCEPTED)
    return Share(accepted, judged) if judged else None

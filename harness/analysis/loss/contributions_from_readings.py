"""The lines of the budget that the readings show: connections, and noise of single sweeps.

What cannot be assessed is named in the notes instead of being left out silently.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import FIRST_RULES, Statements
from harness.analysis.loss.first_rules import NO_NOISE_LEFT, common_noise_lines
from harness.analysis.loss.loss import InsertionLosses
from harness.analysis.loss.pooling import PooledRepeatability, is_larger, is_larger_variance
from harness.analysis.loss.reduction import LossStatistics
from harness.analysis.loss.repeatability import Repeatability
from harness.analysis.uncertainty.budget import Contribution

FEWEST_FOR_SCATTER = 3
"""With fewer insertions their scatter has at most one degree of freedom and says too little
by itself; what the station knows of its connections serves instead."""
FEWEST_DOF = 2
"""Of the scatter of the makings, and of a history; t with one degree of freedom says nothing."""
MOST_NAMED = 5
"""Runs named in a note; the run file names them all."""
INSERTIONS_ESTIMATE = "repeatability of a connection"
MAKINGS_ESTIMATE = "scatter of the makings of the through"
NOISE_OF_ITEM = "noise of a sweep of the item"
NOISE_OF_THROUGH = "noise of a sweep of the through"
STATED_ESTIMATE = "stated repeatability of a connection"


@dataclass(frozen=True)
class OneMaking:
    """Variance of one making of a connection, and what it rests on."""

    variance_db2: FloatArray
    """(P,)"""
    dof: float
    """The least over the frequencies."""
    dof_by_frequency: FloatArray | None
    type: Literal["A", "B"]
    estimate: str
    source: str
    noise_share: float
    """How much of the variance of a single sweep's noise it holds."""

    def line(self, name: str, share: float, acts_on: Literal["item", "reference"]) -> Contribution:
        """The contribution of makings whose shares have the root sum of squares `share`."""
        return Contribution(
            name,
            self.type,
            "normal",
            np.sqrt(self.variance_db2) * share,
            self.dof,
            self.source,
            self.estimate,
            acts_on,
            dof_by_frequency=self.dof_by_frequency,
        )


def making_of_item(found: LossStatistics, statements: Statements, notes: list[str]) -> OneMaking:
    """What is known of one insertion: from the insertions, pooled with the station's history.

    Without a history, or with one of a single degree of freedom, three insertions or more speak
    for themselves and fewer rest on the station's statement.
    """
    scatter, history = found.insertions, statements.history
    if history is not None and history.dof + scatter.dof >= FEWEST_DOF:
        return _with_history(scatter, history, notes)
    if scatter.groups >= FEWEST_FOR_SCATTER:
        return OneMaking(
            variance_db2=np.square(scatter.of_means_db),
            dof=float(scatter.dof),
            dof_by_frequency=None,
            type="A",
            estimate=INSERTIONS_ESTIMATE,
            source=f"{scatter.groups} insertions, nested analysis of variance (GUM H.5)",
            noise_share=scatter.mean_share,
        )
    stated_db = np.full(found.losses.mean_db.shape, statements.connection_repeatability_db)
    notes.append(_few_insertions_note(scatter, stated_db))
    return OneMaking(
        variance_db2=np.square(np.fmax(stated_db, scatter.of_means_db)),
        dof=np.inf,
        dof_by_frequency=None,
        type="B",
        estimate=STATED_ESTIMATE,
        source="station: leads.connection_repeatability",
        noise_share=0.0,
    )


def _few_insertions_note(scatter: Repeatability, stated_db: FloatArray) -> str:
    count = "One insertion" if scatter.groups == 1 else f"{scatter.groups} insertions"
    note = (
        f"{count} only: too few to find the repeatability of a connection, which is therefore "
        "the station's statement."
    )
    if np.any(scatter.of_means_db > stated_db):
        note += " They differ by more than that in places; there their own scatter is used."
    return note


def _with_history(
    scatter: Repeatability, history: PooledRepeatability, notes: list[str]
) -> OneMaking:
    """The history, pooled with the insertions where they agree with it.

    Where the insertions scatter more than the history explains they stand for themselves; two
    insertions alone, with one degree of freedom, would then say next to nothing, so they keep
    their larger variance and the degrees of freedom of the whole.
    """
    runs = "one earlier run" if len(history.runs) == 1 else f"{len(history.runs)} earlier runs"
    notes.append(_history_note(history, scatter.groups))
    source = f"pooled over {runs} of the station (GUM 4.2.4)"
    if scatter.dof == 0:
        return OneMaking(
            history.variance_db2, history.dof, None, "A", INSERTIONS_ESTIMATE, source,
            1.0 / history.sweeps,
        )  # fmt: skip
    own_db2 = np.square(scatter.of_means_db)
    larger = is_larger(own_db2, scatter.dof, history)
    dof = scatter.dof + history.dof
    pooled_db2 = (scatter.dof * own_db2 + history.dof * history.variance_db2) / dof
    by_frequency = None
    if np.any(larger):
        where = "everywhere" if np.all(larger) else "in places"
        notes.append(
            f"The insertions scatter more than {runs} explain, {where}; there their own scatter "
            "is used (F test at 10 %)."
        )
        if scatter.groups >= FEWEST_FOR_SCATTER:
            by_frequency = np.where(larger, float(scatter.dof), dof)
    return OneMaking(
        variance_db2=np.where(larger, own_db2, pooled_db2),
        dof=dof if by_frequency is None else float(by_frequency.min()),
        dof_by_frequency=by_frequency,
        type="A",
        estimate=INSERTIONS_ESTIMATE,
        source=f"{scatter.groups} insertions, {source}",
        noise_share=min(scatter.mean_share, 1.0 / history.sweeps),
    )


def _history_note(history: PooledRepeatability, insertions: int) -> str:
    """Which runs were pooled, and which were not."""
    named = ", ".join(history.runs[:MOST_NAMED])
    if len(history.runs) > MOST_NAMED:
        named += f" and {len(history.runs) - MOST_NAMED} more"
    note = f"The repeatability of a connection is pooled with that of earlier runs: {named}."
    if insertions == 1:
        note = f"One insertion only: how well it repeats is known from earlier runs: {named}."
    if history.left_out:
        left_out = ", ".join(history.left_out)
        note += f" Left out, for their scatter differs (Bartlett's test at 5 %): {left_out}."
    return note


def making_of_through(found: LossStatistics, item: OneMaking, statements: Statements) -> OneMaking:
    """What is known of one making of the through.

    First choice is its own: the scatter of the makings within the checks of the zero, where the
    through was joined anew often enough. Else the through counts as made like the item, but for
    the item's own noise, and with its own number of mated pairs.
    """
    losses = found.losses
    dof = len(losses.check) - len(losses.check_time)
    if dof >= FEWEST_DOF:
        residual_db = losses.reference_db - losses.check_db[losses.check]
        return OneMaking(
            variance_db2=np.sum(np.square(residual_db), axis=0) / dof,
            dof=float(dof),
            dof_by_frequency=None,
            type="A",
            estimate=MAKINGS_ESTIMATE,
            source=f"{len(losses.check)} makings of the through, scatter within checks (GUM 4.2)",
            noise_share=found.makings.mean_share,
        )
    source = item.source if item.type == "B" else f"taken as that of the item: {item.source}"
    made = replace(item, source=source)
    if statements.rules == FIRST_RULES:
        return made
    if item.estimate == INSERTIONS_ESTIMATE and statements.history is None:
        made = replace(made, variance_db2=_without_noise_of_item(found, item))
    if statements.through_pairs == 2:
        return made
    # two mated pairs scatter twice as much, in variance, as one
    return replace(
        made,
        variance_db2=made.variance_db2 / 2.0,
        noise_share=made.noise_share / 2.0,
        source=f"{source}; one mated pair instead of two",
    )


def _without_noise_of_item(found: LossStatistics, item: OneMaking) -> FloatArray:
    """Variance of one insertion with the noise of the through's sweeps instead of the item's, (P,).

    Where an item loses much its sweeps are noisier than those of the through (F test at 10 %);
    never less than if all of its scatter were noise.
    """
    own, makings = found.insertions, found.makings
    if not (own.within_dof and makings.within_dof):
        return item.variance_db2
    own_db2, through_db2 = np.square(own.within_db), np.square(makings.within_db)
    noisier = is_larger_variance(own_db2, own.within_dof, through_db2, makings.within_dof)
    share = np.where(noisier, through_db2 / np.where(noisier, own_db2, 1.0), 1.0)
    beyond_db2 = (1.0 - share) * own_db2 * item.noise_share
    return np.asarray(np.fmax(item.variance_db2 - beyond_db2, share * item.variance_db2))


def reference_share(losses: InsertionLosses) -> float:
    """Root sum of squares of the shares of the makings of the through.

    A badly made through shifts every insertion alike, so it does not average out with them.
    """
    return float(np.sqrt(np.sum(np.square(losses.reference_weights))))


def connection_lines(
    found: LossStatistics, item: OneMaking, through: OneMaking
) -> list[Contribution]:
    """Repeatability of the insertions, and of the makings of the through."""
    own_share = 1.0 / np.sqrt(found.insertions.groups)
    return [
        item.line("insertion repeatability", own_share, "item"),
        through.line("connection of the reference", reference_share(found.losses), "reference"),
    ]


def noise_lines(
    found: LossStatistics,
    item: OneMaking,
    through: OneMaking,
    statements: Statements,
    notes: list[str],
) -> list[Contribution]:
    """Scatter of single sweeps, as far as the lines of the connections do not hold it.

    Item and through have each their own; where one of them was swept only once a connection, that
    of the other serves.
    """
    insertions, makings = found.insertions, found.makings
    if not (insertions.within_dof or makings.within_dof):
        notes.append("Single sweeps only: their noise could not be found and is NOT in U.")
        return []
    if statements.rules == FIRST_RULES:
        return common_noise_lines(found, item.noise_share, through.noise_share)
    squares = np.square(found.losses.reference_weights)
    of_item = (insertions.mean_share - item.noise_share) / insertions.groups
    of_through = float(np.sum(squares / makings.sizes) - np.sum(squares) * through.noise_share)
    source = "scatter of single sweeps within one connection (GUM 4.2)"
    lines = []
    # what one connection holds too much must not be taken off the noise of the other
    if of_item > NO_NOISE_LEFT:
        best, estimate = insertions, NOISE_OF_ITEM
        if not insertions.within_dof:
            best, estimate = makings, NOISE_OF_THROUGH
            notes.append(
                "Single sweeps of the item: their noise is taken as that of the through, and is "
                "larger where the item loses much."
            )
        u_db, dof = best.within_db * np.sqrt(of_item), float(best.within_dof)
        lines.append(Contribution("noise", "A", "normal", u_db, dof, source, estimate, "item"))
    if of_through > NO_NOISE_LEFT:
        best, estimate = makings, NOISE_OF_THROUGH
        if not makings.within_dof:
            best, estimate = insertions, NOISE_OF_ITEM
        u_db, dof = best.within_db * np.sqrt(of_through), float(best.within_dof)
        lines.append(
            Contribution(
                "noise of the reference", "A", "normal", u_db, dof, source, estimate, "reference"
            )
        )
    return lines

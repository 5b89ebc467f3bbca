"""From the readings of a band to its loss, its budget and its verdict.

The loss is the mean of the insertions against the reference (plus the loss of the adapter
that closed the through).
"""

from __future__ import annotations

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.band import BandReadings, BandResult, Statements
from harness.analysis.budget import CombinedUncertainty, combine
from harness.analysis.conformity import Decision, decide
from harness.analysis.contributions import (
    Findings,
    connection_lines,
    drift_lines,
    linearity_lines,
    mismatch_line,
    noise_lines,
    switch_lines,
    through_lines,
)
from harness.analysis.expected import ExpectedLoss
from harness.analysis.loss import insertion_losses, level_db
from harness.analysis.repeatability import nested_anova

BELOW_NOTHING = 2.0
"""Expanded uncertainties below 0 dB at which a loss is no longer a small one badly measured."""


def evaluate(
    readings: BandReadings,
    statements: Statements,
    expected: ExpectedLoss | None = None,
    limit_db: FloatArray | None = None,
) -> BandResult:
    """Everything that can be stated about one band.

    Raises:
        ValueError: there is no sweep of the through, or none of the item, or time ran
            backwards between two checks of the zero.
    """
    row = readings.transmission
    through_db = level_db(readings.normalization[:, row])
    losses = insertion_losses(
        through_db,
        readings.normalization_time,
        readings.normalization_making,
        level_db(readings.insertions[:, row]),
        readings.insertion_time,
        readings.insertion,
    )
    found = Findings(
        losses,
        nested_anova(losses.sweep_loss_db, losses.insertion),
        nested_anova(through_db, readings.normalization_making),
    )
    loss_db = losses.mean_db + statements.through_loss_db
    notes: list[str] = []
    budget = [
        *connection_lines(found, statements, notes),
        *noise_lines(found, notes),
        *drift_lines(found, statements, notes),
        mismatch_line(readings, loss_db, statements),
        *through_lines(statements),
        *linearity_lines(readings, statements, notes),
        *switch_lines(readings, statements, notes),
    ]
    combined = combine(budget)
    if expected is not None:
        notes += expected.notes
    return BandResult(
        frequency_hz=readings.frequency_hz,
        insertion_loss_db=loss_db,
        standard_uncertainty_db=combined.standard_uncertainty_db,
        effective_dof=combined.effective_dof,
        coverage_factor=combined.coverage_factor,
        expanded_uncertainty_db=combined.expanded_uncertainty_db,
        budget=tuple(budget),
        insertion_means_db=losses.means_db + statements.through_loss_db,
        insertion_time=losses.time,
        zero_change_db=losses.reference_db[0] - losses.reference_db,
        zero_time=losses.reference_time,
        expected_db=None if expected is None else expected.loss_db,
        expected_expanded_uncertainty_db=(
            None if expected is None else expected.expanded_uncertainty_db
        ),
        limit_db=limit_db,
        decision=None if limit_db is None else _decision(loss_db, combined, limit_db, notes),
        notes=tuple(notes),
    )


def _decision(
    loss_db: FloatArray, combined: CombinedUncertainty, limit_db: FloatArray, notes: list[str]
) -> Decision | None:
    """The verdict, unless the loss is one that no passive item can have."""
    if np.any(loss_db + BELOW_NOTHING * combined.expanded_uncertainty_db < 0.0):
        notes.append(
            "The loss is far below zero, counted in its uncertainty, which no passive item can "
            "be: the normalization is wrong. There is no verdict."
        )
        return None
    return decide(
        loss_db,
        combined.standard_uncertainty_db,
        combined.effective_dof,
        combined.expanded_uncertainty_db,
        limit_db,
    )

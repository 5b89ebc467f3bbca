"""From the readings of a band to its loss, its budget and its verdict.

The loss is the mean of the insertions against the reference (plus the loss of the adapter
that closed the through).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.expected.expected_loss import ExpectedLoss
from harness.analysis.loss.advice import advise
from harness.analysis.loss.band import FIRST_RULES, BandReadings, BandResult, Method, Statements
from harness.analysis.loss.contributions_from_readings import (
    connection_lines,
    making_of_item,
    making_of_through,
    noise_lines,
)
from harness.analysis.loss.contributions_from_reflections import mismatch_lines
from harness.analysis.loss.contributions_from_statements import statement_lines
from harness.analysis.loss.drift import drift_lines, zero_marks
from harness.analysis.loss.plausibility import IMPOSSIBLE, is_impossible
from harness.analysis.loss.reduction import LossStatistics, ReducedBand, reduced
from harness.analysis.stability.loss_series import LossSeries
from harness.analysis.uncertainty.budget import (
    CombinedUncertainty,
    Contribution,
    combine,
    welch_satterthwaite,
)
from harness.analysis.uncertainty.conformity import DecisionRule, decide
from harness.analysis.uncertainty.monte_carlo import numerical_tolerance, propagate

DIGITS_COMPARED = 1
"""Significant digits of u to which the two methods are compared (JCGM 101:2008, 8.1). Monte
Carlo itself holds still to two, which is the margin that 8.2 asks for."""


@dataclass(frozen=True)
class Assessed:
    """The budget of a band, and what belongs to it."""

    found: LossStatistics
    budget: tuple[Contribution, ...]
    zero_marks: tuple[str, ...]
    notes: tuple[str, ...]
    series: LossSeries | None


@dataclass(frozen=True)
class _Interval:
    """What a method makes of a budget; arrays (P,), ends relative to the loss."""

    half_width_db: FloatArray
    low_db: FloatArray
    high_db: FloatArray
    trials: int = 0
    gum_validated: bool | None = None
    gum_difference_db: FloatArray | None = None
    notes: tuple[str, ...] = ()


def assess_budget(readings: BandReadings | ReducedBand, statements: Statements) -> Assessed:
    """Every contribution to the uncertainty of a band.

    Raises:
        ValueError: as for `evaluate`.
    """
    band = readings if isinstance(readings, ReducedBand) else reduced(readings)
    found = band.found
    notes: list[str] = []
    item = making_of_item(found, statements, notes)
    through = making_of_through(found, item, statements)
    of_readings = [
        *connection_lines(found, item, through),
        *noise_lines(found, item, through, statements, notes),
        *drift_lines(found, statements, notes),
    ]
    of_statements = statement_lines(band, found.losses, statements, notes)
    loss_db = found.losses.mean_db + statements.through_loss_db
    rest = [*of_readings, *of_statements]
    of_reflections = mismatch_lines(band, loss_db, statements, rest, notes)
    budget = (*of_readings, *of_reflections, *of_statements)
    marks = zero_marks(found, through, statements, band.frequency_hz)
    return Assessed(found, budget, marks, tuple(notes), band.series)


def evaluate(
    readings: BandReadings | ReducedBand,
    statements: Statements,
    expected: ExpectedLoss | None = None,
    limit_db: FloatArray | None = None,
    *,
    rule: DecisionRule | None = None,
    method: Method = "gum",
    digits: int = 2,
) -> BandResult:
    """Everything that can be stated about one band.

    Without a limit every frequency is evaluated for itself. `rule` is the guard band w = U
    unless another is given; `digits` are those to which Monte Carlo holds still.

    Raises:
        ValueError: there is no sweep of the through, or none of the item, or time ran
            backwards between two checks of the zero.
    """
    assessed = assess_budget(readings, statements)
    losses = assessed.found.losses
    loss_db = losses.mean_db + statements.through_loss_db
    combined = combine(assessed.budget)
    interval = _interval(assessed.budget, combined, method, digits)
    half_width_db = interval.half_width_db
    impossible = is_impossible(loss_db, interval.high_db)
    notes = [*assessed.notes, *interval.notes]
    if not impossible:
        notes += _notes_near_zero(loss_db, half_width_db)
    if expected is not None:
        notes += expected.notes
    decision, judged_by = None, rule or DecisionRule()
    if limit_db is not None and not impossible:
        decision = decide(
            loss_db,
            combined.standard_uncertainty_db,
            combined.effective_dof,
            half_width_db,
            limit_db,
            judged_by,
        )
    if decision is not None and limit_db is not None:
        made = assessed.found.insertions.groups
        advice = advise(decision, assessed.budget, made, loss_db, limit_db, judged_by)
        decision = replace(decision, advice=advice)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = half_width_db / combined.standard_uncertainty_db
    return BandResult(
        frequency_hz=readings.frequency_hz,
        insertion_loss_db=loss_db,
        standard_uncertainty_db=combined.standard_uncertainty_db,
        effective_dof=combined.effective_dof,
        coverage_factor=combined.coverage_factor if method == "gum" else factor,
        expanded_uncertainty_db=half_width_db,
        interval_low_db=loss_db + interval.low_db,
        interval_high_db=loss_db + interval.high_db,
        budget=assessed.budget,
        insertion_means_db=losses.means_db + statements.through_loss_db,
        insertion_time=losses.time,
        zero_change_db=losses.reference_db[0] - losses.reference_db,
        zero_time=losses.reference_time,
        expected_db=None if expected is None else expected.loss_db,
        expected_expanded_uncertainty_db=(
            None if expected is None else expected.expanded_uncertainty_db
        ),
        limit_db=limit_db,
        decision=decision,
        method=method,
        trials=interval.trials,
        gum_validated=interval.gum_validated,
        gum_difference_db=interval.gum_difference_db,
        zero_marks=assessed.zero_marks,
        series=_with_through(assessed.series, statements.through_loss_db),
        notes=tuple(notes),
        published_dof=_published_dof(assessed.budget, statements),
        doubts=(IMPOSSIBLE,) if impossible else (),
    )


def _published_dof(budget: tuple[Contribution, ...], statements: Statements) -> FloatArray | None:
    if statements.rules == FIRST_RULES:
        return None
    return combine(budget, effective_dof=welch_satterthwaite).effective_dof


def _with_through(series: LossSeries | None, through_loss_db: FloatArray) -> LossSeries | None:
    """The series with the loss of the adapter that closed the through, as in the stated loss."""
    if series is None:
        return None
    offset_db = float(np.mean(through_loss_db))
    return replace(
        series,
        loss_db=series.loss_db + offset_db,
        uncorrected_db=series.uncorrected_db + offset_db,
    )


def _interval(
    budget: tuple[Contribution, ...], combined: CombinedUncertainty, method: Method, digits: int
) -> _Interval:
    gum_db = combined.expanded_uncertainty_db
    if method == "gum":
        return _Interval(gum_db, -gum_db, gum_db)
    found = propagate(budget, digits=digits)
    difference_db = np.maximum(np.abs(found.low_db + gum_db), np.abs(found.high_db - gum_db))
    tolerance_db = numerical_tolerance(combined.standard_uncertainty_db, DIGITS_COMPARED)
    validated = bool(np.all(difference_db <= tolerance_db))
    notes = []
    if not validated:
        notes.append(
            "The GUM's interval is not validated (JCGM 101, 8.1): it differs from the one of "
            f"Monte Carlo by up to {difference_db.max():.2g} dB. What is stated is Monte Carlo's."
        )
    if not found.is_stable:
        notes.append(
            f"Monte Carlo did not hold still to {digits} digits within {found.trials} trials; the "
            "last digit of U may be off."
        )
    return _Interval(
        half_width_db=found.half_width_db,
        low_db=found.low_db,
        high_db=found.high_db,
        trials=found.trials,
        gum_validated=validated,
        gum_difference_db=difference_db,
        notes=tuple(notes),
    )


def _notes_near_zero(loss_db: FloatArray, half_width_db: FloatArray) -> list[str]:
    """What becomes of a loss near 0 dB, where one is that could be."""
    if np.any(loss_db < 0.0):
        return [
            "In places the loss comes out below 0 dB, within its uncertainty. It is stated as "
            "found: cut off at 0 dB, small losses would come out too large on the average."
        ]
    if np.any(loss_db < half_width_db):
        return [
            "In places the interval reaches below 0 dB; a passive item's loss does not. The "
            "interval is stated as the readings give it."
        ]
    return []

"""From the readings of a band to its loss and budget.

The loss is the mean of the insertions against the reference (plus the loss of the adapter
that closed the through). The budget lists what stands between that and the truth; a
contribution that cannot be assessed is named in the notes instead of being left out silently.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.band import BandReadings, BandResult, Statements
from harness.analysis.budget import Contribution, combine
from harness.analysis.conformity import decide
from harness.analysis.expected import ExpectedLoss
from harness.analysis.loss import InsertionLosses, insertion_losses, level_db
from harness.analysis.mismatch import mismatch_uncertainty_db, reflection_from_change
from harness.analysis.repeatability import Repeatability, nested_anova

FEWEST_FOR_SCATTER = 3
"""With fewer insertions their scatter has at most one degree of freedom; the effective degrees
of freedom of a sum are then far too optimistic, and the interval holds the truth too rarely."""
INSERTIONS_ESTIMATE = "scatter of the insertions"
STATED_ESTIMATE = "stated repeatability of a connection"


def evaluate(
    readings: BandReadings,
    statements: Statements,
    expected: ExpectedLoss | None = None,
    limit_db: FloatArray | None = None,
) -> BandResult:
    """Everything that can be stated about one band.

    Raises:
        ValueError: there is no sweep of the through, or none of the item.
    """
    row = readings.transmission
    losses = insertion_losses(
        level_db(readings.normalization[:, row]),
        readings.normalization_time,
        readings.normalization_making,
        level_db(readings.insertions[:, row]),
        readings.insertion_time,
        readings.insertion,
    )
    loss_db = losses.mean_db + statements.through_loss_db
    repeatability = nested_anova(losses.sweep_loss_db, losses.insertion)
    notes: list[str] = []
    budget = [
        *_connection_lines(losses, repeatability, statements, notes),
        *_drift_lines(losses, statements, notes),
        _mismatch_line(readings, loss_db, statements),
        *_through_lines(statements),
    ]
    combined = combine(budget)
    decision = None
    if limit_db is not None:
        decision = decide(
            loss_db,
            combined.standard_uncertainty_db,
            combined.effective_dof,
            combined.expanded_uncertainty_db,
            limit_db,
        )
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
        decision=decision,
        notes=tuple(notes),
    )


def _connection_lines(
    losses: InsertionLosses,
    repeatability: Repeatability,
    statements: Statements,
    notes: list[str],
) -> list[Contribution]:
    """Repeatability of the insertions, and of the makings of the through.

    A badly made through shifts every insertion alike, so it does not average out with
    them: its variance counts with the sum of the squared shares of the makings. Both lines
    rest on the same estimated variance of one making.
    """
    share = float(np.sqrt(np.sum(losses.reference_weights**2)))
    letter: Literal["A", "B"]
    if repeatability.groups >= FEWEST_FOR_SCATTER:
        letter, dof, estimate = "A", float(repeatability.dof), INSERTIONS_ESTIMATE
        one_making_db = repeatability.of_means_db
        source = f"{repeatability.groups} insertions, nested analysis of variance (GUM H.5)"
        reference_source = "scatter of the insertions, applied to the makings of the through"
    else:
        letter, dof, estimate = "B", np.inf, STATED_ESTIMATE
        stated_db = np.full_like(losses.mean_db, statements.connection_repeatability_db)
        one_making_db = np.fmax(stated_db, repeatability.of_means_db)
        source = reference_source = "station: leads.connection_repeatability"
        notes.append(_few_insertions_note(repeatability, stated_db))
    own_db = one_making_db / np.sqrt(repeatability.groups)
    return [
        Contribution(name, letter, "normal", u_db, dof, basis, estimate)
        for name, u_db, basis in (
            ("insertion repeatability", own_db, source),
            ("connection of the reference", one_making_db * share, reference_source),
        )
    ]


def _few_insertions_note(repeatability: Repeatability, stated_db: FloatArray) -> str:
    count = "One insertion" if repeatability.groups == 1 else f"{repeatability.groups} insertions"
    note = (
        f"{count} only: too few to find the repeatability of a connection, which is therefore "
        "the station's statement."
    )
    if np.any(repeatability.of_means_db > stated_db):
        note += " They differ by more than that in places; there their own scatter is used."
    return note


def _drift_lines(
    losses: InsertionLosses, statements: Statements, notes: list[str]
) -> list[Contribution]:
    """What the zero did between its checks, beyond the line drawn between them.

    Rectangular over the largest change between neighbouring checks, root mean square over
    the band: the zero may have been anywhere between the two (JCGM 100:2008, 4.3.7).
    """
    shape = losses.mean_db.shape
    if len(losses.reference_db) > 1:
        change_db = np.sqrt(np.mean(np.diff(losses.reference_db, axis=0) ** 2, axis=1)).max()
        return [
            Contribution(
                "drift of the zero",
                "B",
                "rectangular",
                np.full(shape, change_db / np.sqrt(12.0)),
                np.inf,
                "largest change between neighbouring checks of the zero (GUM 4.3.7)",
            )
        ]
    if statements.drift_db_per_hour is None:
        notes.append(
            "The zero was not checked after the insertions and the station states no drift: "
            "drift of the zero is NOT in the uncertainty."
        )
        return []
    hours = float(np.max(losses.time) - losses.reference_time[0]) / 3600.0
    notes.append("The zero was not checked after the insertions: drift is the station's statement.")
    return [
        Contribution(
            "drift of the zero",
            "B",
            "rectangular",
            np.full(shape, statements.drift_db_per_hour * hours / np.sqrt(3.0)),
            np.inf,
            "station: analyzer.drift_per_hour",
        )
    ]


def _mismatch_line(
    readings: BandReadings, loss_db: FloatArray, statements: Statements
) -> Contribution:
    item_s21 = np.minimum(10.0 ** (-loss_db / 20.0), 1.0)
    s11, s22, source = _item_reflections(readings, item_s21, statements)
    u_db = mismatch_uncertainty_db(
        statements.source_reflection,
        statements.load_reflection,
        statements.through_reflection,
        statements.through_reflection,
        10.0 ** (-statements.through_loss_db / 20.0),
        s11,
        s22,
        item_s21,
    )
    return Contribution(
        "mismatch", "B", "U-shaped", u_db, np.inf, f"Harris and Warner 1981; {source}"
    )


def _item_reflections(
    readings: BandReadings, item_s21: FloatArray, statements: Statements
) -> tuple[FloatArray, FloatArray, str]:
    """The item's |S11| and |S22|: as stated, else estimated, else anything up to 1."""
    if statements.item_reflection is not None:
        stated = np.full_like(item_s21, statements.item_reflection)
        return stated, stated, "item: return_loss"
    rows = readings.trace("S11"), readings.trace("S22")
    if rows[0] is None or rows[1] is None:
        unknown = np.ones_like(item_s21)
        return unknown, unknown, "item's reflection neither stated nor measured: taken as total"
    opening = readings.normalization_making == readings.normalization_making.min()
    through = readings.normalization[opening].mean(axis=0)
    item = readings.insertions.mean(axis=0)
    transmission = np.abs(through[readings.transmission])
    first, second = (
        reflection_from_change(item[row], through[row], transmission, far, item_s21)
        for row, far in zip(
            rows, (statements.load_reflection, statements.source_reflection), strict=True
        )
    )
    return first, second, "item's reflection estimated from the change of S11 and S22"


def _through_lines(statements: Statements) -> list[Contribution]:
    if not np.any(statements.through_loss_limits_db):
        return []
    return [
        Contribution(
            "through adapter",
            "B",
            "rectangular",
            statements.through_loss_limits_db / np.sqrt(3.0),
            np.inf,
            "station: through.loss_limits_at_1_ghz",
        )
    ]

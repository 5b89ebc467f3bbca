"""The lines of the budget: each from the readings, or from what station and item state.

A contribution that cannot be assessed is named in the notes instead of being left out
silently.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.band import BandReadings, Statements
from harness.analysis.budget import Contribution
from harness.analysis.loss import InsertionLosses
from harness.analysis.mismatch import mismatch_uncertainty_db, reflection_from_change
from harness.analysis.repeatability import Repeatability

FEWEST_FOR_SCATTER = 3
"""With fewer insertions their scatter has at most one degree of freedom; the effective degrees
of freedom of a sum are then far too optimistic, and the interval holds the truth too rarely."""
INSERTIONS_ESTIMATE = "scatter of the insertions"
STATED_ESTIMATE = "stated repeatability of a connection"
ROOT_3 = np.sqrt(3.0)


@dataclass(frozen=True)
class Findings:
    """What the readings of a band show, before anything is concluded."""

    losses: InsertionLosses
    insertions: Repeatability
    """Of the sweeps of the item, by insertion."""
    makings: Repeatability
    """Of the sweeps of the through, by making."""


def connection_lines(
    found: Findings, statements: Statements, notes: list[str]
) -> list[Contribution]:
    """Repeatability of the insertions, and of the makings of the through.

    A badly made through shifts every insertion alike, so it does not average out with
    them: its variance counts with the sum of the squared shares of the makings. Both lines
    rest on the same variance of one making.
    """
    repeatability, shape = found.insertions, found.losses.mean_db.shape
    share = float(np.sqrt(np.sum(found.losses.reference_weights**2)))
    letter: Literal["A", "B"]
    if repeatability.groups >= FEWEST_FOR_SCATTER:
        letter, dof, estimate = "A", float(repeatability.dof), INSERTIONS_ESTIMATE
        one_making_db = repeatability.of_means_db
        source = f"{repeatability.groups} insertions, nested analysis of variance (GUM H.5)"
        reference_source = "scatter of the insertions, applied to the makings of the through"
    else:
        letter, dof, estimate = "B", np.inf, STATED_ESTIMATE
        stated_db = np.full(shape, statements.connection_repeatability_db)
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


def noise_lines(found: Findings, notes: list[str]) -> list[Contribution]:
    """Scatter of single sweeps, as far as the lines of the connections do not hold it.

    The scatter of the insertion means holds the noise of the item's sweeps, and as much for
    each making of the through; where the through has fewer sweeps than an insertion the rest
    is added. A stated repeatability holds no noise at all.
    """
    insertions, makings = found.insertions, found.makings
    best = max(insertions, makings, key=lambda scatter: scatter.within_dof)
    if not best.within_dof:
        notes.append("Single sweeps only: their noise could not be found and is NOT in U.")
        return []
    weights = found.losses.reference_weights
    through_share = np.sum(weights**2 / makings.sizes)
    if insertions.groups >= FEWEST_FOR_SCATTER:
        held = np.sum(weights**2) * np.mean(1.0 / insertions.sizes)
        factor = max(through_share - held, 0.0)
    else:
        factor = through_share + np.mean(1.0 / insertions.sizes) / insertions.groups
    if factor == 0.0:
        return []
    u_db = best.within_db * np.sqrt(factor)
    source = "scatter of single sweeps within one connection"
    return [Contribution("noise", "A", "normal", u_db, float(best.within_dof), source)]


def drift_lines(found: Findings, statements: Statements, notes: list[str]) -> list[Contribution]:
    """What the zero did beyond the line drawn between its checks.

    Between two checks it may have been anywhere between their readings, and up to half an
    interval's worth of the stated drift away from both; before the first and after the last
    check only the stated drift tells. Rectangular (JCGM 100:2008, 4.3.7).
    """
    losses, rate = found.losses, statements.drift_db_per_hour
    shape = losses.mean_db.shape
    first, last = losses.reference_time[0], losses.reference_time[-1]
    beyond_s = np.maximum(np.maximum(first - losses.time, losses.time - last), 0.0)
    between_db, beyond_db = np.zeros(shape), 0.0
    sources = []
    if len(losses.reference_db) > 1:
        change_db = np.abs(np.diff(losses.reference_db, axis=0))
        over_band_db = np.sqrt(np.mean(change_db**2, axis=1, keepdims=True))
        between_db = np.maximum(change_db, over_band_db).max(axis=0) / 2.0
        sources.append("largest change between neighbouring checks of the zero")
        if rate is not None:
            longest_h = float(np.diff(losses.reference_time).max()) / 3600.0
            between_db = np.maximum(between_db, rate * longest_h / 2.0)
    if np.any(beyond_s > 0.0):
        if rate is None:
            notes.append(
                "Some insertions have no check of the zero after (or before) them and the station "
                "states no drift: that drift of the zero is NOT in the uncertainty."
            )
        else:
            beyond_db = rate * float(np.mean(beyond_s)) / 3600.0
            sources.append("station: drift_per_hour")
            notes.append(
                "Some insertions have no check of the zero after (or before) them: there the drift "
                "is the station's statement."
            )
    if not sources:
        return []
    u_db = np.hypot(between_db, beyond_db) / ROOT_3
    source = f"{'; '.join(sources)} (GUM 4.3.7)"
    return [Contribution("drift of the zero", "B", "rectangular", u_db, np.inf, source)]


def mismatch_line(
    readings: BandReadings, loss_db: FloatArray, statements: Statements
) -> Contribution:
    """Mismatch between leads and through, and leads and item (Harris and Warner 1981)."""
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
    # the lead on either side may lose less than the mean of the two by half their difference
    one_lead = np.abs(through[readings.transmission]) * 10.0 ** (
        -statements.lead_loss_difference_db / 20.0
    )
    first, second = (
        reflection_from_change(
            item[row], through[row], one_lead, far, item_s21, statements.through_reflection
        )
        for row, far in zip(
            rows, (statements.load_reflection, statements.source_reflection), strict=True
        )
    )
    return first, second, "item's reflection estimated from the change of S11 and S22"


def through_lines(statements: Statements) -> list[Contribution]:
    """The stated limits of the loss of the adapter that closed the through."""
    if not np.any(statements.through_loss_limits_db):
        return []
    return [
        Contribution(
            "through adapter",
            "B",
            "rectangular",
            statements.through_loss_limits_db / ROOT_3,
            np.inf,
            statements.through_loss_source,
        )
    ]


def linearity_lines(
    readings: BandReadings, statements: Statements, notes: list[str]
) -> list[Contribution]:
    """The stated limits of the receiver's error between the levels of through and item."""
    limit_db = statements.linearity_db
    if limit_db is None and readings.is_scalar:
        notes.append(
            "The station states no linearity of the receiver: that error is NOT in the uncertainty."
        )
    if not limit_db:
        return []
    u_db = np.full(len(readings.frequency_hz), limit_db / ROOT_3)
    return [
        Contribution(
            "linearity of the receiver", "B", "rectangular", u_db, np.inf, "station: linearity"
        )
    ]


def switch_lines(
    readings: BandReadings, statements: Statements, notes: list[str]
) -> list[Contribution]:
    """What a switch leaves unseen: its unequal paths, and connections that were made only once.

    Closing a channel again does not make the connections behind it again, so their scatter is
    not in that of the insertions: one making for the item and one for the through.
    """
    difference_db = statements.switch_path_difference_db
    if difference_db is None:
        return []
    notes.append(
        "A switch exchanged through and item, whose connections were made once: their "
        "repeatability is the station's statement."
    )
    shape = len(readings.frequency_hz)
    made_once_db = np.sqrt(2.0) * statements.connection_repeatability_db
    lines = [
        Contribution(
            "connections made once", "B", "normal", np.full(shape, made_once_db), np.inf,
            "station: leads.connection_repeatability",
        )
    ]  # fmt: skip
    if difference_db:
        lines.append(
            Contribution(
                "paths of the switch", "B", "rectangular", np.full(shape, difference_db / ROOT_3),
                np.inf, "station: switch.path_difference",
            )
        )  # fmt: skip
    return lines

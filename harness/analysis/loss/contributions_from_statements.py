"""The lines of the budget that rest on what station and item state of themselves."""

from __future__ import annotations

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import BandMeans, Statements
from harness.analysis.loss.loss import InsertionLosses
from harness.analysis.uncertainty.budget import ActsOn, Contribution
from harness.analysis.units import DB_PER_NEPER

ROOT_2, ROOT_3, ROOT_6 = np.sqrt([2.0, 3.0, 6.0])


def statement_lines(
    readings: BandMeans, losses: InsertionLosses, statements: Statements, notes: list[str]
) -> list[Contribution]:
    """Every line that rests on a statement, drift and mismatch excepted."""
    loss_db = losses.mean_db + statements.through_loss_db
    return [
        *through_lines(statements),
        *linearity_lines(readings, losses.mean_db, statements, notes),
        *leakage_lines(losses, statements),
        *flexure_lines(readings, statements),
        *temperature_lines(loss_db, statements),
        *resolution_lines(readings, statements),
        *switch_lines(readings, statements, notes),
    ]


def _limits(
    name: str, limits_db: FloatArray, source: str, acts_on: ActsOn = "difference"
) -> Contribution:
    """A quantity known to lie within plus and minus `limits_db` (P,): rectangular
    (JCGM 100:2008, 4.3.7)."""
    u_db = limits_db / ROOT_3
    return Contribution(name, "B", "rectangular", u_db, np.inf, source, acts_on=acts_on)


def through_lines(statements: Statements) -> list[Contribution]:
    """The stated limits of the loss of the adapter that closed the through."""
    if not np.any(statements.through_loss_limits_db):
        return []
    limits_db = statements.through_loss_limits_db
    return [_limits("through adapter", limits_db, statements.through_loss_source, "reference")]


def linearity_lines(
    readings: BandMeans, loss_db: FloatArray, statements: Statements, notes: list[str]
) -> list[Contribution]:
    """The stated limits of the receiver's error between the levels of through and item.

    A part that is there for any two levels, and one for every 10 dB between them.
    """
    limit_db, per_10_db = statements.linearity_db, statements.linearity_per_10_db
    if limit_db is None and per_10_db is None and readings.is_scalar:
        notes.append(
            "The station states no linearity of the receiver: that error is NOT in the uncertainty."
        )
    if not limit_db and not per_10_db:
        return []
    limits_db = (limit_db or 0.0) + (per_10_db or 0.0) * np.abs(loss_db) / 10.0
    keys = [("linearity", limit_db), ("linearity_per_10_db", per_10_db)]
    source = " and ".join(key for key, value in keys if value)
    return [_limits("linearity of the receiver", limits_db, f"station: {source}")]


def leakage_lines(losses: InsertionLosses, statements: Statements) -> list[Contribution]:
    """What finds its way past the item adds to its reading with an unknown phase.

    With an isolation I and a path that loses A, pads and leads included, the level is off by at
    most 20 log10(1 + 10^(-(I - A) / 20)), about 8.686 dB x 10^(-(I - A) / 20) for small ones;
    arcsine as for mismatch (the leakage term of EA-4/02 M:2022, S7). One term with the item
    between the leads, one without.
    """
    if statements.isolation_db is None:
        return []
    through_path_db = -np.mean(losses.check_db, axis=0)
    paths_db = np.stack([through_path_db + losses.mean_db, through_path_db])
    relative = 10.0 ** (-(statements.isolation_db - paths_db) / 20.0)
    parts_db = DB_PER_NEPER * relative / ROOT_2
    return [
        Contribution(
            "leakage",
            "B",
            "U-shaped",
            np.sqrt(np.sum(np.square(parts_db), axis=0)),
            np.inf,
            "station: isolation; EA-4/02 S7",
            acts_on="item",
            parts_db=parts_db,
        )
    ]


def flexure_lines(readings: BandMeans, statements: Statements) -> list[Contribution]:
    """What moving the leads between through and item does, the same way each time."""
    if not statements.flexure_db:
        return []
    limits_db = np.full(len(readings.frequency_hz), statements.flexure_db)
    return [_limits("flexure of the leads", limits_db, "station: leads.flexure")]


def temperature_lines(loss_db: FloatArray, statements: Statements) -> list[Contribution]:
    """The item's loss at the stated temperature, measured somewhere within its limits."""
    limits_db = np.abs(
        statements.temperature_limits_k * statements.temperature_coefficient_per_k * loss_db
    )
    if not np.any(limits_db):
        return []
    source = "station: temperature_limits; temperature coefficient of the item"
    return [_limits("temperature", limits_db, source, "item")]


def resolution_lines(readings: BandMeans, statements: Statements) -> list[Contribution]:
    """Two readings rounded to a step r: each within +-r/2, their difference triangular within
    +-r (JCGM 100:2008, F.2.2.1 and 4.3.9)."""
    if not statements.resolution_db:
        return []
    u_db = np.full(len(readings.frequency_hz), statements.resolution_db / ROOT_6)
    return [Contribution("resolution", "B", "triangular", u_db, np.inf, "station: resolution")]


def switch_lines(
    readings: BandMeans, statements: Statements, notes: list[str]
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
    made_once_db = ROOT_2 * statements.connection_repeatability_db
    lines = [
        Contribution(
            "connections made once", "B", "normal", np.full(shape, made_once_db), np.inf,
            "station: leads.connection_repeatability",
        )
    ]  # fmt: skip
    if difference_db:
        limits_db = np.full(shape, difference_db)
        lines.append(_limits("paths of the switch", limits_db, "station: switch.path_difference"))
    return lines

"""The lines of the budget that rest on what the item reflects: stated, read, or bounded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import FIRST_RULES, RULES, BandMeans, Statements
from harness.analysis.uncertainty.budget import Contribution, combine
from harness.analysis.uncertainty.mismatch import (
    TwoPort,
    mismatch_terms_db,
    passive_reflection,
    reflection_from_change,
)

LOOKS = 5
"""How often the bound of a reflection that nobody knows is drawn closer; each halves what is left
of it, and the bound holds after any of them."""


@dataclass(frozen=True)
class _Reflections:
    """Magnitudes of the item's reflections, (P,) each."""

    first: FloatArray
    second: FloatArray
    most_first: FloatArray
    """Where it was read too low by all that is stated."""
    most_second: FloatArray
    are_read: bool
    source: str


def mismatch_lines(
    readings: BandMeans,
    loss_db: FloatArray,
    statements: Statements,
    rest: Sequence[Contribution],
    notes: list[str],
) -> list[Contribution]:
    """Mismatch between leads and through, and leads and item (Harris and Warner 1981); and what it
    is more where the item reflects more than was read of it. `rest` are all other lines."""
    item_s21 = np.minimum(10.0 ** (-loss_db / 20.0), 1.0)
    if statements.rules == FIRST_RULES:
        return _lines(_by_first_rules(readings, item_s21, statements), item_s21, statements)
    stated = statements.item_reflection
    highest = np.full_like(item_s21, 1.0 if stated is None else stated)
    found = _lines(_item_reflections(readings, statements, highest), item_s21, statements)
    unknown = stated is None and None in (readings.trace("S11"), readings.trace("S22"))
    if unknown and statements.rules == RULES:
        for _ in range(LOOKS):
            u_db = combine([*rest, *found]).expanded_uncertainty_db
            highest = np.minimum(highest, passive_reflection(loss_db + u_db))
            found = _lines(_item_reflections(readings, statements, highest), item_s21, statements)
    if len(found) > 1 and not statements.reflection_tracking_is_stated:
        notes.append(
            "How far S11 and S22 are read too low is not stated (reflection_tracking); up to "
            f"{statements.reflection_tracking_db:g} dB is taken."
        )
    return found


def _lines(
    reflections: _Reflections, item_s21: FloatArray, statements: Statements
) -> list[Contribution]:
    parts_db = _parts_db(statements, item_s21, reflections.first, reflections.second)
    source = f"Harris and Warner 1981; {reflections.source}"
    lines = [_u_shaped("mismatch", parts_db, source)]
    if not reflections.are_read:
        return lines
    most_db = _parts_db(statements, item_s21, reflections.most_first, reflections.most_second)
    more_db = np.sqrt(np.maximum(np.square(most_db) - np.square(parts_db), 0.0))
    if np.any(more_db):
        source = "station: reflection_tracking"
        lines.append(_u_shaped("tracking of the reflections", more_db, source))
    return lines


def _u_shaped(name: str, parts_db: FloatArray, source: str) -> Contribution:
    u_db = np.sqrt(np.sum(np.square(parts_db), axis=0))
    return Contribution(name, "B", "U-shaped", u_db, np.inf, source, parts_db=parts_db)


def _parts_db(
    statements: Statements, item_s21: FloatArray, s11: FloatArray, s22: FloatArray
) -> FloatArray:
    a = statements.through_reflection
    return mismatch_terms_db(
        statements.source_reflection,
        statements.load_reflection,
        TwoPort(a, a, 10.0 ** (-statements.through_loss_db / 20.0)),
        TwoPort(s11, s22, item_s21),
    )


def _item_reflections(
    readings: BandMeans, statements: Statements, highest: FloatArray
) -> _Reflections:
    """The item's |S11| and |S22|: each the less of what was read of it and of `highest`, (P,)."""
    rows = readings.trace("S11"), readings.trace("S22")
    through, item = readings.opening_mean, readings.item_mean
    least = 10.0 ** (-statements.lead_loss_difference_db / 20.0)
    more = 10.0 ** (statements.reflection_tracking_db / 20.0)
    found, most = [], []
    for row in rows:
        if row is None:
            found.append(highest)
            most.append(highest)
            continue
        # the lead on either side may lose less than the mean of the two by half their difference
        one_lead = np.abs(through[readings.transmission]) * least
        read = np.abs(item[row] - through[row]) / one_lead
        found.append(np.minimum(read, highest))
        most.append(np.minimum(read * more, highest))
    named = [name for name, row in zip(("S11", "S22"), rows, strict=True) if row is not None]
    said = []
    if named:
        said.append(f"item's reflection from the change of {' and '.join(named)}")
    if statements.item_reflection is not None:
        said.append("item: return_loss")
    elif len(named) < 2:
        where = "" if not named else " at the other end"
        taken = "total"
        if statements.rules == RULES:
            taken = "the most that a passive item of its loss can have"
        said.append(f"item's reflection{where} neither stated nor measured: taken as {taken}")
    return _Reflections(found[0], found[1], most[0], most[1], bool(named), ", ".join(said))


def _by_first_rules(
    readings: BandMeans, item_s21: FloatArray, statements: Statements
) -> _Reflections:
    """As stated, else estimated with the far ends' matches added, which are terms of the mismatch
    already, and only where both were read."""
    if statements.item_reflection is not None:
        stated = np.full_like(item_s21, statements.item_reflection)
        return _Reflections(stated, stated, stated, stated, False, "item: return_loss")
    rows = readings.trace("S11"), readings.trace("S22")
    if rows[0] is None or rows[1] is None:
        ones = np.ones_like(item_s21)
        total = "item's reflection neither stated nor measured: taken as total"
        return _Reflections(ones, ones, ones, ones, False, total)
    through, item = readings.opening_mean, readings.item_mean
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
    source = "item's reflection estimated from the change of S11 and S22"
    return _Reflections(first, second, first, second, False, source)

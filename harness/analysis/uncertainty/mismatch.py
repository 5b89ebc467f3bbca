"""Mismatch: what unknown phases of reflections do to a loss."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray
from harness.analysis.units import DB_PER_NEPER


def reflection_magnitude(return_loss_db: float) -> float:
    """|reflection coefficient| of a return loss in dB."""
    return float(10.0 ** (-return_loss_db / 20.0))


def passive_reflection(most_loss_db: FloatArray) -> FloatArray:
    """Most that a passive and reciprocal two-port reflects at either end that loses at most so
    much, (P,): of the power that enters no more than all comes out, |S11|^2 + |S21|^2 <= 1 (first
    principles; the diagonal of 1 - S* S >= 0).
    """
    transmitted = np.power(10.0, -np.maximum(most_loss_db, 0.0) / 10.0)
    return np.asarray(np.sqrt(1.0 - transmitted), dtype=np.float64)


@dataclass(frozen=True)
class TwoPort:
    """Magnitudes of a device's S-parameters, at one frequency or at P of them."""

    s11: float | FloatArray
    s22: float | FloatArray
    s21: float | FloatArray


def mismatch_uncertainty_db(
    source: float | FloatArray, load: float | FloatArray, through: TwoPort, item: TwoPort
) -> FloatArray:
    """Standard uncertainty of an attenuation by substitution, all arguments magnitudes: the
    root sum of squares of `mismatch_terms_db`."""
    terms_db = mismatch_terms_db(source, load, through, item)
    return np.asarray(np.sqrt(np.sum(np.square(terms_db), axis=0)), dtype=np.float64)


def mismatch_terms_db(
    source: float | FloatArray, load: float | FloatArray, through: TwoPort, item: TwoPort
) -> FloatArray:
    """Standard uncertainties of the terms of a mismatch, (6, ...); arguments are magnitudes.

    Six independent U-shaped terms: source with either port, load with either port, and
    source with load through the device, before (through) and after (item) the exchange.
    I. A. Harris and F. L. Warner, IEE Proc. H 128 (1981) 35-41; also the mismatch term of
    EA-4/02 M:2022, S7.
    """
    products = (
        source * np.asarray(through.s11, float),
        load * np.asarray(through.s22, float),
        source * load * np.square(through.s21),
        source * np.asarray(item.s11, float),
        load * np.asarray(item.s22, float),
        source * load * np.square(item.s21),
    )
    limits_db = DB_PER_NEPER * np.stack(np.broadcast_arrays(*products))
    return np.asarray(limits_db / np.sqrt(2.0), dtype=np.float64)


def reflection_from_change(
    reading_item: ComplexArray,
    reading_through: ComplexArray,
    transmission_through: FloatArray,
    far_reflection: float,
    item_s21: FloatArray,
    through_reflection: float = 0.0,
) -> FloatArray:
    """Magnitude of an item's reflection from uncorrected readings at the analyzer's port, (P,).

    To first order the port reads `e + t^2 (r + s21^2 g)` with the item (reflection r) and
    `e + t^2 (a + g)` with the through (reflection a), where e is the lead's own reflection, t
    its transmission and g the far lead's match. The change cancels e; `transmission_through`
    stands for |t^2|, which it is with two equal leads. The far match and the through may hide
    part of r or add to it with unknown phase, so their squares are added:

        |r|^2 = |change / t^2|^2 + g^2 (1 + |s21|^4) + a^2

    Averaged over phases that is too large by twice what was added. At single frequencies it
    can fall short, by a third of r for r = 0.2 and g = 0.03; U covers that, because twice the
    standard uncertainty of a U-shaped term reaches beyond its limits by 41 %.
    """
    change = np.abs(reading_item - reading_through) / transmission_through
    square = change**2 + far_reflection**2 * (1.0 + np.power(item_s21, 4)) + through_reflection**2
    return np.asarray(np.minimum(np.sqrt(square), 1.0), dtype=np.float64)

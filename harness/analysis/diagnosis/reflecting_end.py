"""At which end of an item the greater reflection is, from S11, S22 and S21 together.

A reflection r at the first end shows in S11 as r, and in S22 as r s21^2, since the signal goes
through the item and back; at the second end it is the other way round. Neither the length nor
the speed of the cable needs to be known for that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray
from harness.analysis.loss.band import BandMeans

PLANES_APART_S = 150e-12
"""How far, in delay, the planes of reflection and transmission may be apart: the through has a
length of its own (common practice, no source)."""
STEPS = 61
CLEARLY = 0.5
"""Ratio of what the two ends leave unexplained, below which one of them is named."""
LEAST_REFLECTION = 0.06
"""Root mean square; less is that of good joints and of the leads."""


@dataclass(frozen=True)
class _ReflectionSeen:
    frequency_hz: FloatArray
    first: ComplexArray
    second: ComplexArray
    transmission: ComplexArray


def reflecting_end(readings: Sequence[BandMeans]) -> int | None:
    """1 or 2; None where S11 and S22 were not measured, or do not tell.

    From uncorrected readings: what the item changes in S11 and S22 over the through, referred to
    the through's transmission, which is that of a lead there and back (`mismatch`).
    """
    seen = [one for one in map(_seen, readings) if one is not None]
    if not seen:
        return None
    whole = _ReflectionSeen(
        np.concatenate([s.frequency_hz for s in seen]),
        np.concatenate([s.first for s in seen]),
        np.concatenate([s.second for s in seen]),
        np.concatenate([s.transmission for s in seen]),
    )
    size = np.sqrt(np.mean(np.abs(whole.first) ** 2 + np.abs(whole.second) ** 2) / 2.0)
    if size < LEAST_REFLECTION:
        return None
    there_and_back = whole.transmission**2
    of_first = _left(whole.second, whole.first * there_and_back, whole.frequency_hz)
    of_second = _left(whole.first, whole.second * there_and_back, whole.frequency_hz)
    if of_first < CLEARLY * of_second:
        return 1
    return 2 if of_second < CLEARLY * of_first else None


def _seen(own: BandMeans) -> _ReflectionSeen | None:
    row, first, second = own.transmission, own.trace("S11"), own.trace("S22")
    if first is None or second is None:
        return None
    through, item = own.through_mean, own.item_mean
    lead = through[row]
    return _ReflectionSeen(
        own.frequency_hz,
        np.asarray((item[first] - through[first]) / lead),
        np.asarray((item[second] - through[second]) / lead),
        np.asarray(item[row] / lead),
    )


def _left(measured: ComplexArray, model: ComplexArray, frequency_hz: FloatArray) -> float:
    """Least mean square of what a model leaves, its planes shifted as may be."""
    shifts = np.linspace(-PLANES_APART_S, PLANES_APART_S, STEPS)
    turned = np.exp(-2j * np.pi * np.outer(shifts, frequency_hz)) * model
    return float(np.min(np.mean(np.abs(measured - turned) ** 2, axis=1)))

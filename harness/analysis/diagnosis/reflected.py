"""What reflections with unknown phases do to readings: the exact expressions, drawn at random."""

from __future__ import annotations

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray
from harness.analysis.loss.band import Statements
from harness.analysis.units import DB_PER_NEPER

LONGEST_DELAY_S = 10e-9
"""Of the way between two reflections: a metre of lead, there and back."""
ROW = 16
"""Points that share a row of a table of phases."""


def mismatch_error_db(
    frequency_hz: FloatArray,
    stated: Statements,
    item_reflection: float,
    loss_db: FloatArray,
    campaigns: int,
    rng: np.random.Generator,
) -> FloatArray:
    """What mismatch adds to the loss of the item over the through, (C, P).

    Between a source and a load that reflect g and l, a device transmits

        s21 / ((1 - g s11) (1 - l s22) - g l s21 s12)

    (I. A. Harris and F. L. Warner, IEE Proc. H 128 (1981) 35-41). Magnitudes are as stated,
    all phases anything; `loss_db` has shape (C, P).
    """
    item = _denominator(frequency_hz, stated, item_reflection, loss_db, campaigns, rng)
    through = _denominator(
        frequency_hz, stated, stated.through_reflection, stated.through_loss_db, campaigns, rng
    )
    ratio = np.square(np.abs(item)) / np.square(np.abs(through))
    return np.asarray(0.5 * DB_PER_NEPER * np.log(ratio))


def reflection_readings(
    frequency_hz: FloatArray,
    stated: Statements,
    item_reflection: float,
    loss_db: FloatArray,
    campaigns: int,
    rng: np.random.Generator,
) -> tuple[ComplexArray, ComplexArray]:
    """S11 and S22 as read uncorrected with the through and with the item, (2, C P) each.

    Each port sees its own lead's end, what is connected there, and the other lead's end
    through it. The leads themselves lose nothing here.
    """
    ends = (stated.source_reflection, stated.load_reflection)
    seen: tuple[list[ComplexArray], list[ComplexArray]] = ([], [])
    for near, far in (ends, ends[::-1]):
        own = near * _turning(frequency_hz, campaigns, rng)
        far_end = far * _turning(frequency_hz, campaigns, rng)
        for readings, reflection, through_db in zip(
            seen,
            (stated.through_reflection, item_reflection),
            (stated.through_loss_db, loss_db),
            strict=True,
        ):
            passed = np.power(10.0, -np.maximum(through_db, 0.0) / 10.0)
            reading = (
                own
                + reflection * _turning(frequency_hz, campaigns, rng)
                + passed * far_end * _turning(frequency_hz, campaigns, rng)
            )
            readings.append(reading.reshape(-1))
    return np.stack(seen[0]), np.stack(seen[1])


def _denominator(
    frequency_hz: FloatArray,
    stated: Statements,
    reflection: float,
    loss_db: FloatArray,
    campaigns: int,
    rng: np.random.Generator,
) -> ComplexArray:
    """Of the transmission of a device with equal reflections at both ports, (C, P)."""
    source, load = stated.source_reflection, stated.load_reflection
    passed = np.power(10.0, -np.maximum(loss_db, 0.0) / 10.0)
    through_it = source * load * passed * _turning(frequency_hz, campaigns, rng)
    if not reflection:
        return np.asarray(1.0 - through_it)
    near = 1.0 - source * reflection * _turning(frequency_hz, campaigns, rng)
    far = 1.0 - load * reflection * _turning(frequency_hz, campaigns, rng)
    return np.asarray(near * far - through_it)


def _turning(frequency_hz: FloatArray, campaigns: int, rng: np.random.Generator) -> ComplexArray:
    """A phase that is anything, and turns over frequency by a delay that is anything; (C, P)."""
    start = rng.uniform(0.0, 2.0 * np.pi, (campaigns, 1))
    delay_s = rng.uniform(0.0, LONGEST_DELAY_S, (campaigns, 1))
    beyond_hz = frequency_hz - frequency_hz[0]
    step_hz = np.diff(beyond_hz[:2])
    if len(beyond_hz) < ROW or not np.allclose(np.diff(beyond_hz), step_hz, rtol=1e-6, atol=0.0):
        return np.asarray(np.exp(1j * (2.0 * np.pi * delay_s * beyond_hz + start)))
    # in equal steps a phase is that of its row of points times that of its place in the row:
    # two short tables instead of an exponential for every point
    turn = 2.0 * np.pi * delay_s * step_hz
    rows = np.arange(0, len(beyond_hz), ROW)
    table = (
        np.exp(1j * (turn * rows + start))[:, :, None] * np.exp(1j * turn * np.arange(ROW))[:, None]
    )
    return np.asarray(table.reshape(campaigns, -1)[:, : len(beyond_hz)])

"""Scattering parameters of an item, from readings that hold phase."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray
from harness.analysis.loss.band import BandBlocks, BandReadings
from harness.analysis.loss.grouped import GroupedMeans
from harness.analysis.loss.loss import (
    ReferenceLine,
    checks_of,
    group_means,
    level_db,
    reference_line,
)
from harness.analysis.loss.reduction import numbered


@dataclass(frozen=True)
class ItemScattering:
    """A two-port at P frequencies, and what of it was measured."""

    frequency_hz: FloatArray
    """(P,) Hz."""
    s: ComplexArray
    """(P, 2, 2), ratios of wave quantities."""
    has_reverse: bool
    """Whether S12 was measured; else it is taken as equal to S21, as of any passive item."""
    is_cut_off: bool
    """Whether some magnitude above 1, of a loss below 0 dB, stands as 1."""


def item_scattering(
    readings: BandReadings | BandBlocks, insertion_loss_db: FloatArray
) -> ItemScattering:
    """The item as a two-port, which is passive.

    |S21| is 10^(-A/20) of the stated loss A (P,), its phase the mean over the insertions of that
    relative to the through at the same time. S12 likewise where it was measured, with what A holds
    beyond the readings (the loss of a through adapter) added alike. S11 and S22 are 0: the
    instrument reads them at planes of its own, behind what stands between those and the item.
    What is above 1, as noise makes it where next to nothing is lost, is cut off there, so that
    no singular value is above 1.

    Raises:
        ValueError: only magnitudes were measured, so that there is no phase.
    """
    band = readings.blocks if isinstance(readings, BandReadings) else readings
    if band.is_scalar:
        raise ValueError("only the magnitude of the transmission was measured: there is no phase")
    reverse = band.trace("S12")
    rows = [band.transmission] if reverse is None else [band.transmission, reverse]
    loss_db, phasor = _against_through(band, rows)
    s = np.zeros((len(band.frequency_hz), 2, 2), dtype=np.complex128)
    beyond_db = insertion_loss_db - loss_db[0]
    magnitude = 10.0 ** (-(loss_db + beyond_db) / 20.0)
    transmission = np.minimum(magnitude, 1.0) * phasor
    # without a reverse reading the last row is the forward one
    s[:, 1, 0], s[:, 0, 1] = transmission[0], transmission[-1]
    is_cut_off = bool(np.any(magnitude > 1.0))
    return ItemScattering(band.frequency_hz, s, reverse is not None, is_cut_off)


def _against_through(band: BandBlocks, rows: list[int]) -> tuple[FloatArray, ComplexArray]:
    """Mean loss in dB (R, P) of R traces and the phasors (R, P) of their mean phases, against the
    line in time between the checks of the zero."""
    _, making = np.unique(band.normalization_making, return_inverse=True)
    count = int(making.max()) + 1
    level, unit = GroupedMeans(count), GroupedMeans(count)
    for at, block in numbered(band.normalization):
        level.add(level_db(block[:, rows]), making[at])
        unit.add(_unit(block[:, rows]), making[at])
    making_time = group_means(band.normalization_time, band.normalization_making)
    check = checks_of(making_time, band.insertion_time)
    line = reference_line(group_means(making_time, check), band.insertion_time)
    check_db = group_means(level.means, check)
    real, imaginary = group_means(unit.means.real, check), group_means(unit.means.imag, check)
    _, insertion = np.unique(band.insertion, return_inverse=True)
    count = int(insertion.max()) + 1
    loss, turned = GroupedMeans(count), GroupedMeans(count)
    for at, block in numbered(band.insertions):
        own = block[:, rows]
        reference_db = _at(line, at, check_db)
        reference = _at(line, at, real) + 1j * _at(line, at, imaginary)
        loss.add(reference_db - level_db(own), insertion[at])
        turned.add(_unit(own) * np.conj(_unit(reference)), insertion[at])
    return (
        np.asarray(np.mean(loss.means, axis=0)),
        _unit(np.mean(turned.means, axis=0)),
    )


def _at(line: ReferenceLine, rows: slice, checks: FloatArray) -> FloatArray:
    """(n, R, P) on the line at some of the times, from checks of (C, R, P)."""
    each = [line.at(rows, checks[:, row]) for row in range(checks.shape[1])]
    return np.stack(each, axis=1)


def _unit(values: ComplexArray) -> ComplexArray:
    return np.asarray(values / np.abs(values))

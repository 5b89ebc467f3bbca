"""What instruments make of drawn readings of S21, S11 and S22 before anybody evaluates them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from drivers.recorded import Recording
from harness.analysis.loss.band import BandReadings
from harness.running.recorded_traces import measured_alone

Instrument = Callable[[BandReadings, np.random.Generator], BandReadings]
DIRECTIVITY = 0.1
"""20 dB."""


def as_drawn(readings: BandReadings, rng: np.random.Generator) -> BandReadings:
    """One that adds nothing of its own."""
    return readings


def raw_directivity(readings: BandReadings, rng: np.random.Generator) -> BandReadings:
    """What leaks past the couplers is in S11 and S22, the same with through and with item."""
    leaking = np.zeros((3, len(readings.frequency_hz)), dtype=np.complex128)
    leaking[1:] = DIRECTIVITY * np.exp(2j * np.pi * rng.random((2, leaking.shape[1])))
    return replace(
        readings,
        normalization=readings.normalization + leaking,
        insertions=readings.insertions + leaking,
    )


def one_path(readings: BandReadings, rng: np.random.Generator) -> BandReadings:
    """Files whose S12 and S22 are all zero, as `tareline import` takes them."""
    sweeps = np.concatenate([readings.normalization, readings.insertions])
    nothing = np.zeros_like(sweeps[0, 0])
    files = [
        Recording(
            Path("drawn.s2p"), readings.frequency_hz, ("S11", "S21", "S12", "S22"),
            np.stack([s11, s21, nothing, nothing]), 50.0, "", "", 0.0,
        )
        for s21, s11, _ in sweeps
    ]  # fmt: skip
    taken, _ = measured_alone(files)
    kept = np.stack([file.readings for file in taken])
    through, item = np.split(kept, [len(readings.normalization)])
    return replace(readings, traces=taken[0].traces, normalization=through, insertions=item)

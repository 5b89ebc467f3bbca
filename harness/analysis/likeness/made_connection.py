"""One making of a connection in one band: means over its sweeps, and how much a sweep scatters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray
from harness.analysis.loss.loss import level_db, transmission_row


@dataclass(frozen=True)
class MadeConnection:
    """P frequencies, S traces."""

    frequency_hz: FloatArray
    """(P,)"""
    traces: tuple[str, ...]
    mean: ComplexArray
    """(S, P) over the sweeps."""
    noise: FloatArray
    """(S,) standard deviation of the real part of one sweep's readings, rms over the band; NaN
    where a single sweep cannot tell."""
    sweeps: int
    time: float
    """Unix s, mean."""

    @property
    def is_scalar(self) -> bool:
        """Whether only the magnitude of the transmission was measured."""
        return self.traces == ("transmission",)

    @property
    def transmission(self) -> ComplexArray:
        """(P,)"""
        return np.asarray(self.mean[transmission_row(self.traces)])

    @property
    def level_db(self) -> FloatArray:
        """(P,) of the transmission; what reads nothing is taken as very little."""
        size = np.maximum(np.abs(self.transmission), np.finfo(float).tiny)
        return level_db(size.astype(np.complex128))


def made_connection(
    frequency_hz: FloatArray,
    traces: tuple[str, ...],
    readings: ComplexArray,
    time: FloatArray,
) -> MadeConnection:
    """Of N sweeps (N, S, P) at N Unix times.

    Raises:
        ValueError: there is no sweep.
    """
    if not len(readings):
        raise ValueError("a connection without a sweep reads like nothing")
    mean = np.asarray(readings.mean(axis=0))
    noise = np.full(len(traces), np.nan)
    if len(readings) > 1:
        parts = 1.0 if traces == ("transmission",) else 2.0
        apart = np.sum(np.abs(readings - mean) ** 2, axis=0) / (len(readings) - 1) / parts
        noise = np.sqrt(apart.mean(axis=1))
    return MadeConnection(frequency_hz, traces, mean, noise, len(readings), float(np.mean(time)))

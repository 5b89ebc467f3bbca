"""How a receiver falls short: as functions of the level at it, all in decibels or ratios.

Every error has a declared size; none depends on what the truth is used for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

REFERENCE_BANDWIDTH_HZ = 1000.0
"""At which noise is stated in a bench's description."""
COMPRESSION_KNEE_DB = 3.0
LONGEST_WAVE_DB = 60.0
SHORTEST_WAVE_DB = 20.0
LONGEST_LEAKAGE_DELAY_S = 2e-9
FAINTEST_DBM = -300.0
"""Stands for no signal at all, where a level is needed."""
DB_PER_NEPER = 20.0 / math.log(10.0)


@dataclass(frozen=True)
class LevelError:
    """A smooth error that depends on level and stays within plus and minus `limit_db`.

    Two waves over level, whose periods (20 dB to 60 dB), phases and shares the generator of
    the seed decides.
    """

    limit_db: float
    waves_per_db: tuple[float, float]
    phases: tuple[float, float]
    share: float
    """Of the first wave; the shares of both add up to 1, which bounds the error."""

    @classmethod
    def drawn(cls, limit_db: float, generator: np.random.Generator) -> LevelError:
        """An error with the stated limit, otherwise as the generator decides."""
        periods = np.exp(generator.uniform(np.log(SHORTEST_WAVE_DB), np.log(LONGEST_WAVE_DB), 2))
        first, second = (float(phase) for phase in generator.uniform(0.0, 2.0 * np.pi, 2))
        return cls(
            limit_db,
            (float(1.0 / periods[0]), float(1.0 / periods[1])),
            (first, second),
            float(generator.uniform(0.3, 0.7)),
        )

    def at(self, level_dbm: FloatArray) -> FloatArray:
        """The error in dB at levels of any shape."""
        if not self.limit_db:
            return np.zeros_like(level_dbm)
        first, second = (
            np.sin(2.0 * np.pi * rate * level_dbm + phase)
            for rate, phase in zip(self.waves_per_db, self.phases, strict=True)
        )
        return np.asarray(self.limit_db * (self.share * first + (1.0 - self.share) * second))


def compression_db(level_dbm: FloatArray, maximum_dbm: float) -> FloatArray:
    """What compression takes off levels (any shape), zero up to the maximum, else negative.

    The reading rises ever more slowly above the maximum, by 3 dB at most.
    """
    excess_db = np.maximum(level_dbm - maximum_dbm, 0.0)
    return np.asarray(COMPRESSION_KNEE_DB * -np.expm1(-excess_db / COMPRESSION_KNEE_DB) - excess_db)


def leakage(
    frequency_hz: FloatArray, isolation_db: float | None, generator: np.random.Generator
) -> ComplexArray:
    """A small fixed term that finds its way past the item, shape (P,).

    Its magnitude is that of the isolation; phase and delay are as the generator decides.
    """
    phase = generator.uniform(0.0, 2.0 * np.pi)
    delay_s = generator.uniform(0.0, LONGEST_LEAKAGE_DELAY_S)
    if isolation_db is None:
        return np.zeros(len(frequency_hz), dtype=np.complex128)
    magnitude = 10.0 ** (-isolation_db / 20.0)
    return np.asarray(magnitude * np.exp(1j * (phase - 2.0 * np.pi * frequency_hz * delay_s)))


def level_dbm(amplitude: ComplexArray | FloatArray, reference_dbm: float = 0.0) -> FloatArray:
    """Level of amplitudes (any shape) of which 1 has the reference level; never infinite."""
    faintest = 10.0 ** ((FAINTEST_DBM - reference_dbm) / 20.0)
    return np.asarray(
        reference_dbm + 20.0 * np.log10(np.maximum(np.abs(amplitude), faintest)), dtype=np.float64
    )


def relative_noise(rms_db: float) -> float:
    """Standard deviation of a relative error whose size in dB is `rms_db` (first order)."""
    return rms_db / DB_PER_NEPER


def watts(level: float) -> float:
    """Power in W of a level in dBm."""
    return float(1e-3 * 10.0 ** (level / 10.0))

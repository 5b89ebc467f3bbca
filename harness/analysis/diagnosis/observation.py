"""What a diagnosis starts from: the residual of all bands with the covariance of a sound item.

A sound item differs from what is expected of it by the errors of the measurement, by what the
catalogue leaves open of its parts, and by the reflections that good parts have. The three are
independent; each is correlated over frequency in its own way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.expected.catalogue_parts import Cable
from harness.analysis.expected.expected_loss import ExpectedLoss
from harness.analysis.loss.band import BandResult
from harness.analysis.several_runs.delay import SPEED_OF_LIGHT_M_PER_S
from harness.analysis.units import DB_PER_NEPER

MOST_POINTS = 400
"""Of all bands together; more are thinned, since a covariance grows with their square."""
USUAL_VELOCITY = (0.7, 0.05)
"""Velocity factor and standard uncertainty where the catalogue has none (from memory)."""
DELAY_OF_A_JOINT_S = 30e-12
"""About a centimetre of connector, as uncertain as it is long (common practice, no source)."""
GOOD_REFLECTION = (0.03, 0.006)
"""Magnitude of the reflection of a good joint, and its rise per GHz: voltage standing wave
ratios of 1.06 to 1.15 (common practice, no source)."""
SHARE_OF_OWN_SHAPE = 0.4
"""Of a part's relative uncertainty: how far its loss may depart from the catalogue's shape."""
NOISES = ("noise", "noise of the reference")
"""Lines of the budget that have no order over frequency."""
SHARE_WITHOUT_ORDER = 0.15
"""Of the uncertainty of a reading: what differs from one frequency to the next."""
SMOOTH_OVER = 0.5
"""Correlation length of smooth errors, in natural logarithms of frequency."""
UNEVEN_DB = 0.001
"""Floor, below which no reading is taken to be even."""


@dataclass(frozen=True)
class MeasuredDelay:
    """Delay of the item over that of the through, in s, with its standard uncertainty."""

    delay_s: float
    standard_uncertainty_s: float


@dataclass(frozen=True)
class Observation:
    """Residuals of one item; N frequencies of all its bands, rising within each."""

    frequency_hz: FloatArray
    """(N,)"""
    band: FloatArray
    """(N,) number of the band."""
    residual_db: FloatArray
    """(N,) loss less expected loss."""
    covariance: FloatArray
    """(N, N) in dB^2, of the residual of a sound item."""
    conductor_db: FloatArray
    """(N,) loss in the conductors of its cables, as expected."""
    dielectric_db: FloatArray
    """(N,) loss in their dielectric."""
    cable_length_m: float
    """0 where there is no cable."""
    velocity_factor: float
    delay_s: float
    """Expected."""
    delay_error: float | None = None
    """(measured - expected) / expected delay; None where no phase was measured."""
    delay_standard_uncertainty: float = 0.0
    """Of that, for a sound item."""

    @property
    def cable_db(self) -> FloatArray:
        """(N,) what its cables ought to lose."""
        return np.asarray(self.conductor_db + self.dielectric_db)


def observe(
    bands: Sequence[BandResult],
    expected: Sequence[ExpectedLoss],
    delay: MeasuredDelay | None = None,
) -> Observation:
    """Residual and covariance of all `bands`, each with what is expected in it.

    Raises:
        ValueError: there are no bands, or a residual or its uncertainty is not finite.
    """
    if not bands:
        raise ValueError("there are no bands to diagnose")
    kept = _thinned([band.frequency_hz for band in bands])
    frequency_hz = _joined([band.frequency_hz for band in bands], kept)
    residual_db = _joined(
        [b.insertion_loss_db - e.loss_db for b, e in zip(bands, expected, strict=True)], kept
    )
    if not np.all(np.isfinite(residual_db)):
        raise ValueError("a loss is not finite: nothing can be concluded from it")
    conductor, dielectric, length_m, slowness = _cables(bands, expected, kept)
    joints = sum(p.part.count for p in expected[0].parts if not isinstance(p.entry, Cable))
    tau_s = slowness / SPEED_OF_LIGHT_M_PER_S + joints * DELAY_OF_A_JOINT_S
    velocity = length_m / slowness if slowness else USUAL_VELOCITY[0]
    covariance = (
        _of_readings(bands, kept, frequency_hz, tau_s)
        + _of_parts(expected, kept, frequency_hz)
        + _of_good_reflections(frequency_hz, tau_s)
    )
    error, u_error = _delay_error(expected[0], delay, tau_s, joints)
    return Observation(
        frequency_hz=frequency_hz,
        band=_joined([np.full(len(b.frequency_hz), float(i)) for i, b in enumerate(bands)], kept),
        residual_db=residual_db,
        covariance=covariance,
        conductor_db=conductor,
        dielectric_db=dielectric,
        cable_length_m=length_m,
        velocity_factor=velocity,
        delay_s=tau_s,
        delay_error=error,
        delay_standard_uncertainty=u_error,
    )


def _thinned(grids: Sequence[FloatArray]) -> list[slice]:
    every = max(1, int(np.ceil(sum(len(grid) for grid in grids) / MOST_POINTS)))
    return [slice(None, None, every if len(grid) > every else 1) for grid in grids]


def _joined(values: Sequence[FloatArray], kept: Sequence[slice]) -> FloatArray:
    return np.concatenate([v[s] for v, s in zip(values, kept, strict=True)])


def _cables(
    bands: Sequence[BandResult], expected: Sequence[ExpectedLoss], kept: Sequence[slice]
) -> tuple[FloatArray, FloatArray, float, float]:
    """Conductor loss and dielectric loss (N,), length, and length over velocity factor."""
    conductor, dielectric = [], []
    for band, ought in zip(bands, expected, strict=True):
        cables = [(p, p.entry) for p in ought.parts if isinstance(p.entry, Cable)]
        nothing = np.zeros_like(ought.loss_db)
        lost = sum((p.loss_db for p, _ in cables), nothing)
        # the dielectric's share is that of the constants, whatever the temperature
        per_ghz = sum(
            p.part.count * (p.part.length_m or 0.0) * c.dielectric_db_per_m for p, c in cables
        )
        dielectric.append(per_ghz * band.frequency_hz / 1e9)
        conductor.append(lost - dielectric[-1])
    length_m = slowness = 0.0
    for part in expected[0].parts:
        if isinstance(part.entry, Cable):
            piece = part.part.count * (part.part.length_m or 0.0)
            stated = part.entry.velocity_factor
            length_m += piece
            slowness += piece / (USUAL_VELOCITY[0] if stated is None else stated.value)
    return _joined(conductor, kept), _joined(dielectric, kept), length_m, slowness


def _of_readings(
    bands: Sequence[BandResult], kept: Sequence[slice], frequency_hz: FloatArray, tau_s: float
) -> FloatArray:
    """Covariance of the measured losses: without order, smooth, and rippled by mismatch."""
    log_f = np.log(frequency_hz)
    square = _joined([band.standard_uncertainty_db**2 for band in bands], kept)
    rippled = _joined([_line(band, "mismatch") ** 2 for band in bands], kept)
    noisy = sum(
        (_joined([_line(band, name) ** 2 for band in bands], kept) for name in NOISES),
        np.zeros_like(square),
    )
    if not np.all(np.isfinite(square)):
        raise ValueError("an uncertainty is not finite: nothing can be concluded")
    # a scatter of few insertions is itself uncertain from point to point; its neighbours help
    near = np.exp(-0.5 * (np.subtract.outer(log_f, log_f) / 0.2) ** 2)
    near /= near.sum(axis=1, keepdims=True)
    smooth = near @ np.maximum(square - rippled - noisy, 0.0)
    mismatch = near @ rippled
    alone = SHARE_WITHOUT_ORDER**2 * (smooth + mismatch) + near @ noisy + UNEVEN_DB**2
    return np.asarray(
        _scaled(np.sqrt(smooth), _smooth_kernel(log_f, SMOOTH_OVER))
        + _scaled(np.sqrt(mismatch), _rippled_kernel(frequency_hz, tau_s))
        + np.diag(alone)
    )


def _line(band: BandResult, name: str) -> FloatArray:
    """Standard uncertainty of one line of the budget, (P,); zero where there is none."""
    found = (line.standard_uncertainty_db for line in band.budget if line.name == name)
    return np.asarray(next(found, np.zeros_like(band.frequency_hz)))


def _of_parts(
    expected: Sequence[ExpectedLoss], kept: Sequence[slice], frequency_hz: FloatArray
) -> FloatArray:
    """Covariance of the expected loss: every entry errs alike at all frequencies, in the main."""
    own_shape = _smooth_kernel(np.log(frequency_hz), 2.0 * SMOOTH_OVER)
    by_entry: dict[str, FloatArray] = {}
    for place, part in enumerate(expected[0].parts):
        u = _joined([band.parts[place].standard_uncertainty_db for band in expected], kept)
        # parts of one entry err alike
        by_entry[part.entry.name] = by_entry.get(part.entry.name, np.zeros_like(u)) + u
    total = np.zeros((len(frequency_hz), len(frequency_hz)))
    for u in by_entry.values():
        total += np.outer(u, u) + _scaled(SHARE_OF_OWN_SHAPE * u, own_shape)
    return total


def _of_good_reflections(frequency_hz: FloatArray, tau_s: float) -> FloatArray:
    """Two good reflections r: ripple of 2 r^2 nepers from crest to trough, and a smooth loss."""
    magnitude = GOOD_REFLECTION[0] + GOOD_REFLECTION[1] * frequency_hz / 1e9
    ripple_db = DB_PER_NEPER * magnitude**2 / np.sqrt(2.0)
    smooth = _smooth_kernel(np.log(frequency_hz), SMOOTH_OVER)
    return np.asarray(
        _scaled(ripple_db, _rippled_kernel(frequency_hz, tau_s)) + _scaled(ripple_db, smooth)
    )


def _smooth_kernel(log_f: FloatArray, over: float) -> FloatArray:
    return np.asarray(np.exp(-0.5 * (np.subtract.outer(log_f, log_f) / over) ** 2))


def _rippled_kernel(frequency_hz: FloatArray, tau_s: float) -> FloatArray:
    """Correlation of ripples whose path differences are anything up to the item and back.

    The mean of cos(2 pi df t) over 0 < t < T is sin(2 pi df T) / (2 pi df T).
    """
    apart_hz = np.subtract.outer(frequency_hz, frequency_hz)
    return np.asarray(np.sinc(2.0 * apart_hz * 2.2 * tau_s))


def _scaled(u: FloatArray, correlation: FloatArray) -> FloatArray:
    return np.asarray(u[:, None] * correlation * u[None, :])


def _delay_error(
    expected: ExpectedLoss, delay: MeasuredDelay | None, tau_s: float, joints: int
) -> tuple[float | None, float]:
    """Relative error of the delay and what a sound item leaves open of it."""
    square = (DELAY_OF_A_JOINT_S * np.sqrt(joints + 1.0)) ** 2
    has_cable = False
    for part in expected.parts:
        if isinstance(part.entry, Cable):
            has_cable = True
            stated = part.entry.velocity_factor
            value, u = USUAL_VELOCITY if stated is None else (stated.value, stated.uncertainty)
            piece = part.part.count * (part.part.length_m or 0.0)
            square += (piece / value / SPEED_OF_LIGHT_M_PER_S * u / value) ** 2
    if delay is None or not has_cable:
        return None, 0.0
    u_s = np.sqrt(square + delay.standard_uncertainty_s**2)
    return (delay.delay_s - tau_s) / tau_s, float(u_s / tau_s)

"""What faults do to the loss over frequency: named shapes, each with what is usual of its size.

A candidate is a linear model of the residual, with a normal prior of each of its coefficients.
Where a fault is not linear in what it is made of, a grid of candidates stands for it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.diagnosis.finding import Fault
from harness.analysis.diagnosis.observation import Observation
from harness.analysis.several_runs.delay import SPEED_OF_LIGHT_M_PER_S
from harness.analysis.units import DB_PER_NEPER

IMPEDANCE_OHM = 50.0
USUAL_SPREAD_OF_A_SIZE = 0.15
"""Relative: of a shape whose size its particulars fix, since the grid of these is coarse."""
SKIN_LOSS_DB = 0.1
"""At 1 GHz, standard deviation: of a bad connector beyond a good one. Twice what its class allows
is rare; what is great in a connector is a contact's resistance (common practice, no source)."""
OTHER_CABLES_DELAY = 0.12
"""Relative standard deviation of the delay of some other cable of that length (from memory)."""


FEWEST_PERIODS = 0.8
"""Of a ripple in the widest band: with fewer it is no ripple but a slope."""


@dataclass(frozen=True)
class Family:
    """Candidates of one fault that differ in particulars which are not linear. G candidates,
    N frequencies and, as the last row, the relative delay; p coefficients."""

    fault: Fault
    name: str
    design: FloatArray
    """(G, N + 1, p)"""
    usual: FloatArray
    """(p,) mean of each coefficient beforehand."""
    spread: FloatArray
    """(p,) standard deviation beforehand."""
    freedom: int
    """Coefficients that are free, with the particulars that the grid adapts."""
    trials: float
    """How many independent candidates there are to be lucky with."""
    particulars: dict[str, FloatArray]
    """(G,) each: SI, the unit at the end of the name."""


def families(seen: Observation) -> Iterator[Family]:
    """All shapes that this observation could tell."""
    if seen.cable_length_m > 0.0:
        yield _cable(seen)
        yield _length(seen)
    yield _contact(seen)
    yield _gap(seen)
    yield _outer_contact(seen)
    ripple = _ripple(seen)
    if ripple is not None:
        yield ripple
    if seen.cable_length_m > 0.0:
        notch = _notch(seen)
        if notch is not None:
            yield notch


def _with_delay(shape: FloatArray, delay: float = 0.0) -> FloatArray:
    """(..., N) with the row of the delay at its end."""
    last = np.full((*shape.shape[:-1], 1), delay)
    return np.concatenate([shape, last], axis=-1)


def _middle_hz(seen: Observation) -> float:
    return float(np.exp(np.mean(np.log(seen.frequency_hz))))


def _cable(seen: Observation) -> Family:
    """Loss per metre: so much more in the conductors, so much more in the dielectric.

    The dielectric's column has the size of the conductors' in the middle of the band.
    """
    ghz = seen.frequency_hz / 1e9
    per_root = float(np.mean(seen.conductor_db / np.sqrt(ghz)))
    linear = per_root * ghz / np.sqrt(_middle_hz(seen) / 1e9)
    columns = [_with_delay(seen.cable_db), _with_delay(linear)]
    usual_spread = [1.0, 4.0]
    if seen.delay_error is not None:
        columns.append(_with_delay(np.zeros_like(ghz), 1.0))
        usual_spread.append(OTHER_CABLES_DELAY)
    return Family(
        Fault.CABLE, "loss per metre", np.stack(columns, axis=-1)[None], np.zeros(len(columns)),
        np.array(usual_spread), len(columns), 1.0, {},
    )  # fmt: skip


def _length(seen: Observation) -> Family:
    """Longer or shorter: loss and delay in proportion. Without delay it is as good a cable that
    loses more."""
    design = _with_delay(seen.cable_db, 1.0)[None, :, None]
    fault = Fault.CABLE if seen.delay_error is None else Fault.LENGTH
    return Family(fault, "length", design, np.zeros(1), np.array([0.5]), 1, 1.0, {})


def _contact(seen: Observation) -> Family:
    """Resistance of a contact, flat; and skin-effect loss, with the square root of frequency."""
    root = np.sqrt(seen.frequency_hz / 1e9)
    design = np.stack([_with_delay(np.ones_like(root)), _with_delay(root)], axis=-1)[None]
    return Family(
        Fault.CONNECTOR, "contact", design, np.zeros(2), np.array([1.0, SKIN_LOSS_DB]), 2, 1.0, {}
    )  # fmt: skip


def _series_db(impedance_ohm: FloatArray | np.ndarray) -> FloatArray:
    """Loss of an impedance in series between matched ends: |1 + Z / (2 Z0)| (textbook)."""
    return np.asarray(20.0 * np.log10(np.abs(1.0 + impedance_ohm / (2.0 * IMPEDANCE_OHM))))


def _gap(seen: Observation) -> Family:
    """A gap in the inner conductor, bridged by a bad contact: resistance beside capacitance."""
    omega = 2.0 * np.pi * seen.frequency_hz
    resistance, capacitance = (
        grid.ravel()
        for grid in np.meshgrid(np.geomspace(4.0, 20e3, 24), np.geomspace(0.1e-12, 10e-12, 20))
    )
    z = 1.0 / (1.0 / resistance[:, None] + 1j * omega * capacitance[:, None])
    return _fixed_size(
        "gap", _series_db(z), {"resistance_ohm": resistance, "capacitance_f": capacitance}
    )


def _outer_contact(seen: Observation) -> Family:
    """An outer conductor that only touches: resistance and inductance, one after the other.

    A shunt capacitance, as of one squeezed place, loses with the same shape as an inductance.
    """
    omega = 2.0 * np.pi * seen.frequency_hz
    resistance, inductance = (
        grid.ravel()
        for grid in np.meshgrid(
            np.concatenate([[0.0], np.geomspace(0.2, 60.0, 14)]), np.geomspace(0.2e-9, 8e-9, 16)
        )
    )
    z = resistance[:, None] + 1j * omega * inductance[:, None]
    return _fixed_size(
        "outer contact", _series_db(z), {"resistance_ohm": resistance, "inductance_h": inductance}
    )


def _fixed_size(name: str, shapes: FloatArray, particulars: dict[str, FloatArray]) -> Family:
    return Family(
        Fault.CONNECTOR, name, _with_delay(shapes)[:, :, None], np.ones(1),
        np.array([USUAL_SPREAD_OF_A_SIZE]), 3, 4.0, particulars,
    )  # fmt: skip


def longest_path_s(seen: Observation) -> float:
    """Longest path difference whose ripple the points still resolve."""
    steps = np.diff(seen.frequency_hz)[np.diff(seen.band) == 0.0]
    steps = steps[steps > 0.0]
    return 0.4 / float(np.max(steps)) if len(steps) else 0.0


def widest_span_hz(seen: Observation) -> float:
    """Width of the widest band."""
    return max(
        float(np.ptp(seen.frequency_hz[seen.band == number])) for number in np.unique(seen.band)
    )


def _ripple(seen: Observation) -> Family | None:
    """Two equal reflections: what they send back, and its ripple with the path between them.

    Reflections that rise with frequency (short irregularities) or not at all.
    """
    span = widest_span_hz(seen)
    longest = min(2.2 * seen.delay_s, longest_path_s(seen))
    if span * longest <= FEWEST_PERIODS:
        return None
    shortest = FEWEST_PERIODS / span
    whole = float(np.ptp(seen.frequency_hz))
    delays = np.arange(shortest, longest, 0.25 / whole)
    turns = 2.0 * np.pi * seen.frequency_hz * delays[:, None]
    designs, kept = [], []
    for power in (0.0, 1.0, 2.0):
        weight = (seen.frequency_hz / seen.frequency_hz.max()) ** power
        steady = np.broadcast_to(weight, turns.shape)
        columns = [steady, weight * np.cos(turns), weight * np.sin(turns)]
        designs.append(np.stack([_with_delay(c) for c in columns], axis=-1))
        kept.append(np.full(len(delays), power))
    return Family(
        Fault.RIPPLE, "ripple", np.concatenate(designs), np.zeros(3), np.full(3, 0.7), 4,
        max(1.0, (longest - shortest) * whole),
        {"path_delay_s": np.tile(delays, 3), "power": np.concatenate(kept)},
    )  # fmt: skip


def _notch(seen: Observation) -> Family | None:
    """Many small reflections in step: what passes a stretch coupled to its way back.

    With detuning d = 2 pi (f - f0) t and coupling k over a stretch of delay t, loss is
    10 log10(1 + k^2 sinh^2(s) / s^2), s^2 = k^2 - d^2 (coupled waves, textbook). Irregularities
    with a half period of each sign do the same again at the third harmonic.
    """
    grid = seen.frequency_hz
    width = 0.5 / seen.delay_s
    centres = np.concatenate(
        [
            np.arange(own.min(), own.max() + width / 4.0, width / 4.0)
            for own in (grid[seen.band == n] for n in np.unique(seen.band))
            if np.ptp(own) > width
        ]
        or [np.zeros(0)]
    )
    if not len(centres):
        return None
    share, coupling = np.array([0.5, 0.7, 1.0]), np.geomspace(0.2, 4.0, 6)
    f0, s, k = (g.ravel() for g in np.meshgrid(centres, share, coupling, indexing="ij"))
    alone = _stop_band(grid, f0, s * seen.delay_s, k)
    repeats = 3.0 * f0 <= grid.max()
    again = _stop_band(grid, 3.0 * f0[repeats], s[repeats] * seen.delay_s, k[repeats])
    shapes = np.concatenate([alone, alone[repeats] + again])
    particulars = {
        "frequency_hz": np.concatenate([f0, f0[repeats]]),
        "coupling": np.concatenate([k, k[repeats]]),
        "share": np.concatenate([s, s[repeats]]),
    }
    return Family(
        Fault.NOTCH, "notch", _with_delay(shapes)[:, :, None], np.ones(1), np.array([0.4]), 3,
        2.0 * len(centres), particulars,
    )  # fmt: skip


def _stop_band(
    frequency_hz: FloatArray, centre_hz: FloatArray, delay_s: FloatArray, coupling: FloatArray
) -> FloatArray:
    """Loss in dB of G stop bands at N frequencies, (G, N)."""
    detuning = 2.0 * np.pi * (frequency_hz - centre_hz[:, None]) * delay_s[:, None]
    square = coupling[:, None] ** 2 - detuning**2
    root = np.sqrt(np.abs(square))
    safe = np.maximum(root, 1e-9)
    over = np.where(square > 0.0, np.sinh(safe) / safe, np.sin(safe) / safe)
    return np.asarray(DB_PER_NEPER / 2.0 * np.log1p((coupling[:, None] * over) ** 2))


def distance_m(seen: Observation, path_delay_s: float) -> float:
    """Distance of two reflections whose ripple has the period 1 / path_delay: c vf / (2 period)."""
    return path_delay_s * SPEED_OF_LIGHT_M_PER_S * seen.velocity_factor / 2.0


def period_m(seen: Observation, notch_hz: float) -> float:
    """Period of the irregularities of a line that does not pass `notch_hz`: c vf / (2 f)."""
    return SPEED_OF_LIGHT_M_PER_S * seen.velocity_factor / (2.0 * notch_hz)

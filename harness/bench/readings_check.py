"""What a sweep must be before it is stored as good.

Settings that were clipped, RF that went off and answers of the wrong size are the drivers' to
find; here every sweep is looked at once more, whoever made it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from drivers.instruments.reading_step import step_db
from drivers.sweep import SuspectSweepError, Sweep, UnsettledError, can_be_ratios
from harness.analysis.loss.agreement import largest_change
from harness.analysis.loss.loss import level_db, transmission_row

AXIS_TOLERANCE = 1e-6
"""Relative to the frequency."""
FLOOR_TOLERANCE_DB = 0.01
FAINTEST_RATIO = 1e-30
LARGEST_GAIN_DB = 10.0
"""Of leads and item together, which are passive."""


def transmission_of(sweep: Sweep) -> NDArray[np.complex128]:
    """The trace that went through what is between the leads, (P,)."""
    return np.asarray(sweep.readings[transmission_row(sweep.traces)])


def transmission_level_db(sweep: Sweep) -> NDArray[np.float64]:
    """Its level, (P,) in dB; a reading of nothing is taken as one that is very small."""
    size = np.maximum(np.abs(transmission_of(sweep)), FAINTEST_RATIO)
    return level_db(size.astype(np.complex128))


def require_plausible(
    sweep: Sweep, traces: Sequence[str], frequency_hz: NDArray[np.float64], floor_db: float
) -> None:
    """Check a sweep against the traces and points (P,) that were asked for.

    `floor_db` is the ratio at which the receiver reads nothing but itself.

    Raises:
        SuspectSweepError: it cannot be what it should be; names the remedy.
    """
    # in this order: each looks at what those before it have let through
    for check in (
        partial(_wrong_count, sweep, traces, len(frequency_hz)),
        partial(_wrong_axis, sweep, frequency_hz),
        partial(_no_numbers, sweep),
        partial(_overload, sweep),
        partial(_gain, sweep),
        partial(at_the_floor, sweep, floor_db),
    ):
        fault, remedy = check()
        if fault:
            raise SuspectSweepError(fault, sweep, hint=remedy)


def require_agreement(sweeps: Sequence[Sweep], floor_db: float, settling_db: float) -> None:
    """Check that sweeps of one connection, made one after the other, agree.

    `settling_db` is what the connection may change from one to the next; the step in which the
    readings are told comes on top.

    Raises:
        UnsettledError: they do not; carries the last of them.
    """
    if len(sweeps) < 2:
        return
    levels_db = np.stack([transmission_level_db(sweep) for sweep in sweeps])
    change = largest_change(levels_db, floor_db, settling_db)
    if not change.is_explained:
        # a level that drifts over the edge of a step takes its neighbours along
        step = min(step_db(transmission_of(sweep)) for sweep in sweeps)
        change = largest_change(levels_db, floor_db, settling_db + step)
    if not change.is_explained:
        raise UnsettledError(
            f"sweeps {change.sweep + 1} and {change.sweep + 2} of one connection differ by "
            f"{change.change_db:.3f} dB at {sweeps[0].frequency_hz[change.point] / 1e6:.6g} MHz, "
            f"where noise and settling explain {change.explained_db:.3f} dB",
            sweeps[-1],
            hint="tighten both ends and leave the leads alone while it sweeps: a contact may be "
            "loose, or open and close. If they are sound, the instrument is read before its sweep "
            "is over, or averages earlier sweeps in: see `completion` under [sweep] and `restart` "
            "under [averaging] in the dialect",
        )


def fits(sweep: Sweep, traces: Sequence[str], points: int) -> bool:
    """Whether a sweep has the shape of those in a run file, so that it can be kept there."""
    return tuple(sweep.traces) == tuple(traces) and sweep.readings.shape == (len(traces), points)


def _wrong_count(sweep: Sweep, traces: Sequence[str], points: int) -> tuple[str, str]:
    if fits(sweep, traces, points) and sweep.frequency_hz.shape == (points,):
        return "", ""
    return (
        f"a sweep came with {', '.join(sweep.traces)} at {sweep.readings.shape[-1]} points instead "
        f"of {', '.join(traces)} at {points}",
        "somebody may have changed the number of points at the front panel; otherwise check the "
        "data format commands of the dialect",
    )


def same_points(frequency_hz: NDArray[np.float64], wanted_hz: NDArray[np.float64]) -> bool:
    """Whether two axes, of any lengths, are the same but for rounding."""
    return frequency_hz.shape == wanted_hz.shape and not np.any(_away(frequency_hz, wanted_hz))


def _away(frequency_hz: NDArray[np.float64], wanted_hz: NDArray[np.float64]) -> NDArray[np.bool_]:
    return np.abs(frequency_hz - wanted_hz) > AXIS_TOLERANCE * np.abs(wanted_hz)


def _wrong_axis(sweep: Sweep, frequency_hz: NDArray[np.float64]) -> tuple[str, str]:
    if same_points(sweep.frequency_hz, frequency_hz):
        return "", ""
    first = int(np.argmax(_away(sweep.frequency_hz, frequency_hz)))
    return (
        f"point {first + 1} of a sweep is at {sweep.frequency_hz[first]:.9g} Hz instead of "
        f"{frequency_hz[first]:.9g} Hz",
        "the instrument does not sweep what it was set to: check the frequency commands of the "
        "dialect, and the spacing of the band",
    )


def _no_numbers(sweep: Sweep) -> tuple[str, str]:
    wrong = np.any(~can_be_ratios(sweep.readings), axis=0)
    if not np.any(wrong):
        return "", ""
    return (
        f"{np.count_nonzero(wrong)} of {len(wrong)} points of a sweep are no numbers that a "
        "receiver can read",
        "look at the trace on the instrument; if it is sound there, check the data format and the "
        "byte order in the dialect",
    )


def _overload(sweep: Sweep) -> tuple[str, str]:
    if not sweep.overloaded:
        return "", ""
    return (
        "the receiver says that it is overloaded, so its readings are too low",
        "lower `power` in the station file, or put a pad before the receiver and normalize anew",
    )


def _gain(sweep: Sweep) -> tuple[str, str]:
    largest_db = float(20.0 * np.log10(max(np.abs(transmission_of(sweep)).max(), FAINTEST_RATIO)))
    if largest_db < LARGEST_GAIN_DB:
        return "", ""
    return (
        f"a sweep reads {largest_db:.0f} dB more than was sent, which nothing passive does",
        "does the receiver tell its readings in the unit that the dialect states, and does nobody "
        "else set the source?",
    )


def at_the_floor(sweep: Sweep, floor_db: float) -> tuple[str, str]:
    """Why a sweep is nothing but noise, and what to do about it; empty if it is more."""
    median_db = float(np.median(transmission_level_db(sweep)))
    if median_db > floor_db + FLOOR_TOLERANCE_DB:
        return "", ""
    return (
        f"a sweep reads {median_db:.0f} dB, below the receiver's floor of {floor_db:.0f} dB: "
        "there is no signal in it",
        "is RF on, is the connection made, is the item whole, or was it read before the sweep was "
        "over? If it really loses that much, raise `power`, narrow the bandwidth, or take pads out",
    )


def points_at_the_floor(sweep: Sweep, floor_db: float) -> int:
    """How many points of a plausible sweep are nothing but noise all the same."""
    return int(np.count_nonzero(transmission_level_db(sweep) <= floor_db + FLOOR_TOLERANCE_DB))

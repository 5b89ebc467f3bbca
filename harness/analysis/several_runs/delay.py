"""Delay and electrical length from the phase of an item's transmission over the through's.

Phase is known up to whole turns. From point to point it can be followed only if what is not
foreseen of it turns by less than half; what is foreseen comes from the stated length.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray
from harness.analysis.uncertainty.budget import coverage_factor
from harness.analysis.units import DB_PER_NEPER

SPEED_OF_LIGHT_M_PER_S = 299_792_458.0
"""Exact (SI)."""
LARGEST_UNFORESEEN_TURN = 0.45
"""Turns from one point to the next; a half would be undecidable, the rest is for noise."""
SLOPE_OF_A_RIPPLE = 2.6
"""Largest slope over a band that a straight line finds in a ripple of amplitude 1 and any period,
times the band's width: max over k of 12 times the integral of x sin(k x) over -1/2..1/2."""


class UndecidableTurnsError(ValueError):
    """The points are too far apart, or too little is foreseen, to follow the phase."""


@dataclass(frozen=True)
class ForeseenDelay:
    """What is known of a delay beforehand: it lies within these limits."""

    delay_s: float
    limits_s: float
    """Half-width."""

    @classmethod
    def from_length(cls, length_m: float, limits_m: float) -> ForeseenDelay:
        """Of a line of stated length, of which no more is known than that it is no faster than
        light and no slower than in a dielectric of permittivity 4."""
        slowest = 2.0 * (length_m + limits_m) / SPEED_OF_LIGHT_M_PER_S
        fastest = max(length_m - limits_m, 0.0) / SPEED_OF_LIGHT_M_PER_S
        return cls((slowest + fastest) / 2.0, (slowest - fastest) / 2.0)


@dataclass(frozen=True)
class Delay:
    """Delay of an item over that of the through, in one band."""

    delay_s: float
    standard_uncertainty_s: float
    effective_dof: float
    phase_turns: FloatArray
    """(P,) turns of phase lag, whole turns included as far as the slope tells them."""
    largest_step_turns: float
    """Largest unforeseen change from one point to the next."""

    @property
    def expanded_uncertainty_s(self) -> float:
        """At the usual coverage probability."""
        return float(coverage_factor(self.effective_dof)) * self.standard_uncertainty_s

    @property
    def electrical_length_m(self) -> float:
        """Length in vacuum of the same delay."""
        return self.delay_s * SPEED_OF_LIGHT_M_PER_S


@dataclass(frozen=True)
class VelocityFactor:
    """Speed on the line over that of light."""

    value: float
    standard_uncertainty: float
    dof: float

    @property
    def expanded_uncertainty(self) -> float:
        """At the usual coverage probability."""
        return float(coverage_factor(self.dof)) * self.standard_uncertainty


def require_decidable(frequency_hz: FloatArray, foreseen: ForeseenDelay | None) -> None:
    """Make sure that the phase can be followed from point to point of (P,) frequencies.

    Raises:
        UndecidableTurnsError: it cannot; says why, and what grid could be followed.
    """
    if foreseen is None:
        raise UndecidableTurnsError(
            "no length is stated, so the turns of phase between two points cannot be known"
        )
    step_hz = float(np.diff(frequency_hz).max())
    turns = foreseen.limits_s * step_hz
    if turns > LARGEST_UNFORESEEN_TURN:
        finest = LARGEST_UNFORESEEN_TURN / foreseen.limits_s
        raise UndecidableTurnsError(
            f"between two points, {step_hz / 1e6:.4g} MHz apart, the phase may turn by "
            f"{turns:.2g} turns more or less than the stated length foresees, and from a half on "
            f"nobody can tell; points at most {finest / 1e6:.3g} MHz apart could be followed"
        )


def measured_delay(
    frequency_hz: FloatArray,
    through: ComplexArray,
    item: ComplexArray,
    mismatch_db: FloatArray,
    foreseen: ForeseenDelay | None,
) -> Delay:
    """Delay from the mean of the through (P,) and that of each insertion of the item (I, P).

    The delay is the slope of phase over the band. Its uncertainty holds the scatter of the
    insertions and the mismatch of the band: an unknown reflection of standard uncertainty
    `mismatch_db` (P,) shifts the phase by as many nepers in radians (JCGM 100:2008, 5.1, on the
    complex ratio), and as a ripple over the band it tilts it at worst by `SLOPE_OF_A_RIPPLE`.

    Raises:
        UndecidableTurnsError: the turns cannot be told, or nothing tells how sure they are.
    """
    require_decidable(frequency_hz, foreseen)
    if foreseen is None:
        raise AssertionError("checked above")
    turned = item / through * np.exp(2j * np.pi * frequency_hz * foreseen.delay_s)
    # of an insertion the lead's bend is a slope of its own; each is followed by itself
    rest = -np.unwrap(np.angle(turned), axis=1) / (2.0 * np.pi)
    step = float(np.abs(np.diff(rest, axis=1)).max())
    if step > LARGEST_UNFORESEEN_TURN:
        raise UndecidableTurnsError(
            f"the phase jumps by {step:.2f} turns between two points: too noisy to be followed, "
            "or the item is not as long as stated"
        )
    slopes = _slopes(frequency_hz, rest)
    delays = slopes + foreseen.delay_s
    span_hz = float(frequency_hz[-1] - frequency_hz[0])
    of_mismatch = tilt_of_ripple_s(float(np.max(mismatch_db)), span_hz)
    count = len(delays)
    of_scatter = float(np.std(delays, ddof=1) / np.sqrt(count)) if count > 1 else 0.0
    whole = float(np.hypot(of_mismatch, of_scatter))
    if whole == 0.0:
        raise UndecidableTurnsError(
            "nothing tells how the phase errs; insert the item more than once"
        )
    dof = np.inf if of_scatter == 0.0 else (count - 1) * (whole / of_scatter) ** 4
    delay_s = float(np.mean(delays))
    return Delay(delay_s, whole, dof, _lag(frequency_hz, rest, delay_s, foreseen), step)


def tilt_of_ripple_s(ripple_db: float, span_hz: float) -> float:
    """Delay that a ripple of that standard uncertainty may feign over a band, at worst: an unknown
    reflection turns the phase by as many radians as it changes the level in nepers."""
    return float(SLOPE_OF_A_RIPPLE * ripple_db / DB_PER_NEPER / (2.0 * np.pi * span_hz))


def _slopes(frequency_hz: FloatArray, turns: FloatArray) -> FloatArray:
    """Slope of each row (I, P) against frequency, (I,) in seconds."""
    centred = frequency_hz - frequency_hz.mean()
    return np.asarray(turns @ centred / np.sum(centred**2))


def _lag(
    frequency_hz: FloatArray, rest: FloatArray, delay_s: float, foreseen: ForeseenDelay
) -> FloatArray:
    """Mean phase lag in turns; the whole turns are those nearest to what the delay says."""
    lag = rest[0] + frequency_hz * foreseen.delay_s
    middle = len(frequency_hz) // 2
    whole = np.round(delay_s * frequency_hz[middle] - lag[middle])
    return np.asarray(lag + whole)


def combined_delay(delays: list[Delay]) -> Delay:
    """The same item's delay from several bands, weighed by their uncertainties.

    What errs in all of them together is not reduced: the uncertainty is that of the best band.
    """
    weights = np.array([1.0 / d.standard_uncertainty_s**2 for d in delays])
    best = delays[int(np.argmax(weights))]
    mean = float(weights @ [d.delay_s for d in delays] / weights.sum())
    return Delay(
        mean, best.standard_uncertainty_s, best.effective_dof, best.phase_turns,
        max(d.largest_step_turns for d in delays),
    )  # fmt: skip


def velocity_factor(
    delay: Delay, length_m: float, length_limits_m: float, other_delay_limits_s: float = 0.0
) -> VelocityFactor:
    """Speed over the stated length, as a share of that of light.

    `other_delay_limits_s` is the most that connectors and the through may add or take away;
    limits are rectangular.

    Raises:
        ValueError: the delay is not above zero, so it is not that of a length.
    """
    if delay.delay_s <= 0.0:
        raise ValueError(f"a delay of {delay.delay_s * 1e12:.3g} ps belongs to no length")
    value = length_m / (delay.delay_s * SPEED_OF_LIGHT_M_PER_S)
    of_delay = np.hypot(delay.standard_uncertainty_s, other_delay_limits_s / np.sqrt(3.0))
    of_length = length_limits_m / np.sqrt(3.0) / length_m
    relative = float(np.hypot(of_delay / delay.delay_s, of_length))
    return VelocityFactor(value, abs(value) * relative, delay.effective_dof)


@dataclass(frozen=True)
class LengthByDelay:
    """How long a line is by its delay, if its velocity factor is as stated."""

    length_m: float
    expanded_uncertainty_m: float
    velocity_factor: float

    def normalized_error(self, stated_m: float, limits_m: float) -> float:
        """Of the length against the stated one within its limits (ISO 13528:2015, 9.7)."""
        together = float(np.hypot(self.expanded_uncertainty_m, limits_m))
        return (self.length_m - stated_m) / together


def length_by_delay(
    delay: Delay, velocity_factor: float, velocity_uncertainty: float, other_limits_m: float
) -> LengthByDelay:
    """Length from delay and a stated velocity factor with its standard uncertainty.

    `other_limits_m` is the most electrical length that connectors and the through may add or
    take away (rectangular).
    """
    length_m = delay.electrical_length_m * velocity_factor
    of_delay = delay.standard_uncertainty_s * SPEED_OF_LIGHT_M_PER_S * velocity_factor
    of_velocity = delay.electrical_length_m * velocity_uncertainty
    of_others = other_limits_m * velocity_factor / np.sqrt(3.0)
    u = float(np.sqrt(of_delay**2 + of_velocity**2 + of_others**2))
    with np.errstate(divide="ignore"):
        dof = delay.effective_dof * float(np.divide(u, of_delay)) ** 4
    return LengthByDelay(length_m, float(coverage_factor(dof)) * u, velocity_factor)


def delay_within_conductors(
    conductor_loss_db_per_m: FloatArray, frequency_hz: FloatArray
) -> FloatArray:
    """What the field within the conductors adds to the group delay of a line, s/m; shapes (P,).

    With a well developed skin effect a conductor's internal reactance equals its resistance, so
    it adds to the phase constant as many radians as to the attenuation constant nepers (textbook).
    As both rise with the square root of frequency, the group delay is half of that over omega.
    """
    nepers = conductor_loss_db_per_m / DB_PER_NEPER
    return np.asarray(nepers / (2.0 * 2.0 * np.pi * frequency_hz))


def velocity_factor_from_lengths(
    length_m: FloatArray,
    length_limits_m: FloatArray,
    delays: list[Delay],
    common_s_per_m: float = 0.0,
) -> VelocityFactor:
    """From several lengths of one cable: the slope of delay against length, in which connectors
    and through fall out; all arguments have N entries, of at least two lengths.

    `common_s_per_m` is the standard uncertainty of what was taken off every metre's delay.

    Raises:
        ValueError: all lengths are the same, or the delay does not rise with them.
    """
    if len(np.unique(length_m)) < 2:
        raise ValueError("the speed on a cable needs at least two different lengths")
    measured = np.array([d.delay_s for d in delays])
    own = np.array([d.standard_uncertainty_s for d in delays])
    design = np.column_stack([length_m, np.ones_like(length_m)])
    slope = float(np.polyfit(length_m, measured, 1)[0])
    u = np.hypot(own, abs(slope) * length_limits_m / np.sqrt(3.0))
    scaled = design / u[:, None]
    gain = np.linalg.pinv(scaled)
    slope = float(gain[0] @ (measured / u))
    if slope <= 0.0:
        raise ValueError("the delay does not rise with length: are lengths or items mixed up?")
    of_slope = float(np.hypot(np.linalg.norm(gain[0]), common_s_per_m))
    value = 1.0 / (slope * SPEED_OF_LIGHT_M_PER_S)
    dof = float(min(d.effective_dof for d in delays))
    return VelocityFactor(value, value * of_slope / slope, dof)

"""One band as values: what was read in it, what is known of the bench, what is stated of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray, IntArray
from harness.analysis.loss.loss import transmission_row
from harness.analysis.loss.pooling import PooledRepeatability
from harness.analysis.stability.loss_series import LossSeries
from harness.analysis.stability.stability import Stability, stability_of
from harness.analysis.uncertainty.budget import Contribution
from harness.analysis.uncertainty.conformity import Decision

FIRST_RULES, RULES = 1, 3
"""By which figures follow from readings. A run keeps those that it was begun under, so that what
was said of it stays said: the first ones (`first_rules`), and those of today. By the second ones
a reflection that nobody knows was total, and a zero that moved by a stated most and a step of the
readings was marked; otherwise they were those of today."""

Method = Literal["gum", "monte carlo"]
"""How a budget becomes an interval: JCGM 100:2008, or JCGM 101:2008."""


class BandMeans(Protocol):
    """What is asked of the readings of a band beyond their losses; P frequencies, S traces."""

    @property
    def frequency_hz(self) -> FloatArray:
        """(P,)"""

    @property
    def traces(self) -> tuple[str, ...]:
        """S names."""

    @property
    def transmission(self) -> int:
        """Row of the transmission."""

    @property
    def is_scalar(self) -> bool:
        """Whether only the magnitude of the transmission was measured."""

    def trace(self, name: str) -> int | None:
        """Row of a trace, or None where it was not measured."""

    @property
    def through_mean(self) -> ComplexArray:
        """(S, P) over all sweeps of the through."""

    @property
    def opening_mean(self) -> ComplexArray:
        """(S, P) over those of the opening making alone."""

    @property
    def item_mean(self) -> ComplexArray:
        """(S, P) over all sweeps of the item."""

    @property
    def item_transmission(self) -> ComplexArray:
        """(I, P) mean transmission of each insertion."""


@dataclass(frozen=True)
class _Traces:
    """Frequencies and traces of a band, and which of them is the transmission."""

    frequency_hz: FloatArray
    """(P,)"""
    traces: tuple[str, ...]
    """S names."""

    def trace(self, name: str) -> int | None:
        """Row of a trace, or None where it was not measured."""
        return self.traces.index(name) if name in self.traces else None

    @property
    def transmission(self) -> int:
        """Row of the transmission."""
        return transmission_row(self.traces)

    @property
    def is_scalar(self) -> bool:
        """Whether only the magnitude of the transmission was measured."""
        return self.traces == ("transmission",)


@dataclass(frozen=True)
class BandReadings(_Traces):
    """Raw readings, all at once. P frequencies, S traces, K sweeps of the through, N of the
    item."""

    normalization: ComplexArray
    """(K, S, P)"""
    normalization_time: FloatArray
    """(K,) Unix seconds."""
    normalization_making: IntArray
    """(K,) which making of the through: 0 the opening one."""
    insertions: ComplexArray
    """(N, S, P)"""
    insertion_time: FloatArray
    """(N,)"""
    insertion: IntArray
    """(N,) which insertion."""

    @property
    def through_mean(self) -> ComplexArray:
        """(S, P) over all sweeps of the through."""
        return np.asarray(self.normalization.mean(axis=0))

    @property
    def opening_mean(self) -> ComplexArray:
        """(S, P) over those of the opening making alone."""
        opening = self.normalization_making == self.normalization_making.min()
        return np.asarray(self.normalization[opening].mean(axis=0))

    @property
    def item_mean(self) -> ComplexArray:
        """(S, P) over all sweeps of the item."""
        return np.asarray(self.insertions.mean(axis=0))

    @property
    def item_transmission(self) -> ComplexArray:
        """(I, P) mean transmission of each insertion."""
        transmission = self.insertions[:, self.transmission]
        return np.stack(
            [transmission[self.insertion == i].mean(axis=0) for i in np.unique(self.insertion)]
        )

    @property
    def blocks(self) -> BandBlocks:
        """The same, as one block each."""
        return BandBlocks(
            self.frequency_hz,
            self.traces,
            (self.normalization,),
            self.normalization_time,
            self.normalization_making,
            (self.insertions,),
            self.insertion_time,
            self.insertion,
        )


@dataclass(frozen=True)
class BandBlocks(_Traces):
    """Raw readings of which a block stands in memory at a time; each is gone through once."""

    normalization: Iterable[ComplexArray]
    """Blocks (k, S, P), together K sweeps of the through."""
    normalization_time: FloatArray
    normalization_making: IntArray
    insertions: Iterable[ComplexArray]
    """Blocks (n, S, P), together N sweeps of the item."""
    insertion_time: FloatArray
    insertion: IntArray
    temperature_time: FloatArray | None = None
    """(M,) Unix seconds of temperature readings; None: no sensor."""
    temperature_c: FloatArray | None = None
    """(M,)"""


@dataclass(frozen=True)
class Statements:
    """What the station and the item state of themselves, at the P frequencies of a band."""

    source_reflection: float
    """Largest magnitude looking back into the first lead's end."""
    load_reflection: float
    """Largest magnitude looking into the second lead's end."""
    connection_repeatability_db: float
    """Standard deviation of one making, used where the run cannot tell."""
    through_loss_db: FloatArray
    """(P,) loss of the adapter that closed the through; zeros for a direct joint."""
    through_loss_limits_db: FloatArray
    """(P,) half-width of the limits of that loss."""
    through_reflection: float
    """Magnitude; 0 for a direct joint."""
    item_reflection: float | None = None
    """Largest magnitude of the item's reflections; None: estimated from the readings."""
    drift_db_per_hour: float | None = None
    """Most that the zero moves in an hour; None: only checks can tell."""
    lead_loss_difference_db: float = 0.0
    """Most by which the losses of the two leads, pads included, differ."""
    linearity_db: float | None = None
    """Limits of the receiver's error of a difference of levels; None: not stated."""
    switch_path_difference_db: float | None = None
    """Most by which the switch's own losses to through and to item differ; None: no switch."""
    through_loss_source: str = "station: through.loss_limits_at_1_ghz"
    """Where the loss of the adapter is stated."""
    linearity_per_10_db: float | None = None
    """Limits of that error for every 10 dB between the two levels, beyond `linearity_db`."""
    isolation_db: float | None = None
    """Least loss of what finds its way past leads and item; None: not stated."""
    resolution_db: float | None = None
    """Step of the readings; None: finer than their noise."""
    flexure_db: float | None = None
    """Limits of what moving the leads from through to item does; None: not stated."""
    temperature_limits_k: float = 0.0
    """Half-width of the limits of the temperature."""
    temperature_coefficient_per_k: FloatArray | float = 0.0
    """(P,) or one number: relative change of the item's loss for each kelvin."""
    most_zero_change_db: float | None = None
    """Most that the zero may move from one check to the next; None: not stated."""
    oldest_zero_s: float | None = None
    """Longest time from a check of the zero to a sweep of the item; None: not stated."""
    history: PooledRepeatability | None = None
    """Repeatability of a connection over earlier runs; None: nothing to pool."""
    through_pairs: Literal[1, 2] = 2
    """Mated pairs of the through: one where the leads join directly, else two, as of the item."""
    reflection_tracking_db: float = 0.0
    """Most by which S11 and S22 read lower than S21 would tell of the leads."""
    reflection_tracking_is_stated: bool = True
    bands: int = 1
    """How many bands a run has, which are judged together."""
    rules: int = RULES


@dataclass(frozen=True)
class BandResult:
    """All that is stated of a band. P frequencies, I insertions, M makings of the through."""

    frequency_hz: FloatArray
    """(P,)"""
    insertion_loss_db: FloatArray
    """(P,) positive is loss."""
    standard_uncertainty_db: FloatArray
    """Of the budget, by either method."""
    effective_dof: FloatArray
    """Of the budget, by either method."""
    coverage_factor: FloatArray
    expanded_uncertainty_db: FloatArray
    """Half-width of the smallest interval centred on the loss that has the coverage."""
    interval_low_db: FloatArray
    """Lower end of the shortest coverage interval; loss minus U by the GUM."""
    interval_high_db: FloatArray
    budget: tuple[Contribution, ...]
    insertion_means_db: FloatArray
    """(I, P) the mean loss of each insertion."""
    insertion_time: FloatArray
    """(I,) mean Unix time of each insertion."""
    zero_change_db: FloatArray
    """(M, P) apparent loss of the through at each making, relative to the first (zeros there)."""
    zero_time: FloatArray
    """(M,) mean Unix time of each making."""
    expected_db: FloatArray | None = None
    """(P,) or None when the item does not say what it is made of."""
    expected_expanded_uncertainty_db: FloatArray | None = None
    limit_db: FloatArray | None = None
    decision: Decision | None = None
    """None without a limit."""
    method: Method = "gum"
    trials: int = 0
    """Monte Carlo trials; 0 by the GUM."""
    gum_validated: bool | None = None
    """Whether the GUM's interval agrees with the one of Monte Carlo (JCGM 101:2008, 8.1);
    None where they were not compared."""
    gum_difference_db: FloatArray | None = None
    """(P,) larger of the differences between the ends of the two; None: not compared."""
    zero_marks: tuple[str, ...] = ()
    """What the zero did that the station does not allow; nothing was corrected for it."""
    series: LossSeries | None = None
    """Every sweep of the item; None with fewer than two, or where their times do not rise, and
    in results that are read back."""
    notes: tuple[str, ...] = ()
    """Plain sentences the reader must know, such as a contribution that could not be assessed."""
    doubts: tuple[str, ...] = ()
    """Why there is no verdict, limit or not: plain sentences; empty where nothing is doubted."""
    stability: Stability | None = None
    """How it held over time; None with too few sweeps."""
    published_dof: FloatArray | None = None
    """(P,) effective degrees of freedom by the published formula, beside those that count; None
    under the first rules."""


def stability_of_band(result: BandResult) -> Stability | None:
    """How a band held over time; None with too few sweeps within one insertion."""
    return stability_of(result.series, result.zero_time, result.zero_change_db)

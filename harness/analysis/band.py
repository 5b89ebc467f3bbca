"""One band as values: what was read in it, what is known of the bench, what is stated of it."""

from __future__ import annotations

from dataclasses import dataclass

from harness.analysis.arrays import ComplexArray, FloatArray, IntArray
from harness.analysis.budget import Contribution
from harness.analysis.conformity import Decision


@dataclass(frozen=True)
class BandReadings:
    """Raw readings. P frequencies, S traces, K sweeps of the through, N sweeps of the item."""

    frequency_hz: FloatArray
    """(P,)"""
    traces: tuple[str, ...]
    """S names; the first that is S21, or the only one, is the transmission."""
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

    def trace(self, name: str) -> int | None:
        """Row of a trace, or None where it was not measured."""
        return self.traces.index(name) if name in self.traces else None

    @property
    def transmission(self) -> int:
        """Row of the transmission."""
        row = self.trace("S21")
        return 0 if row is None else row

    @property
    def is_scalar(self) -> bool:
        """Whether only the magnitude of the transmission was measured."""
        return self.traces == ("transmission",)


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


@dataclass(frozen=True)
class BandResult:
    """All that is stated of a band. P frequencies, I insertions, M makings of the through."""

    frequency_hz: FloatArray
    """(P,)"""
    insertion_loss_db: FloatArray
    """(P,) positive is loss."""
    standard_uncertainty_db: FloatArray
    effective_dof: FloatArray
    coverage_factor: FloatArray
    expanded_uncertainty_db: FloatArray
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
    notes: tuple[str, ...] = ()
    """Plain sentences the reader must know, such as a contribution that could not be assessed."""

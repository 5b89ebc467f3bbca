"""What there is to be seen of a run that goes on, as values."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class BandLook:
    """One band of a run that goes on."""

    name: str
    sweeps: int
    """Of the item, those that can be true."""
    last_db: tuple[float, ...]
    """Band means of the last sweeps, against the last check of the zero."""
    mean_db: float | None
    """Over the band, of the run so far; this and the rest None before it can be evaluated."""
    worst_hz: float | None = None
    worst_db: float | None = None
    expanded_uncertainty_db: float | None = None
    limit_db: float | None = None
    standing: str = ""
    zero_change_db: float | None = None
    """From the last but one check of the zero to the last, mean over the band."""


@dataclass(frozen=True)
class Look:
    """What there is to be seen of a run at one time."""

    run_id: str
    item: str
    procedure: str
    started: str
    finished: str
    simulated: bool
    sweeps: int
    """Of through and item in all bands."""
    planned: int | None
    """Sweeps in all; None where that cannot be told."""
    ticks: int | None
    """Ticks of the schedule that are over, and how many it has; None without a schedule."""
    planned_ticks: int | None
    run_time_s: float
    """From its start to what it wrote last, by its own clock."""
    left_s: float | None
    """By its own clock; None where that cannot be told."""
    zero_age_s: float | None
    temperature_c: float | None
    faults: int
    last_fault: str
    last_event: str
    ended: str
    """How it ended unfinished; empty while it goes on."""
    quiet_s: float
    """Time since something was written, by the computer's clock."""
    is_quiet: bool
    """Whether that is longer than it ought to be."""
    bands: tuple[BandLook, ...] = ()
    evaluated_s: float | None = None
    """Age of mean, worst and uncertainty, by the computer's clock."""

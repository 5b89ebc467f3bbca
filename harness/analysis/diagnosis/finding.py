"""What can be wrong with an item, and what was found of it, in figures to look for on it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

TEST = (
    "chi-square improvement over a sound item (generalized least squares, Bonferroni over all "
    "shapes); choice by marginal likelihood"
)


class Fault(Enum):
    """What can be wrong with an item; the value is its name in files."""

    CABLE = "cable-loss"
    LENGTH = "cable-length"
    CONNECTOR = "connector"
    RIPPLE = "two-reflections"
    NOTCH = "notch"


@dataclass(frozen=True)
class Finding:
    """Whether an item is sound by the shape of its loss, and what else it is."""

    is_accused: bool
    """Whether it differs from a sound one by more than chance explains."""
    fault: str | None
    """Name of a `Fault`; None where none is sure enough, or none is needed."""
    form: str
    """Which shape of that fault; of the likeliest where none is named."""
    probability: float
    """Of the likeliest fault, among those that are looked for."""
    false_accusation: float
    """Probability that a sound item looks at least as faulty."""
    frequency_hz: float
    """Where the fault's effect is greatest."""
    effect_db: float
    """What it adds there."""
    has_delay: bool
    """Whether the phase told the delay of the cable."""
    figures: dict[str, float]
    """Of the named fault, SI with the unit at the end of the key."""
    likelihoods: dict[str, float]
    """Probability of every fault that was tried."""
    end: int | None = None
    """Of a faulty connector: 1 or 2, where the reflections tell."""
    test: str = TEST

"""What a chain of cable, connectors and adapters ought to lose, with its uncertainty.

    expected = length x attenuation(f) + connectors + adapters

Entries state a relative standard uncertainty; two connectors of one kind err alike, so parts
of one entry add up before entries are combined.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.budget import coverage_factor
from harness.analysis.catalogue import Cable, Catalogue, UnknownPartError
from harness.analysis.parts import Part

REFERENCE_TEMPERATURE_C = 20.0


@dataclass(frozen=True)
class ExpectedLoss:
    """Nominal loss of a chain; arrays have shape (P,)."""

    loss_db: FloatArray
    standard_uncertainty_db: FloatArray
    by_part_db: dict[str, FloatArray]
    """Loss that each catalogue entry adds, in the order of first mention."""
    sources: tuple[str, ...]
    notes: tuple[str, ...] = ()
    """Plain sentences the reader must know."""

    @property
    def expanded_uncertainty_db(self) -> FloatArray:
        """At the usual coverage probability, for a normal distribution."""
        return np.asarray(coverage_factor(np.inf) * self.standard_uncertainty_db)


def expected_loss(
    chain: Sequence[Part],
    catalogue: Catalogue,
    frequency_hz: FloatArray,
    *,
    temperature_c: float = REFERENCE_TEMPERATURE_C,
    length_limits_m: float = 0.0,
) -> ExpectedLoss:
    """Expected loss of `chain` at `frequency_hz` (P,).

    `length_limits_m` is the half-width of the limits of every cable's length.

    Raises:
        UnknownPartError: the catalogue has no such part, or a length is missing or too much.
    """
    total = np.zeros_like(frequency_hz)
    variance = np.zeros_like(frequency_hz)
    by_part: dict[str, FloatArray] = {}
    relative: dict[str, FloatArray] = {}
    notes: list[str] = []
    sources: list[str] = []
    for part in chain:
        entry = catalogue.find(part.name)
        if isinstance(entry, Cable):
            if part.length_m is None:
                raise UnknownPartError(f"{part.name} is a cable: say how long, as in '450 mm'")
            per_metre = entry.attenuation_db_per_m(frequency_hz, temperature_c)
            loss = part.count * part.length_m * per_metre
            variance += (part.count * per_metre * length_limits_m) ** 2 / 3.0
            if frequency_hz.max() > entry.highest_point_hz:
                end_ghz = entry.highest_point_hz / 1e9
                notes.append(
                    f"Published points of {entry.name} end at {end_ghz:g} GHz; what is expected "
                    "above is extrapolated, with a larger uncertainty."
                )
        else:
            if part.length_m is not None:
                raise UnknownPartError(f"{part.name} is not a cable: it has no length")
            loss = part.count * entry.loss_db(frequency_hz)
        total += loss
        by_part[part.name] = by_part.get(part.name, np.zeros_like(total)) + loss
        relative[part.name] = entry.relative_uncertainty_at(frequency_hz)
        if entry.source not in sources:
            sources.append(entry.source)
    for name, loss in by_part.items():
        variance += (relative[name] * loss) ** 2
    return ExpectedLoss(total, np.sqrt(variance), by_part, tuple(sources), tuple(notes))

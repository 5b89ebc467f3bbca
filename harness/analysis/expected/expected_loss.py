"""What a chain of cable, connectors and adapters ought to lose, with its uncertainty.

    expected = length x attenuation(f) + connectors + adapters

Entries state a relative standard uncertainty; two connectors of one kind err alike, so parts
of one entry add up before entries are combined.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.expected.catalogue_parts import Cable, Catalogue, Joint, UnknownPartError
from harness.analysis.expected.part_list import Part
from harness.analysis.uncertainty.budget import NORMAL_FACTOR

REFERENCE_TEMPERATURE_C = 20.0


@dataclass(frozen=True)
class PartLoss:
    """What one part of a chain adds; arrays have shape (P,)."""

    part: Part
    entry: Cable | Joint
    loss_db: FloatArray
    standard_uncertainty_db: FloatArray
    maximum_db: FloatArray | None
    """None where the catalogue states no maximum."""

    @property
    def expanded_uncertainty_db(self) -> FloatArray:
        """At the usual coverage probability, for a normal distribution."""
        return np.asarray(NORMAL_FACTOR * self.standard_uncertainty_db)


@dataclass(frozen=True)
class ExpectedLoss:
    """Nominal loss of a chain; arrays have shape (P,)."""

    loss_db: FloatArray
    standard_uncertainty_db: FloatArray
    sources: tuple[str, ...]
    notes: tuple[str, ...] = ()
    """Plain sentences the reader must know."""
    parts: tuple[PartLoss, ...] = ()
    """Part by part, in order."""
    beyond_rating: tuple[str, ...] = ()
    """Plain sentences on parts that are not made for so high a frequency."""

    @property
    def expanded_uncertainty_db(self) -> FloatArray:
        """At the usual coverage probability, for a normal distribution."""
        return np.asarray(NORMAL_FACTOR * self.standard_uncertainty_db)

    @property
    def maximum_db(self) -> FloatArray | None:
        """Most that good parts of these kinds may lose; None where one states no maximum."""
        total = np.zeros_like(self.loss_db)
        for part in self.parts:
            if part.maximum_db is None:
                return None
            total += part.maximum_db
        return total


def expected_loss(
    chain: Sequence[Part],
    catalogue: Catalogue,
    frequency_hz: FloatArray,
    *,
    temperature_c: float = REFERENCE_TEMPERATURE_C,
    length_limits_m: float = 0.0,
) -> ExpectedLoss:
    """Expected loss of `chain` at `frequency_hz` (P,).

    `length_limits_m` is the half-width of the limits of every cable's length; a maximum is that
    of the longest.

    Raises:
        UnknownPartError: the catalogue has no such part, or a length is missing or too much.
    """
    total = np.zeros_like(frequency_hz)
    variance = np.zeros_like(frequency_hz)
    spread: dict[str, FloatArray] = {}
    found: list[PartLoss] = []
    sources: list[str] = []
    highest_hz = float(frequency_hz.max())
    for part in chain:
        entry = catalogue.find(part.name)
        if isinstance(entry, Cable):
            loss, own, most = _of_cable(part, entry, frequency_hz, temperature_c, length_limits_m)
        else:
            loss, own, most = _of_joint(part, entry, frequency_hz)
        of_type = entry.relative_uncertainty_at(frequency_hz) * loss
        total += loss
        variance += own**2
        spread[entry.name] = spread.get(entry.name, np.zeros_like(total)) + of_type
        found.append(PartLoss(part, entry, loss, np.hypot(of_type, own), most))
        if entry.source not in sources:
            sources.append(entry.source)
    # parts of one entry err alike: their spreads have been added up, and count as one
    variance += sum((whole**2 for whole in spread.values()), np.zeros_like(variance))
    return ExpectedLoss(
        loss_db=total,
        standard_uncertainty_db=np.sqrt(variance),
        sources=tuple(sources),
        notes=tuple(dict.fromkeys(_notes(found, highest_hz))),
        parts=tuple(found),
        beyond_rating=tuple(dict.fromkeys(_beyond_rating(found, highest_hz))),
    )


def _of_cable(
    part: Part, cable: Cable, frequency_hz: FloatArray, temperature_c: float, limits_m: float
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Loss, standard uncertainty of this piece alone, and most loss; each (P,)."""
    if part.length_m is None:
        raise UnknownPartError(f"{part.name} is a cable: say how long, as in '450 mm'")
    per_metre = cable.attenuation_db_per_m(frequency_hz, temperature_c)
    length_m = part.count * part.length_m
    # limits without further knowledge: rectangular (JCGM 100:2008, 4.3.7)
    of_length = part.count * per_metre * limits_m / np.sqrt(3.0)
    of_warming = length_m * cable.warming_uncertainty_db_per_m(frequency_hz, temperature_c)
    most = cable.maximum_db_per_m(frequency_hz, temperature_c)
    longest_m = part.count * (part.length_m + limits_m)
    return (
        np.asarray(length_m * per_metre),
        np.hypot(of_length, of_warming),
        None if most is None else np.asarray(longest_m * most),
    )


def _of_joint(
    part: Part, joint: Joint, frequency_hz: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    if part.length_m is not None:
        raise UnknownPartError(f"{part.name} is not a cable: it has no length")
    most = joint.maximum_loss_db(frequency_hz)
    return (
        np.asarray(part.count * joint.loss_db(frequency_hz)),
        np.zeros_like(frequency_hz),
        None if most is None else np.asarray(part.count * most),
    )


def _notes(parts: Sequence[PartLoss], highest_hz: float) -> Iterator[str]:
    for part in parts:
        entry = part.entry
        if isinstance(entry, Cable) and highest_hz > entry.highest_point_hz:
            yield (
                f"Published points of {entry.name} end at {entry.highest_point_hz / 1e9:g} GHz; "
                "what is expected above is extrapolated, with a larger uncertainty."
            )


def _beyond_rating(parts: Sequence[PartLoss], highest_hz: float) -> Iterator[str]:
    for part in parts:
        rated = part.entry.rated_frequency
        if rated is not None and highest_hz > rated.value:
            yield f"{part.entry.name} is rated to {rated.value / 1e9:g} GHz only."

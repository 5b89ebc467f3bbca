"""What an ideal bench would find: the truth behind the simulated readings, for validation.

Never visible on the wire.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.construction import Workshop
from drivers.simulated.description import Assembly, BenchDescription

FloatArray = NDArray[np.float64]


def insertion_loss_db(
    description: BenchDescription, item: str, frequency_hz: FloatArray
) -> FloatArray:
    """Matched insertion loss of an item with nominally made connections, shape (P,).

    It is the rise in loss between matched ports when the item is inserted
    (MIL-PRF-39012E, 4.6.23): where the leads join directly, one mating was there before.

    Raises:
        KeyError: there is no such item on this bench.
    """
    workshop = Workshop(description, frequency_hz)
    loss_db = _mated_loss_db(workshop, description.items[item])
    if not description.through.parts:
        loss_db = loss_db - _loss_db(workshop.mating().s)
    return loss_db


def through_loss_db(description: BenchDescription, frequency_hz: FloatArray) -> FloatArray:
    """Matched loss of the adapter that closes the through, zero for a direct joint; (P,)."""
    if not description.through.parts:
        return np.zeros_like(frequency_hz)
    return _mated_loss_db(Workshop(description, frequency_hz), description.through)


def port_match(description: BenchDescription, frequency_hz: FloatArray) -> FloatArray:
    """Magnitude of the reflection seen looking into either lead's end, shape (P,)."""
    lead = Workshop(description, frequency_hz).lead()
    return np.asarray(np.abs(lead.s[:, 1, 1]), dtype=np.float64)


def _mated_loss_db(workshop: Workshop, assembly: Assembly) -> FloatArray:
    body = workshop.assembly(assembly)
    parts = [workshop.mating(), *([] if body is None else [body]), workshop.mating()]
    return _loss_db(workshop.chain(parts).s)


def _loss_db(s: NDArray[np.complex128]) -> FloatArray:
    return np.asarray(-20.0 * np.log10(np.abs(s[:, 1, 0])), dtype=np.float64)

"""What an ideal bench would find: the truth behind the simulated readings, for validation.

Never visible on the wire. An item is taken with nominally made connections and with its
permanent faults; intermittent ones are absent. Temperature is that at the start of the bench's
schedule unless another is given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.described.bench_description import BenchDescription
from drivers.simulated.described.part_tables import Assembly
from drivers.simulated.physics.construction import Workshop

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class Truth:
    """Of one item between matched ports; each array has shape (P,)."""

    insertion_loss_db: FloatArray
    near_reflection: FloatArray
    """Magnitude, seen from the first lead."""
    far_reflection: FloatArray
    group_delay_s: FloatArray
    """Of the item with its connections."""


def truth(
    description: BenchDescription,
    item: str,
    frequency_hz: FloatArray,
    temperature_c: float | None = None,
) -> Truth:
    """Everything about an item at once; `frequency_hz` has shape (P,), rising.

    Raises:
        KeyError: there is no such item on this bench.
    """
    s = scattering(description, item, frequency_hz, temperature_c)
    return Truth(
        insertion_loss_db(description, item, frequency_hz, temperature_c),
        np.abs(s[:, 0, 0]),
        np.abs(s[:, 1, 1]),
        group_delay_s(description, item, frequency_hz, temperature_c),
    )


def insertion_loss_db(
    description: BenchDescription,
    item: str,
    frequency_hz: FloatArray,
    temperature_c: float | None = None,
) -> FloatArray:
    """Matched insertion loss of an item with nominally made connections, shape (P,).

    It is the rise in loss between matched ports when the item is inserted
    (MIL-PRF-39012E, 4.6.23): where the leads join directly, one mating was there before.

    Raises:
        KeyError: there is no such item on this bench.
    """
    loss_db = _loss_db(scattering(description, item, frequency_hz, temperature_c))
    if not description.through.parts:
        workshop = _workshop(description, frequency_hz, temperature_c)
        loss_db = loss_db - _loss_db(workshop.mating().s)
    return loss_db


def scattering(
    description: BenchDescription,
    item: str,
    frequency_hz: FloatArray,
    temperature_c: float | None = None,
) -> ComplexArray:
    """Scattering parameters of an item with its nominally made connections, (P, 2, 2).

    Raises:
        KeyError: there is no such item on this bench.
    """
    workshop = _workshop(description, frequency_hz, temperature_c)
    return _mated(workshop, description.items[item])


def group_delay_s(
    description: BenchDescription,
    item: str,
    frequency_hz: FloatArray,
    temperature_c: float | None = None,
) -> FloatArray:
    """Group delay of an item with its connections: -dphi/domega over 0.01 % of f, shape (P,).

    Raises:
        KeyError: there is no such item on this bench.
    """
    step_hz = 1e-4 * frequency_hz
    below, above = (
        scattering(description, item, frequency_hz + side * step_hz / 2.0, temperature_c)[:, 1, 0]
        for side in (-1.0, 1.0)
    )
    return np.asarray(-np.angle(above / below) / (2.0 * np.pi * step_hz), dtype=np.float64)


def through_loss_db(
    description: BenchDescription,
    frequency_hz: FloatArray,
    temperature_c: float | None = None,
) -> FloatArray:
    """Matched loss of the adapter that closes the through, zero for a direct joint; (P,)."""
    if not description.through.parts:
        return np.zeros_like(frequency_hz)
    workshop = _workshop(description, frequency_hz, temperature_c)
    return _loss_db(_mated(workshop, description.through))


def port_match(
    description: BenchDescription, frequency_hz: FloatArray, port_capacitance_f: float | None = None
) -> FloatArray:
    """Magnitude of the reflection seen looking into either lead's end, shape (P,).

    At the lead's other end is a port with that capacitance: without it the network analyzer's.

    Raises:
        ValueError: no capacitance given and no network analyzer on the bench.
    """
    if port_capacitance_f is None:
        if description.analyzer is None:
            raise ValueError("this bench has no network analyzer: give port_capacitance_f")
        port_capacitance_f = description.analyzer.port_capacitance_f
    workshop = _workshop(description, frequency_hz)
    s = workshop.chain([workshop.port(port_capacitance_f), workshop.lead()]).s
    return np.asarray(np.abs(s[:, 1, 1]), dtype=np.float64)


def _workshop(
    description: BenchDescription, frequency_hz: FloatArray, temperature_c: float | None = None
) -> Workshop:
    if temperature_c is None:
        temperature_c = description.temperature.at(0.0)
    return Workshop(description, frequency_hz, temperature_c)


def _mated(workshop: Workshop, assembly: Assembly) -> ComplexArray:
    body = workshop.assembly(assembly)
    parts = [workshop.mating(), *([] if body is None else [body]), workshop.mating()]
    return np.asarray(workshop.chain(parts).s, dtype=np.complex128)


def _loss_db(s: ComplexArray) -> FloatArray:
    return np.asarray(-20.0 * np.log10(np.abs(s[:, 1, 0])), dtype=np.float64)

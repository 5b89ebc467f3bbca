"""The bench that a station describes, for campaigns that are only simulated."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drivers.errors import InputError
from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import Statements
from harness.analysis.planning.campaigns import World
from harness.station.items import Item
from harness.station.station import Station

NOISE_SHARE = 0.1
"""Noise of a sweep where nobody states it, as a share of a connection's repeatability."""
UNSTATED_REFLECTION = 0.05
"""Of an item that states none: a return loss of 26 dB (a usual one, no source)."""
FLOOR_THAT_MATTERS_DB = -46.0
"""Noise floor over the signal; below it the floor adds less than 0.03 dB to a reading."""


@dataclass(frozen=True)
class Assumed:
    """What no station file states."""

    noise_db: float | None = None
    """Of a single sweep; None: a share of the connection's repeatability."""
    true_loss_db: float | None = None
    """At every frequency; None: the expected loss, else the limit."""


def world_of(
    station: Station,
    item: Item,
    band: str,
    frequency_hz: FloatArray,
    assumed: Assumed,
    stated: Statements,
) -> World:
    """What truly goes on in a band if what is stated of it is just true.

    `frequency_hz` has shape (P,). One making scatters by the pooled history where there is one.

    Raises:
        InputError: nothing says what the item loses.
    """
    loss_db = true_loss_db(station, item, band, frequency_hz, assumed)
    making_db = stated.connection_repeatability_db
    if stated.history is not None:
        making_db = float(np.sqrt(np.mean(stated.history.variance_db2)))
    noise_db = NOISE_SHARE * making_db if assumed.noise_db is None else assumed.noise_db
    floor_matters = station.floor_db + float(loss_db.max()) > FLOOR_THAT_MATTERS_DB
    return World(
        frequency_hz=frequency_hz,
        loss_db=loss_db,
        stated=stated,
        making_db=making_db,
        through_making_db=making_db * math.sqrt(stated.through_pairs / 2.0),
        noise_db=noise_db,
        noise_floor=10.0 ** (station.floor_db / 20.0) / np.sqrt(2.0) if floor_matters else 0.0,
        item_reflection=UNSTATED_REFLECTION if stated.item_reflection is None else None,
        reads_reflections=stated.item_reflection is None
        and station.analyzer is not None
        and {"S11", "S22"} <= set(station.analyzer.traces),
    )


def true_loss_db(
    station: Station, item: Item, band: str, frequency_hz: FloatArray, assumed: Assumed
) -> FloatArray:
    """The loss that the item is taken to have, (P,).

    Raises:
        InputError: nothing says what the item loses.
    """
    if assumed.true_loss_db is not None:
        return np.full_like(frequency_hz, assumed.true_loss_db)
    expected = item.expected(frequency_hz, station.temperature_c, station.known_parts())
    if expected is not None:
        return expected.loss_db
    limit_db = item.limit_db(band, frequency_hz, None)
    if limit_db is not None:
        return limit_db
    raise InputError(
        f"nothing says what the item loses in band {band}",
        hint='give --true-loss "0.5 dB", or say in the items file what it is made of',
    )


def band_frequencies(station: Station, band: str) -> FloatArray:
    """The points of a band, (P,); those of recorded files may lie elsewhere."""
    chosen = station.bands[band]
    if station.recorded is None:
        return station.settings(band).frequency_hz()
    return np.linspace(chosen.start_hz, chosen.stop_hz, chosen.points)

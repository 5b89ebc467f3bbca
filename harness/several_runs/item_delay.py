"""Delay and electrical length of a run's item, where the readings have a phase."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.expected.catalogue_parts import Cable, Stated, UnknownPartError
from harness.analysis.expected.part_list import parse_part
from harness.analysis.loss.band import BandReadings, BandResult
from harness.analysis.several_runs.delay import (
    SPEED_OF_LIGHT_M_PER_S,
    Delay,
    ForeseenDelay,
    LengthByDelay,
    UndecidableTurnsError,
    VelocityFactor,
    combined_delay,
    length_by_delay,
    measured_delay,
    velocity_factor,
)
from harness.evaluation.read_back import read_run
from harness.run_file import open_run, read_readings
from harness.run_file.run import Run
from harness.several_runs.combined import item_of, station_of
from harness.station.items import Item, length_in_m
from harness.station.station import Station

CONNECTORS_LENGTH_M = 0.05
"""Most by which connectors and through together add to the electrical length, or take away from
it (common practice, no source)."""


@dataclass(frozen=True)
class DelayOfRun:
    """Delay of one run's item over that of the through."""

    run: Run
    bands: dict[str, Delay]
    refused: dict[str, str]
    """Why a band has no delay."""
    stated_length_m: float | None
    length_limits_m: float
    catalogue_velocity: Stated | None = None
    """Of the item's cable, where its catalogue entry states one."""

    @property
    def combined(self) -> Delay | None:
        """Of all bands together."""
        return combined_delay(list(self.bands.values())) if self.bands else None

    @property
    def velocity(self) -> VelocityFactor | None:
        """Where a length is stated."""
        delay = self.combined
        if delay is None or self.stated_length_m is None or delay.delay_s <= 0.0:
            return None
        limits_s = CONNECTORS_LENGTH_M / SPEED_OF_LIGHT_M_PER_S
        return velocity_factor(delay, self.stated_length_m, self.length_limits_m, limits_s)

    @property
    def length(self) -> LengthByDelay | None:
        """Where the catalogue knows the speed on the cable."""
        delay, stated = self.combined, self.catalogue_velocity
        if delay is None or stated is None:
            return None
        return length_by_delay(delay, stated.value, stated.uncertainty, CONNECTORS_LENGTH_M)


def stated_length_m(item: Item) -> float | None:
    """All cable in an item: as stated by itself, else by what it is made of; None: nowhere."""
    if item.cable_length_m is not None:
        return item.cable_length_m
    parts = [parse_part(text, length_in_m) for text in item.made_of]
    lengths = [part.count * part.length_m for part in parts if part.length_m is not None]
    return sum(lengths) if lengths else None


def delay_of_run(path: Path) -> DelayOfRun:
    """Delay in every band where the phase can be followed.

    Raises:
        InputError: it is not a readable run file.
    """
    run = read_run(path)
    with open_run(path) as file:
        readings = read_readings(file)
    item = item_of(run)
    length_m = stated_length_m(item)
    foreseen = None
    if length_m is not None:
        reach_m = length_m + CONNECTORS_LENGTH_M
        foreseen = ForeseenDelay.from_length(
            (reach_m + length_m) / 2.0, CONNECTORS_LENGTH_M + item.length_limits_m
        )
    bands: dict[str, Delay] = {}
    refused: dict[str, str] = {}
    for name in run.station["bands"]:
        try:
            bands[name] = _delay(readings[name], run.bands.get(name), foreseen)
        except UndecidableTurnsError as error:
            refused[name] = str(error)
    velocity = _catalogue_velocity(item, station_of(run))
    return DelayOfRun(run, bands, refused, length_m, item.length_limits_m, velocity)


def _catalogue_velocity(item: Item, station: Station) -> Stated | None:
    """Of the one kind of cable that an item is made of."""
    parts = [parse_part(text, length_in_m) for text in item.made_of]
    names = {part.name for part in parts if part.length_m is not None}
    if len(names) != 1:
        return None
    try:
        entry = station.known_parts().find(names.pop())
    except UnknownPartError:
        # the run keeps no catalogue, and that of today may not have the part any more
        return None
    return entry.velocity_factor if isinstance(entry, Cable) else None


def _delay(band: BandReadings, result: BandResult | None, foreseen: ForeseenDelay | None) -> Delay:
    if band.is_scalar:
        raise UndecidableTurnsError("only magnitudes were measured, there is no phase")
    if result is None:
        raise UndecidableTurnsError("the run is not finished")
    row = band.transmission
    return measured_delay(
        band.frequency_hz,
        band.through_mean[row],
        band.item_transmission,
        mismatch_db(result),
        foreseen,
    )


def mismatch_db(result: BandResult) -> FloatArray:
    """What the budget says of mismatch, (P,): its uncertainty is that of the phase, too."""
    lines = [line.standard_uncertainty_db for line in result.budget if line.name == "mismatch"]
    return np.asarray(np.sqrt(np.sum(np.square(lines), axis=0)) if lines else np.zeros(1))


def delay_json(found: DelayOfRun) -> dict[str, Any]:
    """One run of the document that `tareline delay --json` prints."""
    combined, velocity, length = found.combined, found.velocity, found.length
    return {
        "run_id": found.run.run_id,
        "item": found.run.item["id"],
        "simulated": found.run.simulated,
        "bands": [{"name": name, **_numbers(delay)} for name, delay in found.bands.items()],
        "refused": [{"name": name, "reason": why} for name, why in found.refused.items()],
        "combined": None if combined is None else _numbers(combined),
        "stated_length_m": found.stated_length_m,
        "length_limits_m": found.length_limits_m,
        "velocity_factor": None if velocity is None else velocity.value,
        "velocity_factor_expanded_uncertainty": (
            None if velocity is None else velocity.expanded_uncertainty
        ),
        "length_m": None if length is None else length.length_m,
        "length_expanded_uncertainty_m": (
            None if length is None else length.expanded_uncertainty_m
        ),
        "length_normalized_error": (
            None
            if length is None or found.stated_length_m is None
            else length.normalized_error(found.stated_length_m, found.length_limits_m)
        ),
    }


def _numbers(delay: Delay) -> dict[str, float]:
    return {
        "delay_s": delay.delay_s,
        "standard_uncertainty_s": delay.standard_uncertainty_s,
        "expanded_uncertainty_s": delay.expanded_uncertainty_s,
        "electrical_length_m": delay.electrical_length_m,
        "electrical_length_expanded_uncertainty_m": delay.expanded_uncertainty_s
        * SPEED_OF_LIGHT_M_PER_S,
        "largest_step_turns": delay.largest_step_turns,
    }

"""The procedure `cable-lengths` combined: loss per metre and connectors from runs on one cable."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from drivers.errors import InputError
from harness.analysis.arrays import FloatArray
from harness.analysis.expected.part_list import Part, parse_part
from harness.analysis.several_runs.cable_model import (
    CONNECTORS,
    FEWEST_LENGTHS,
    PER_METRE,
    AttenuationConstants,
    CableModel,
    LengthRuns,
    attenuation_constants,
    cable_model,
    ripple_between_ends_db,
)
from harness.analysis.several_runs.delay import (
    Delay,
    VelocityFactor,
    combined_delay,
    delay_within_conductors,
    tilt_of_ripple_s,
    velocity_factor_from_lengths,
)
from harness.several_runs.combined import CombinedBand, CombinedRuns, combine_runs
from harness.several_runs.item_delay import delay_of_run, stated_length_m
from harness.station.items import Item, length_in_m

SCHEMA = "tareline-cable/1"
CONDUCTORS_DOUBT = 0.25
"""Relative standard uncertainty of the delay within conductors: strands and braids are no smooth
cylinders (a judgement)."""


@dataclass(frozen=True)
class MeasuredCable:
    """One cable as several lengths of it tell."""

    name: str
    combined: CombinedRuns
    length_m: FloatArray
    """(N,)"""
    models: Mapping[str, CableModel]
    """By band."""
    velocity: VelocityFactor | None
    notes: tuple[str, ...]

    @property
    def temperature_c(self) -> float:
        """Of the station while the lengths were measured."""
        return float(self.combined.runs[0].station["temperature_c"])

    @cached_property
    def constants(self) -> AttenuationConstants:
        """a sqrt(f) + b f over all bands, at the station's temperature."""
        return _constants(self.models)


def cable_and_rest(item: Item) -> tuple[str, tuple[Part, ...]]:
    """Which cable an item has ("" for one that only states its length), and its other parts.

    Raises:
        ValueError: it holds two kinds of cable.
    """
    parts = [parse_part(text, length_in_m) for text in item.made_of]
    cables = {part.name for part in parts if part.length_m is not None}
    if item.cable_length_m is not None:
        if cables:
            raise ValueError("it states cable_length besides a cable in made_of: give one of them")
        cables = {""}
    if len(cables) != 1:
        raise ValueError(
            f"it has {'two kinds of cable' if cables else 'no cable'}: its loss per metre cannot "
            "be told; state one cable in made_of, or cable_length"
        )
    rest = tuple(part for part in parts if part.length_m is None)
    return cables.pop(), rest


def require_lengths(items: Mapping[str, Item]) -> str:
    """Make sure that these items are lengths of one cable; returns its name ("" if none is given).

    Raises:
        InputError: they are not, or have fewer than two different lengths.
    """
    kinds: dict[str, tuple[str, tuple[Part, ...]]] = {}
    for name, item in items.items():
        try:
            kinds[name] = cable_and_rest(item)
        except ValueError as error:
            raise InputError(f"item {name} is no length of a cable: {error}") from error
    first = next(iter(kinds), "")
    for name, kind in kinds.items():
        if kind != kinds[first]:
            raise InputError(
                f"items {first} and {name} are not lengths of one cable with the same connectors",
                hint="choose with --item those that differ by their length alone",
            )
    different = {stated_length_m(item) for item in items.values()}
    if len(different) < FEWEST_LENGTHS:
        raise InputError(
            "the loss per metre needs at least two different lengths of one cable, and three to "
            "see whether they agree",
            hint="name the items with --item",
        )
    return kinds[first][0]


def combine_cable(paths: Sequence[Path], name: str = "") -> MeasuredCable:
    """Loss per metre and connectors' loss from finished runs, one or more for each length.

    Raises:
        InputError: the runs do not belong together, or hold too few lengths.
    """
    combined = combine_runs(paths)
    found = require_lengths(
        {run.run_id: item for run, item in zip(combined.runs, combined.items, strict=True)}
    )
    length_m = np.array([stated_length_m(item) or 0.0 for item in combined.items])
    limits_m = np.array([item.length_limits_m for item in combined.items])
    notes = list(combined.notes)
    if not np.any(limits_m):
        notes.append("No length_limits are stated: the lengths are taken as exact.")
    models = {band.name: _model(band, length_m, limits_m) for band in combined.bands}
    spare = len(combined.runs) - 2
    if not spare:
        notes.append("Two lengths only: whether they agree with one cable cannot be seen.")
    enlarged = [name for name, model in models.items() if model.enlargement > 1.0]
    if enlarged:
        notes.append(
            f"In {', '.join(enlarged)} the lengths agree worse than their uncertainties allow; "
            "U was enlarged to fit. Look for an odd connector or a wrong length."
        )
    velocity = _velocity(paths, length_m, limits_m, models, notes)
    return MeasuredCable(name or found or "measured cable", combined, length_m, models, velocity,
                         tuple(notes))  # fmt: skip


def _model(band: CombinedBand, length_m: FloatArray, limits_m: FloatArray) -> CableModel:
    together = None
    if band.reflection is not None:
        # the same connectors on the same cable: over the lengths their phases average
        together = np.sqrt(np.mean(band.reflection**2, axis=0))
    runs = LengthRuns(length_m, limits_m, band.insertion_loss_db, band.errors, together)
    return cable_model(band.frequency_hz, runs)


def _velocity(
    paths: Sequence[Path],
    length_m: FloatArray,
    limits_m: FloatArray,
    models: Mapping[str, CableModel],
    notes: list[str],
) -> VelocityFactor | None:
    """Speed that dielectric alone would leave, which is what catalogues state: the delay of the
    field within the conductors, larger at low frequency, is taken off."""
    found = [delay_of_run(path) for path in paths]
    usable = [name for name in models if all(name in one.bands for one in found)]
    if not usable:
        refused = next(why for one in found for why in one.refused.values())
        notes.append(f"No velocity factor: {refused}.")
        return None
    constants = _constants(models)
    within = {name: _within_conductors(models[name], constants.a) for name in usable}
    delays = [
        combined_delay(
            [_own_delay(one.bands[name], models[name], length, within[name]) for name in usable]
        )
        for one, length in zip(found, length_m, strict=True)
    ]
    taken_off = CONDUCTORS_DOUBT * float(np.mean(list(within.values())))
    try:
        return velocity_factor_from_lengths(length_m, limits_m, delays, taken_off)
    except ValueError as error:
        notes.append(f"No velocity factor: {error}.")
        return None


def _within_conductors(model: CableModel, a: float) -> float:
    """Delay of the field within the conductors in a band, s/m."""
    conductor_db = a * np.sqrt(model.frequency_hz / 1e9)
    return float(np.mean(delay_within_conductors(conductor_db, model.frequency_hz)))


def _own_delay(delay: Delay, model: CableModel, length_m: float, within_s_per_m: float) -> Delay:
    """A delay without that within the conductors, less sure by what reflections between the
    assembly's ends may tilt its phase."""
    u_s = delay.standard_uncertainty_s
    if model.reflection is not None:
        ripple_db = ripple_between_ends_db(model.reflection, model.loss_db(length_m))
        span_hz = float(np.ptp(model.frequency_hz))
        u_s = float(np.hypot(u_s, tilt_of_ripple_s(float(np.max(ripple_db)), span_hz)))
    return replace(
        delay, delay_s=delay.delay_s - length_m * within_s_per_m, standard_uncertainty_s=u_s
    )


def _constants(models: Mapping[str, CableModel]) -> AttenuationConstants:
    values = list(models.values())
    return attenuation_constants(
        np.concatenate([model.frequency_hz for model in values]),
        np.concatenate([model.attenuation_db_per_m for model in values]),
        np.concatenate([model.estimate.standard_uncertainty(PER_METRE) for model in values]),
    )


def cable_json(cable: MeasuredCable, predict_m: float | None = None) -> dict[str, Any]:
    """What `tareline cable-model --json` prints; arrays are per frequency."""
    constants, velocity = cable.constants, cable.velocity
    return {
        "schema": SCHEMA,
        "cable": cable.name,
        "simulated": cable.combined.is_simulated,
        "runs": [run.run_id for run in cable.combined.runs],
        "length_m": cable.length_m.tolist(),
        "temperature_c": cable.temperature_c,
        "bands": [_band_json(name, m, predict_m) for name, m in cable.models.items()],
        "constants": {
            "form": "a sqrt(f) + b f in dB/m, f in GHz",
            "a": constants.a,
            "b": constants.b,
            "covariance": constants.covariance.tolist(),
            "chi_square": constants.chi_square,
            "points": constants.segments,
        },
        "velocity_factor": None if velocity is None else velocity.value,
        "velocity_factor_expanded_uncertainty": (
            None if velocity is None else velocity.expanded_uncertainty
        ),
        "notes": list(cable.notes),
    }


def _band_json(name: str, model: CableModel, predict_m: float | None) -> dict[str, Any]:
    fitted = model.estimate
    told = {
        "name": name,
        "frequency_hz": model.frequency_hz.tolist(),
        "attenuation_db_per_m": model.attenuation_db_per_m.tolist(),
        "attenuation_expanded_uncertainty_db_per_m": fitted.expanded_uncertainty(
            PER_METRE
        ).tolist(),
        "connectors_db": model.connectors_db.tolist(),
        "connectors_expanded_uncertainty_db": fitted.expanded_uncertainty(CONNECTORS).tolist(),
        "covariance": fitted.covariance.tolist(),
        "chi_square": fitted.chi_square.tolist(),
        "dof": fitted.dof,
        "uncertainty_enlarged_by": model.enlargement,
    }
    if predict_m is not None:
        told["predicted_length_m"] = predict_m
        told["predicted_db"] = model.loss_db(predict_m).tolist()
        told["predicted_expanded_uncertainty_db"] = model.prediction_uncertainty_db(
            predict_m
        ).tolist()
    return told

"""The stability of a band in a run file, with the series it was found from."""

from __future__ import annotations

import json
from dataclasses import astuple
from typing import Any

import numpy as np

from harness.analysis.stability.allan import AllanTable
from harness.analysis.stability.correlated_fit import Estimate
from harness.analysis.stability.loss_series import LossSeries
from harness.analysis.stability.outliers_and_steps import Steps
from harness.analysis.stability.settling import WarmUp
from harness.analysis.stability.stability import Stability, TemperatureEffect, ZeroMeanwhile
from harness.run_file import Group

_SERIES = {
    "time": "s", "loss_db": "dB", "uncorrected_db": "dB", "insertion": "1", "temperature_c": "°C",
}  # fmt: skip
_ALLAN = {
    "averaging_s": ("averaging_s", "s"),
    "deviation": ("deviation_db", "dB"),
    "low": ("low_db", "dB"),
    "high": ("high_db", "dB"),
    "pairs": ("pairs", "1"),
    "effective_dof": ("effective_dof", "1"),
    "noise_exponent": ("noise_exponent", "1"),
}
_STEPS = {
    "first": ("first", "1"),
    "size": ("size_db", "dB"),
    "standard_uncertainty": ("standard_uncertainty_db", "dB"),
}
_PLAIN = {
    "sweeps": int, "begin": float, "end": float, "interval_s": float, "missing": int,
    "insertions": int, "mean_db": float, "repeatability_db": float,
}  # fmt: skip
_WARM_UP = ("time_constant_s", "approach_db", "settled_s")
_TEMPERATURE = ("mean_c", "lowest_c", "highest_c", "correlation_with_time")
_ZERO = ("apparent_change_db", "remaining_change_db", "explained_share")


def write_stability(group: Group, series: LossSeries, found: Stability) -> None:
    """Write both into an empty group. Estimates are attributes of four numbers: value, standard
    uncertainty, and the ends of the 95 % interval."""
    for name, unit in _SERIES.items():
        if getattr(series, name) is not None:
            _write(group, name, getattr(series, name), unit)
    for place, table, names in (("allan", found.allan, _ALLAN), ("steps", found.steps, _STEPS)):
        part = group.create_group(place)
        for field, (name, unit) in names.items():
            _write(part, name, getattr(table, field), unit)
    _write(group, "span_time", found.span_time, "s")
    _write(group, "span_repeatability_db", found.span_repeatability_db, "dB")
    _write(group, "outliers", found.outliers, "1")
    for name in _PLAIN:
        group.attrs[name] = getattr(found, name)
    group.attrs["drift_db_per_h"] = astuple(found.drift_db_per_h)
    group.attrs["notes"] = json.dumps(list(found.notes), ensure_ascii=False)
    zero = group.create_group("zero")
    _write(zero, "time", found.zero.time, "s")
    _write(zero, "change_db", found.zero.change_db, "dB")
    _write_attributes(zero, found.zero, _ZERO)
    if found.warm_up is not None:
        _write_attributes(group.create_group("warm_up"), found.warm_up, _WARM_UP)
    if found.temperature is not None:
        _write_temperature(group.create_group("temperature"), found.temperature)


def _write(group: Group, name: str, values: Any, unit: str) -> None:
    group.create_dataset(name, data=values).attrs["unit"] = unit


def _write_attributes(group: Group, value: Any, names: tuple[str, ...]) -> None:
    for name in names:
        group.attrs[name] = getattr(value, name)


def _write_temperature(group: Group, effect: TemperatureEffect) -> None:
    _write_attributes(group, effect, _TEMPERATURE)
    group.attrs["is_told_apart"] = effect.is_told_apart
    group.attrs["coefficient_db_per_k"] = astuple(effect.coefficient_db_per_k)
    group.attrs["drift_db_per_h"] = astuple(effect.drift_db_per_h)
    if effect.relative_per_k is not None:
        group.attrs["relative_per_k"] = astuple(effect.relative_per_k)


def read_stability(group: Group) -> tuple[LossSeries, Stability]:
    """What `write_stability` wrote."""
    series = LossSeries(**{name: group[name][()] for name in _SERIES if name in group})
    attributes, zero = group.attrs, group["zero"]
    warm_up = None
    if "warm_up" in group:
        warm_up = WarmUp(**{name: float(group["warm_up"].attrs[name]) for name in _WARM_UP})
    allan = {field: group["allan"][name][()] for field, (name, _) in _ALLAN.items()}
    steps = {field: group["steps"][name][()] for field, (name, _) in _STEPS.items()}
    found = Stability(
        **{name: kind(attributes[name]) for name, kind in _PLAIN.items()},
        drift_db_per_h=_estimate(attributes["drift_db_per_h"]),
        span_time=group["span_time"][()],
        span_repeatability_db=group["span_repeatability_db"][()],
        allan=AllanTable(**allan),
        temperature=_read_temperature(group["temperature"]) if "temperature" in group else None,
        warm_up=warm_up,
        outliers=group["outliers"][()],
        steps=Steps(**steps),
        zero=ZeroMeanwhile(
            time=zero["time"][()],
            change_db=zero["change_db"][()],
            **{name: float(zero.attrs[name]) for name in _ZERO},
        ),
        notes=tuple(json.loads(attributes["notes"])),
    )
    return series, found


def _read_temperature(group: Group) -> TemperatureEffect:
    attributes = group.attrs
    relative = attributes.get("relative_per_k")
    return TemperatureEffect(
        coefficient_db_per_k=_estimate(attributes["coefficient_db_per_k"]),
        relative_per_k=None if relative is None else _estimate(relative),
        drift_db_per_h=_estimate(attributes["drift_db_per_h"]),
        is_told_apart=bool(attributes["is_told_apart"]),
        **{name: float(attributes[name]) for name in _TEMPERATURE},
    )


def _estimate(numbers: Any) -> Estimate:
    return Estimate(*np.asarray(numbers, dtype=np.float64).tolist())

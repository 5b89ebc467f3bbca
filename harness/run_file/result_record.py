"""The result of a band in a run file: written once, read back as it was."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import BandResult
from harness.analysis.uncertainty.budget import DOF_RULE, Contribution
from harness.analysis.uncertainty.conformity import Decision, Verdict
from harness.run_file import Group
from harness.run_file.stability_record import read_stability, write_stability

PARTS, DEGREES = "budget_parts", "budget_dof"
"""Groups beside `budget` with the independent parts (T, P) of a line, and with degrees of freedom
(P,) that differ from one frequency to the next; only of lines that have them."""
_PER_FREQUENCY = {
    "insertion_loss_db": "dB",
    "standard_uncertainty_db": "dB",
    "effective_dof": "1",
    "coverage_factor": "1",
    "expanded_uncertainty_db": "dB",
    "interval_low_db": "dB",
    "interval_high_db": "dB",
    "insertion_means_db": "dB",
    "insertion_time": "s",
    "zero_change_db": "dB",
    "zero_time": "s",
}
"""Datasets that every result has; further ones that only some have hold NaN elsewhere."""
_WHERE_STATED = {
    "expected_db": "dB",
    "expected_expanded_uncertainty_db": "dB",
    "limit_db": "dB",
    "gum_difference_db": "dB",
}
PUBLISHED = "published_dof"
"""Only in runs that are not under the first rules."""


def write_band(group: Group, result: BandResult) -> None:
    """Write a result into an empty group."""
    for name, unit in {**_PER_FREQUENCY, **_WHERE_STATED}.items():
        values = getattr(result, name)
        if values is None:
            values = np.full_like(result.frequency_hz, np.nan)
        group.create_dataset(name, data=values).attrs["unit"] = unit
    attributes = group.attrs
    if result.published_dof is not None:
        group.create_dataset(PUBLISHED, data=result.published_dof).attrs["unit"] = "1"
        attributes["rule_of_k"] = DOF_RULE
    attributes["notes"] = json.dumps(list(result.notes), ensure_ascii=False)
    attributes["zero_marks"] = json.dumps(list(result.zero_marks), ensure_ascii=False)
    if result.doubts:
        attributes["doubts"] = json.dumps(list(result.doubts), ensure_ascii=False)
    attributes["method"] = result.method
    attributes["trials"] = result.trials
    if result.gum_validated is not None:
        attributes["gum_validated"] = result.gum_validated
    attributes["verdict"] = "" if result.decision is None else str(result.decision.verdict)
    if result.decision is not None:
        attributes["worst_index"] = result.decision.worst_index
        attributes["margin_db"] = result.decision.margin_db
        attributes["conformance_probability"] = result.decision.conformance_probability
        attributes["decision_rule"] = result.decision.rule
        attributes["guard_band_db"] = result.decision.guard_band_db
        attributes["advice"] = result.decision.advice
    for position, line in enumerate(result.budget):
        _write_line(group, position, line)
    if result.series is not None and result.stability is not None:
        write_stability(group.create_group("stability"), result.series, result.stability)


def read_doubts(group: Group) -> tuple[str, ...]:
    """Why the result of a band has no verdict; empty where nothing is doubted."""
    return tuple(json.loads(group.attrs.get("doubts", "[]")))


def read_expected(file: Group) -> dict[str, tuple[FloatArray, FloatArray]]:
    """What a finished run file says is expected of its item, (P,) with U (P,), by band; of those
    bands only of which something is."""
    found = {
        band: (group["expected_db"][()], group["expected_expanded_uncertainty_db"][()])
        for band, group in file["analysis"].items()
    }
    return {band: stated for band, stated in found.items() if np.all(np.isfinite(stated))}


def _write_line(group: Group, position: int, line: Contribution) -> None:
    dataset = group.require_group("budget").create_dataset(
        line.name, data=line.standard_uncertainty_db
    )
    dataset.attrs["unit"] = "dB"
    dataset.attrs["position"] = position
    for name in ("type", "distribution", "dof", "source", "estimate", "acts_on"):
        dataset.attrs[name] = getattr(line, name)
    for place, values, unit in (
        (PARTS, line.parts_db, "dB"),
        (DEGREES, line.dof_by_frequency, "1"),
    ):
        if values is not None:
            group.require_group(place).create_dataset(line.name, data=values).attrs["unit"] = unit


def read_band(group: Group, frequency_hz: FloatArray) -> BandResult:
    """The result that `write_band` wrote; what older files lack is what it then was."""
    given = {name: group[name][()] for name in _PER_FREQUENCY if name in group}
    if "interval_low_db" not in given:
        loss_db, u_db = given["insertion_loss_db"], given["expanded_uncertainty_db"]
        given |= {"interval_low_db": loss_db - u_db, "interval_high_db": loss_db + u_db}
    stated = {name: _none_if_nan(group[name][()]) for name in _WHERE_STATED if name in group}
    attributes = group.attrs
    lines = sorted(group["budget"].items(), key=lambda entry: entry[1].attrs["position"])
    validated = attributes.get("gum_validated")
    series, stability = read_stability(group["stability"]) if "stability" in group else (None, None)
    return BandResult(
        frequency_hz=frequency_hz,
        **given,
        **stated,  # type: ignore[arg-type]  # the keys are those of the optional fields
        budget=tuple(_read_line(group, name, dataset) for name, dataset in lines),
        decision=_read_decision(attributes),
        method=attributes.get("method", "gum"),
        trials=int(attributes.get("trials", 0)),
        gum_validated=None if validated is None else bool(validated),
        zero_marks=tuple(json.loads(attributes.get("zero_marks", "[]"))),
        notes=tuple(json.loads(attributes["notes"])),
        doubts=read_doubts(group),
        series=series,
        stability=stability,
        published_dof=group[PUBLISHED][()] if PUBLISHED in group else None,
    )


def _read_line(group: Group, name: str, dataset: Any) -> Contribution:
    attributes = dataset.attrs
    return Contribution(
        name=name,
        type=attributes["type"],
        distribution=attributes["distribution"],
        standard_uncertainty_db=dataset[()],
        dof=float(attributes["dof"]),
        source=attributes["source"],
        estimate=attributes["estimate"],
        acts_on=attributes.get("acts_on", "difference"),
        parts_db=_of_line(group, PARTS, name),
        dof_by_frequency=_of_line(group, DEGREES, name),
    )


def _of_line(group: Group, place: str, name: str) -> FloatArray | None:
    if place not in group or name not in group[place]:
        return None
    return np.asarray(group[place][name][()], dtype=np.float64)


def _read_decision(attributes: Any) -> Decision | None:
    if not attributes["verdict"]:
        return None
    return Decision(
        verdict=Verdict(attributes["verdict"]),
        worst_index=int(attributes["worst_index"]),
        margin_db=float(attributes["margin_db"]),
        conformance_probability=float(attributes["conformance_probability"]),
        rule=attributes["decision_rule"],
        guard_band_db=float(attributes.get("guard_band_db", np.nan)),
        advice=attributes.get("advice", ""),
    )


def _none_if_nan(values: FloatArray) -> FloatArray | None:
    return None if np.all(np.isnan(values)) else values

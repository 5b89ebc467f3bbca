"""Runs as the JSON of schema `tareline-result/1`, for machines.

Strictly valid JSON: what JSON cannot say becomes null. Infinite degrees of freedom are
null, as is a limit, an expected loss or a verdict that a run does not state; NaN never
appears. Every key is always there. Frequencies are in Hz, losses and uncertainties in dB.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from os import PathLike
from typing import Any

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.diagnosis.comparison import compare
from harness.analysis.uncertainty.budget import Contribution
from harness.evaluation.standing import worst_point
from harness.report.files.stability_json import stability_as_dict
from harness.report.words.diagnosis_words import finding_as_dict
from harness.run_file.run import BandResult, Run

SCHEMA = "tareline-result/1"


def as_dict(runs: Sequence[Run]) -> dict[str, Any]:
    """The whole document. Arrays are per frequency; an unfinished run has no bands."""
    return {"schema": SCHEMA, "runs": [_run(run) for run in runs]}


def _run(run: Run) -> dict[str, Any]:
    return {
        "run_id": run.run_id,
        "procedure": run.procedure,
        "started": run.started,
        "finished": run.finished or None,
        "simulated": run.simulated,
        "item": _plain(run.item),
        "to_be_measured_again": run.wanted_again or None,
        "bands": [
            # what is to be measured again has no verdict
            {**_band(name, band), **({"verdict": None} if run.wanted_again else {})}
            for name, band in run.bands.items()
        ],
        "diagnosis": None if run.finding is None else _plain(finding_as_dict(run.finding)),
    }


def _band(name: str, band: BandResult) -> dict[str, Any]:
    point = worst_point(band)
    decision = band.decision
    compared = compare(band)
    return {
        "name": name,
        "frequency_hz": _list(band.frequency_hz),
        "insertion_loss_db": _list(band.insertion_loss_db),
        "standard_uncertainty_db": _list(band.standard_uncertainty_db),
        "effective_dof": _list(band.effective_dof),
        "coverage_factor": _list(band.coverage_factor),
        "expanded_uncertainty_db": _list(band.expanded_uncertainty_db),
        "interval_low_db": _list(band.interval_low_db),
        "interval_high_db": _list(band.interval_high_db),
        "method": band.method,
        "trials": band.trials,
        "gum_validated": band.gum_validated,
        "gum_difference_db": _list(band.gum_difference_db),
        "zero_marks": list(band.zero_marks),
        **({"doubts": list(band.doubts)} if band.doubts else {}),
        "notes": list(band.notes),
        "expected_db": _list(band.expected_db),
        "expected_expanded_uncertainty_db": _list(band.expected_expanded_uncertainty_db),
        "normalized_error": None if compared is None else _list(compared.normalized_error),
        "limit_db": _list(band.limit_db),
        "worst": {
            "frequency_hz": _number(point.frequency_hz),
            "insertion_loss_db": _number(point.insertion_loss_db),
            "expanded_uncertainty_db": _number(point.expanded_uncertainty_db),
            "limit_db": _number(point.limit_db),
            "margin_db": _number(point.margin_db),
        },
        "verdict": None if decision is None else decision.verdict.value,
        "conformance_probability": (
            None if decision is None else _number(decision.conformance_probability)
        ),
        "decision_rule": None if decision is None else decision.rule,
        "guard_band_db": None if decision is None else _number(decision.guard_band_db),
        "consumer_risk": None if decision is None else _number(decision.consumer_risk),
        "producer_risk": None if decision is None else _number(decision.producer_risk),
        "advice": None if decision is None else decision.advice,
        "budget": [_contribution(line) for line in band.budget],
        "stability": None if band.stability is None else stability_as_dict(band.stability),
    }


def _contribution(line: Contribution) -> dict[str, Any]:
    return {
        "contribution": line.name,
        "type": line.type,
        "distribution": line.distribution,
        "standard_uncertainty_db": _list(line.standard_uncertainty_db),
        "dof": _number(line.dof),
        "source": line.source,
        "acts_on": line.acts_on,
    }


def _list(values: FloatArray | None) -> list[float | None] | None:
    return None if values is None else [_number(value) for value in values.tolist()]


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _plain(value: Any) -> Any:
    """The same value in the types JSON knows.

    Raises:
        TypeError: the item holds something JSON has no form for.
    """
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float | np.floating):
        return _number(float(value))
    if isinstance(value, np.ndarray | np.generic):
        return _plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): _plain(entry) for key, entry in value.items()}
    if isinstance(value, Sequence | set | frozenset):
        return [_plain(entry) for entry in value]
    if isinstance(value, PathLike):
        return str(value)
    raise TypeError(
        f"the item holds {value!r}, a {type(value).__name__}, which JSON has no form for"
    )

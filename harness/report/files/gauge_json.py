"""A gauge study as the JSON of schema `tareline-gauge-study/1`, for machines.

Losses and standard deviations are in dB, frequencies in Hz, shares 0 to 1; null stands where a
figure is not known, or is infinite.
"""

from __future__ import annotations

import math
from typing import Any

from harness.analysis.lots.figure_of_merit import Index
from harness.analysis.lots.gauge_judgement import Judgement
from harness.analysis.lots.gauge_variances import Component, GaugeStudy
from harness.report.words.gauge_words import band_sentences
from harness.several_runs.gauge_results import AssessedBand, AssessedStudy

SCHEMA = "tareline-gauge-study/1"


def as_dict(assessed: AssessedStudy) -> dict[str, Any]:
    """The whole document."""
    runs = assessed.runs
    return {
        "schema": SCHEMA,
        "items": list(runs.items),
        "operators": list(runs.operators),
        "repeats": list(runs.repeats),
        "simulated": runs.simulated,
        "notes": list(runs.notes),
        "bands": [_band(band) for band in assessed.bands],
    }


def _band(band: AssessedBand) -> dict[str, Any]:
    judgement = band.judgement
    return {
        "name": band.runs.name,
        "frequency_hz": band.frequency_hz,
        "at_frequency": _study(band.study),
        "band_mean": _study(band.band_mean),
        "judgement": None if judgement is None else _judgement(judgement),
        "sentences": band_sentences(band),
    }


def _study(study: GaugeStudy) -> dict[str, Any]:
    parts = (
        study.repeatability, study.operator, study.interaction, study.reproducibility,
        study.gauge, study.item, study.total,
    )  # fmt: skip
    return {
        "mean_db": study.mean,
        "confidence": study.confidence,
        "analysis_of_variance": [
            {
                "source": line.name,
                "dof": line.dof,
                "sum_of_squares_db2": line.sum_of_squares,
                "mean_square_db2": _number(line.mean_square),
                "f": _number(line.f_ratio),
                "p": _number(line.p_value),
            }
            for line in study.table
        ],
        "interaction_is_pooled": study.is_pooled,
        "components": [_component(part) for part in parts],
        "gauge_of_total": _index(study.study_share),
        "category_ratio": _index(study.category_ratio),
        "distinct_categories": _number(study.categories),
        "item_means_db": study.item_means.tolist(),
        "operator_means_db": study.operator_means.tolist(),
    }


def _judgement(judgement: Judgement) -> dict[str, Any]:
    return {
        "limit_db": judgement.limit,
        "reference_db": _number(judgement.reference),
        "precision_to_tolerance": _index(judgement.precision_to_tolerance),
        "standing": judgement.standing.value,
        "is_sure": judgement.is_sure,
        "good_failed": _number(judgement.misjudged.good_failed),
        "bad_passed": _number(judgement.misjudged.bad_passed),
    }


def _component(part: Component) -> dict[str, Any]:
    return {
        "part": part.name,
        "standard_deviation_db": part.sd,
        "low_db": part.sd_low,
        "high_db": part.sd_high,
        "share_of_variance": _number(part.share),
    }


def _index(index: Index) -> dict[str, Any]:
    return {key: _number(getattr(index, key)) for key in ("value", "low", "high")}


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None

"""A gauge study in words: what the bench can judge, and what stands behind that."""

from __future__ import annotations

import math

from harness.analysis.lots.gauge_judgement import (
    GaugeStanding,
    judgement_sentences,
    process_sentence,
)
from harness.analysis.lots.gauge_variances import POOL_ABOVE, GaugeStudy
from harness.report.words import numbers
from harness.report.words.sentences import SIMULATED
from harness.several_runs.gauge_results import AssessedBand, AssessedStudy


def closing_sentences(assessed: AssessedStudy) -> list[str]:
    """Whether the bench can judge, a sentence a band; where it is simulated that comes first."""
    said = [band_verdict(band) + "." for band in assessed.bands]
    return [f"{SIMULATED}.", *said] if assessed.runs.simulated else said


def band_sentences(band: AssessedBand) -> list[str]:
    """What the study of a band says, in plain words."""
    said = []
    if band.judgement is not None:
        said += judgement_sentences(band.study, band.judgement)
    if band.runs.has_several_limits:
        said.append("The items have different limits there; the lowest was taken for all.")
    said.append(process_sentence(band.study))
    return said


def variance_words(study: GaugeStudy) -> list[str]:
    """The F tests, in a line or two."""
    _, operators, crossed, _, _ = study.table
    fate = f"taken for repeatability (p > {POOL_ABOVE:g})" if study.is_pooled else "kept on its own"
    return [
        f"operators differ: {_test(operators.f_ratio, operators.p_value)}",
        f"operator by item: {_test(crossed.f_ratio, crossed.p_value)}, {fate}",
    ]


def band_verdict(band: AssessedBand) -> str:
    """Whether the bench can judge the limit of a band, without a full stop."""
    where = f"{band.runs.name} at {numbers.frequency(band.frequency_hz)}"
    judgement = band.judgement
    if judgement is None:
        said = process_sentence(band.study).rstrip(".")
        return f"{where}: no limit; {said[0].lower()}{said[1:]}"
    said = f"{where}: {judgement.standing.value} the limit of {judgement.limit:.4g} dB"
    if judgement.standing is GaugeStanding.WITH_GUARD_BAND:
        said = f"{where}: can judge the limit of {judgement.limit:.4g} dB with a guard band"
    if judgement.standing is GaugeStanding.UNKNOWN:
        return f"{where}: cannot tell; no item of the study is within the limit"
    return f"{said}, {'surely' if judgement.is_sure else 'but the study is too small to be sure'}"


def _test(f_ratio: float, p_value: float) -> str:
    if math.isnan(f_ratio):
        return "nothing scatters"
    ratio = "without end" if math.isinf(f_ratio) else f"{f_ratio:.3g}"
    chance = "p < 0.001" if p_value < 0.001 else f"p = {p_value:.3f}"
    return f"F = {ratio}, {chance}"

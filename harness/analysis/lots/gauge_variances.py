"""Gauge study: what the bench adds to the differences between items, and from where.

Every operator measures every item several times. A crossed two-way analysis of variance with
random effects splits the scatter into items, operators, the interaction of the two, and what is
left between repeats (AIAG, Measurement Systems Analysis, 4th edition, chapter III, analysis of
variance method; D. C. Montgomery and G. C. Runger, Quality Engineering 6 (1993) 115-135 and
289-305).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.lots.figure_of_merit import Index
from harness.analysis.lots.gauge_intervals import combination_limits, generalized_limits

CONFIDENCE = 0.95
POOL_ABOVE = 0.25
"""An interaction whose F test has a greater p is taken for repeatability (AIAG, 4th edition)."""
CATEGORY_FACTOR = 1.41
"""Distinct categories are 1.41 times item sigma over gauge sigma (AIAG, 4th edition)."""


@dataclass(frozen=True)
class VarianceSource:
    """One line of the analysis of variance."""

    name: str
    dof: int
    sum_of_squares: float
    mean_square: float
    """nan for the total."""
    f_ratio: float = math.nan
    """Over the line it is tested against; nan where it is not tested."""
    p_value: float = math.nan


@dataclass(frozen=True)
class Component:
    """One part of the scatter, as a standard deviation with its limits."""

    name: str
    variance: float
    """Never negative."""
    sd_low: float
    sd_high: float
    share: float
    """Of the whole variance; nan where nothing scatters."""

    @property
    def sd(self) -> float:
        """Standard deviation."""
        return math.sqrt(self.variance)


@dataclass(frozen=True)
class GaugeStudy:
    """What a balanced study of p items, o operators and r repeats comes to."""

    items: int
    operators: int
    repeats: int
    mean: float
    item_means: FloatArray
    """(p,)"""
    operator_means: FloatArray
    """(o,)"""
    table: tuple[VarianceSource, ...]
    """Items, operators, interaction, repeatability, total; never pooled."""
    is_pooled: bool
    """Whether the interaction was taken for repeatability."""
    repeatability: Component
    operator: Component
    interaction: Component
    reproducibility: Component
    """Operators and interaction together."""
    gauge: Component
    """Repeatability and reproducibility together."""
    item: Component
    total: Component
    study_share: Index
    """Gauge sigma over total sigma."""
    category_ratio: Index
    """1.41 times item sigma over gauge sigma."""
    confidence: float

    @property
    def categories(self) -> float:
        """Number of distinct categories: the ratio cut to a whole number, at least 1."""
        ratio = self.category_ratio.value
        return ratio if math.isinf(ratio) else float(max(1, math.floor(ratio)))


def gauge_study(
    values: FloatArray, confidence: float = CONFIDENCE, pool_above: float = POOL_ABOVE
) -> GaugeStudy:
    """Analyse values (p, o, r): p items, o operators, r repeats, without gaps.

    Limits of repeatability are exact (chi-square), those of the other parts and sums modified
    large sample, those of the two ratios generalized; see `gauge_intervals`.

    Raises:
        ValueError: fewer than two items, operators or repeats, or a value is missing.
    """
    y = np.asarray(values, dtype=np.float64)
    if y.ndim != 3 or min(y.shape) < 2:
        raise ValueError("a gauge study needs at least 2 items, 2 operators and 2 repeats")
    if not np.all(np.isfinite(y)):
        raise ValueError("a gauge study needs a value of every item, operator and repeat")
    p, o, r = y.shape
    table = analysis_of_variance(y)
    ms = np.array([line.mean_square for line in table[:4]])
    dof = [float(line.dof) for line in table[:4]]
    interaction_p = table[2].p_value
    is_pooled = bool(interaction_p > pool_above)
    if is_pooled:
        rest = (table[2].sum_of_squares + table[3].sum_of_squares) / (dof[2] + dof[3])
        ms, dof = np.array([ms[0], ms[1], rest]), [dof[0], dof[1], dof[2] + dof[3]]
        forms = _pooled_forms(p, o, r)
    else:
        forms = _full_forms(p, o, r)
    variances = {name: max(0.0, float(np.dot(form, ms))) for name, form in forms.items()}
    # sums of parts of which none is negative
    variances["reproducibility"] = variances["operator"] + variances["interaction"]
    variances["gauge"] = variances["repeatability"] + variances["reproducibility"]
    variances["total"] = variances["gauge"] + variances["item"]

    def component(name: str, called: str) -> Component:
        return _component(
            called, variances[name], forms[name], ms, dof, confidence, variances["total"]
        )

    ratio = _variance_ratio(forms, ms, dof, confidence, variances)
    return GaugeStudy(
        items=p,
        operators=o,
        repeats=r,
        mean=float(np.mean(y)),
        item_means=y.mean(axis=(1, 2)),
        operator_means=y.mean(axis=(0, 2)),
        table=table,
        is_pooled=is_pooled,
        repeatability=component("repeatability", "repeatability"),
        operator=component("operator", "operator"),
        interaction=component("interaction", "operator by item"),
        reproducibility=component("reproducibility", "reproducibility"),
        gauge=component("gauge", "gauge in all"),
        item=component("item", "items"),
        total=component("total", "total"),
        study_share=Index(_share(ratio.value), _share(ratio.high), _share(ratio.low)),
        category_ratio=Index(
            value=_categories(ratio.value),
            low=_categories(ratio.low),
            high=_categories(ratio.high),
        ),
        confidence=confidence,
    )


def analysis_of_variance(values: FloatArray) -> tuple[VarianceSource, ...]:
    """The lines of values (p, o, r); items and operators are tested against the interaction,
    the interaction against the repeats."""
    y = np.asarray(values, dtype=np.float64)
    p, o, r = y.shape
    y = y - np.mean(y)
    cells, items, operators = y.mean(axis=2), y.mean(axis=(1, 2)), y.mean(axis=(0, 2))
    crossed = cells - items[:, None] - operators[None, :]
    within = y - cells[:, :, None]
    squares = [
        o * r * float(np.sum(items**2)),
        p * r * float(np.sum(operators**2)),
        r * float(np.sum(crossed**2)),
        float(np.sum(within**2)),
    ]
    # what rounding leaves of differences that are none
    nothing = 1e-24 * float(np.max(np.abs(values))) ** 2 * y.size
    squares = [square if square > nothing else 0.0 for square in squares]
    dof = [p - 1, o - 1, (p - 1) * (o - 1), p * o * (r - 1)]
    means = [square / d for square, d in zip(squares, dof, strict=True)]
    names = ("items", "operators", "operator by item", "repeatability")
    against = (2, 2, 3, None)
    lines = []
    for place, name in enumerate(names):
        f_ratio, p_value = _f_test(means, dof, place, against[place])
        lines.append(
            VarianceSource(name, dof[place], squares[place], means[place], f_ratio, p_value)
        )
    total = VarianceSource("total", y.size - 1, float(np.sum(y * y)), math.nan)
    return (*lines, total)


def _f_test(
    means: list[float], dof: list[int], place: int, against: int | None
) -> tuple[float, float]:
    from scipy.special import fdtrc

    if against is None:
        return math.nan, math.nan
    if means[against] == 0.0:
        return (math.nan, 1.0) if means[place] == 0.0 else (math.inf, 0.0)
    ratio = means[place] / means[against]
    return ratio, float(fdtrc(dof[place], dof[against], ratio))


def _full_forms(p: int, o: int, r: int) -> dict[str, list[float]]:
    """Coefficients of the mean squares (items, operators, interaction, repeats) in each part."""
    return {
        "repeatability": [0.0, 0.0, 0.0, 1.0],
        "interaction": [0.0, 0.0, 1.0 / r, -1.0 / r],
        "operator": [0.0, 1.0 / (p * r), -1.0 / (p * r), 0.0],
        "reproducibility": [0.0, 1.0 / (p * r), (p - 1) / (p * r), -1.0 / r],
        "gauge": [0.0, 1.0 / (p * r), (p - 1) / (p * r), (r - 1) / r],
        "item": [1.0 / (o * r), 0.0, -1.0 / (o * r), 0.0],
        "total": [
            1.0 / (o * r),
            1.0 / (p * r),
            (p * o - p - o) / (p * o * r),
            (r - 1) / r,
        ],
    }


def _pooled_forms(p: int, o: int, r: int) -> dict[str, list[float]]:
    """The same with the interaction in the repeats: items, operators, rest."""
    return {
        "repeatability": [0.0, 0.0, 1.0],
        "interaction": [0.0, 0.0, 0.0],
        "operator": [0.0, 1.0 / (p * r), -1.0 / (p * r)],
        "reproducibility": [0.0, 1.0 / (p * r), -1.0 / (p * r)],
        "gauge": [0.0, 1.0 / (p * r), 1.0 - 1.0 / (p * r)],
        "item": [1.0 / (o * r), 0.0, -1.0 / (o * r)],
        "total": [1.0 / (o * r), 1.0 / (p * r), 1.0 - 1.0 / (p * r) - 1.0 / (o * r)],
    }


def _component(
    name: str,
    variance: float,
    form: list[float],
    ms: FloatArray,
    dof: list[float],
    confidence: float,
    total: float,
) -> Component:
    used = [place for place, k in enumerate(form) if k != 0.0]
    share = variance / total if total > 0.0 else math.nan
    if not used:
        return Component(name, 0.0, 0.0, 0.0, share)
    low, high = combination_limits(
        [form[place] for place in used], ms[used], [dof[place] for place in used], confidence
    )
    low_sd, high_sd = (math.sqrt(max(0.0, float(limit))) for limit in (low, high))
    # a part that was cut to nothing still lies within its limits
    return Component(
        name, variance, min(low_sd, math.sqrt(variance)), max(high_sd, math.sqrt(variance)), share
    )


def _variance_ratio(
    forms: dict[str, list[float]],
    ms: FloatArray,
    dof: list[float],
    confidence: float,
    variances: dict[str, float],
) -> Index:
    """Item variance over gauge variance."""
    if variances["gauge"] == 0.0:
        value = math.inf if variances["item"] > 0.0 else 0.0
        return Index(value, value, value)

    def ratio(theta: FloatArray) -> FloatArray:
        item = np.maximum(np.dot(forms["item"], theta), 0.0)
        return np.asarray(item / np.dot(forms["gauge"], theta))

    low, high = generalized_limits(ratio, ms, dof, confidence)
    value = variances["item"] / variances["gauge"]
    return Index(value, min(low, value), max(high, value))


def _share(ratio: float) -> float:
    return 1.0 / math.sqrt(1.0 + ratio)


def _categories(ratio: float) -> float:
    return CATEGORY_FACTOR * math.sqrt(ratio)

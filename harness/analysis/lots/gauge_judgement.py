"""Whether a bench can judge a limit, from what a gauge study found of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from itertools import pairwise

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.lots.figure_of_merit import Index
from harness.analysis.lots.gauge_variances import GaugeStudy

FINE_BELOW = 0.10
POOR_ABOVE = 0.30
"""Shares of the tolerance below which a gauge is good, and above which it is not to be used
(AIAG, Measurement Systems Analysis, 4th edition, chapter II)."""
FEWEST_CATEGORIES = 5
"""Wanted to watch a process (same place)."""
RARE = 1e-6
"""Share of items below which nothing is said of them."""
GAUGE_SIGMAS = 3.0
"""One side of the limit: half of the six sigmas that are set against a two-sided tolerance."""


class GaugeStanding(StrEnum):
    """What the bench can do with a limit."""

    CAN = "can judge"
    WITH_GUARD_BAND = "can judge with a guard band"
    CANNOT = "cannot judge"
    UNKNOWN = "cannot tell"


@dataclass(frozen=True)
class Misjudged:
    """Shares of items judged wrongly by a single measurement without a guard band."""

    good_failed: float
    """Of the items within the limit; nan where there are practically none."""
    bad_passed: float
    """Of the items beyond it; nan where there are practically none."""


@dataclass(frozen=True)
class Judgement:
    """The bench against one limit."""

    limit: float
    reference: float
    """Mean of the items that are within the limit; nan where none is."""
    precision_to_tolerance: Index
    """Three gauge sigmas over the distance from there to the limit."""
    misjudged: Misjudged
    standing: GaugeStanding
    is_sure: bool
    """Whether the confidence limits of the ratio allow no other standing."""


def judge_limit(study: GaugeStudy, limit: float) -> Judgement:
    """Set the study against an upper limit in its own unit.

    With one limit the tolerance is the distance from what good items measure to it. Its own
    uncertainty is left out: it is that of a mean of all items, operators and repeats.
    """
    within = study.item_means[study.item_means <= limit]
    reference = float(np.mean(within)) if len(within) else math.nan
    distance = limit - reference
    gauge = study.gauge
    if not distance > 0.0:
        nothing = Index(math.nan, math.nan, math.nan)
        standing, is_sure, ratio = GaugeStanding.UNKNOWN, False, nothing
    else:
        ratio = Index(
            value=GAUGE_SIGMAS * gauge.sd / distance,
            low=GAUGE_SIGMAS * gauge.sd_low / distance,
            high=GAUGE_SIGMAS * gauge.sd_high / distance,
        )
        standing = _standing(ratio.value)
        is_sure = _standing(ratio.low) is standing is _standing(ratio.high)
    wrong = misjudged(study.mean, study.item.sd, gauge.sd, limit)
    return Judgement(limit, reference, ratio, wrong, standing, is_sure)


def misjudged(
    mean: float, item_sd: float, gauge_sd: float, limit: float, guard_band: float = 0.0
) -> Misjudged:
    """Shares of good items failed and of bad items passed, both normal.

    The global risks of JCGM 106:2012, 9.5, over the shares of good and of bad items; an item
    passes that measures at most limit - guard_band.
    """
    from scipy.special import ndtr

    if item_sd <= 0.0:
        beyond = mean > limit
        passes = float(_passing(np.asarray(mean), gauge_sd, limit - guard_band))
        return Misjudged(math.nan if beyond else 1.0 - passes, passes if beyond else math.nan)
    nodes, weights = _legendre()

    def share(low: float, high: float, passing: bool) -> float:
        """Of the items between two bounds, in item sigmas, that pass or that fail."""
        if high <= low:
            return math.nan
        # the chance turns over within a gauge sigma of the limit: half of the nodes go there
        turn = min(max((limit - guard_band - mean) / item_sd, low), high)
        near = 8.0 * gauge_sd / item_sd
        cuts = sorted({low, min(max(turn - near, low), high), turn,
                       min(max(turn + near, low), high), high})  # fmt: skip
        total = wrong = 0.0
        for first, last in pairwise(cuts):
            x = 0.5 * (first + last) + 0.5 * (last - first) * nodes
            w = 0.5 * (last - first) * weights * np.exp(-0.5 * x**2) / math.sqrt(2.0 * math.pi)
            chance = _passing(mean + item_sd * x, gauge_sd, limit - guard_band)
            total += float(np.sum(w))
            wrong += float(np.sum(w * (chance if passing else 1.0 - chance)))
        return wrong / total

    edge = (limit - mean) / item_sd
    far = 10.0
    good = share(-far, min(edge, far), False) if float(ndtr(edge)) > RARE else math.nan
    bad = share(max(edge, -far), far, True) if float(ndtr(-edge)) > RARE else math.nan
    return Misjudged(good, bad)


def judgement_sentences(study: GaugeStudy, judgement: Judgement, unit: str = "dB") -> list[str]:
    """The verdict, how sure it is, and what would help, in plain words."""
    limit = f"the limit of {judgement.limit:.4g} {unit}"
    if judgement.standing is GaugeStanding.UNKNOWN:
        return [
            f"Whether this bench can judge {limit} cannot be told: no item of the study is within "
            "it. Repeat the study with items that are good."
        ]
    ratio = judgement.precision_to_tolerance
    room = judgement.limit - judgement.reference
    used = (
        f"three gauge sigmas take {_percent(ratio.value)} of the {room:.2g} {unit} between good "
        "items and the limit"
    )
    said = {
        GaugeStanding.CAN: f"This bench can judge {limit}: {used} (at most 10 % is wanted).",
        GaugeStanding.WITH_GUARD_BAND: (
            f"This bench can judge {limit} only with a guard band: {used} (10 to 30 %). Measure "
            "again what comes near the limit."
        ),
        GaugeStanding.CANNOT: f"This bench cannot judge {limit}: {used} (more than 30 %).",
        GaugeStanding.UNKNOWN: "",
    }[judgement.standing]
    sentences = [said]
    if not judgement.is_sure:
        sentences.append(
            f"The study is too small to be sure of that: the {_percent(ratio.value)} may be from "
            f"{_percent(ratio.low)} to {_percent(ratio.high)} "
            f"({100 * study.confidence:g} % confidence). {_what_to_add(study)}"
        )
    if judgement.standing is not GaugeStanding.CAN:
        sentences.append(_remedy(study))
    wrong = judgement.misjudged
    if not math.isnan(wrong.good_failed):
        told = f"Of items like these that are good, {_percent(wrong.good_failed)} would fail"
        if not math.isnan(wrong.bad_passed):
            told += f"; of those that are bad, {_percent(wrong.bad_passed)} would pass"
        sentences.append(f"{told} (one measurement, no guard band, normal distribution).")
    return sentences


def process_sentence(study: GaugeStudy) -> str:
    """Whether the bench can watch the process that makes the items, in plain words."""
    if study.item.variance == 0.0:
        return (
            "These items do not differ more than the bench scatters, so the study cannot tell "
            "whether it could see a process drift; take items that differ."
        )
    count = study.categories
    enough = count >= FEWEST_CATEGORIES
    if count == 1.0:
        apart = "It tells none of these items apart, "
    else:
        told = "every item" if math.isinf(count) else f"{count:.0f} groups"
        apart = f"It tells {told} of these items apart, "
    return apart + (
        "enough to watch the process." if enough else "too few to watch the process (5 or more)."
    )


@cache
def _legendre() -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(80)
    return nodes, weights


def _passing(values: FloatArray, gauge_sd: float, bound: float) -> FloatArray:
    from scipy.special import ndtr

    if gauge_sd <= 0.0:
        return np.asarray(values <= bound, dtype=np.float64)
    return np.asarray(ndtr((bound - values) / gauge_sd))


def _standing(ratio: float) -> GaugeStanding:
    if ratio <= FINE_BELOW:
        return GaugeStanding.CAN
    return GaugeStanding.WITH_GUARD_BAND if ratio <= POOR_ABOVE else GaugeStanding.CANNOT


def _what_to_add(study: GaugeStudy) -> str:
    if study.reproducibility.sd_high >= study.repeatability.sd_high:
        return "More operators would tell most."
    return "More repeats would tell most."


def _remedy(study: GaugeStudy) -> str:
    # common practice, no source
    if study.repeatability.variance >= study.reproducibility.variance:
        return (
            "Most of it is repeatability: insert each item more often and take the mean, clean "
            "and gauge the connectors, use the torque wrench."
        )
    if study.interaction.variance > study.operator.variance:
        return (
            "Most of it is that operators differ from item to item: look for items that are hard "
            "to connect, and agree on how they are held."
        )
    return (
        "Most of it is a difference between operators: agree on one way to make the connection, "
        "and use the torque wrench."
    )


def _percent(share: float) -> str:
    percent = 100.0 * share
    if math.isnan(percent):
        return "an unknown part"
    if percent < 0.1:
        return "less than 0.1 %"
    if percent >= 1000.0:
        return "more than 1000 %"
    return f"{percent:.1f} %" if percent < 10.0 else f"{percent:.0f} %"

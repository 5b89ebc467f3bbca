"""Whether a loss stays below its limit, given its uncertainty, by a decision rule with a name.

The guard band w of a rule is taken off the limit before an item passes, and put on it before
one fails; between the two the verdict is conditional.

    simple acceptance     w = 0, two verdicts (ILAC-G8:09/2019, 4.2.1)
    guard band U          w = U, four verdicts (ILAC-G8:09/2019, 4.2.3)
    guard band for risk   w = t u, four verdicts: no passed item has a greater probability than
                          the chosen one of being beyond its limit (JCGM 106:2012, 8.3.2)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np

from harness.analysis.arrays import FloatArray, IntArray
from harness.analysis.uncertainty.student import student_probability, student_quantile

RuleName = Literal["simple acceptance", "guard band U", "guard band for risk"]
USUAL_RISK = 0.025
"""What w = U stays below where k = 2 (ILAC-G8:09/2019, 4.2.2)."""


class Verdict(StrEnum):
    """The four statements of a non-binary rule, best first; a binary one has first and last."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"

    @property
    def severity(self) -> int:
        """0 for a pass, rising to 3 for a fail."""
        return list(Verdict).index(self)

    @property
    def is_clear(self) -> bool:
        """Whether the uncertainty leaves no doubt that the rule would not accept."""
        return self in (Verdict.PASS, Verdict.FAIL)


@dataclass(frozen=True)
class DecisionRule:
    """How uncertainty is taken into account.

    Raises:
        ValueError: the risk is not above 0 and below one half.
    """

    name: RuleName = "guard band U"
    risk: float = USUAL_RISK
    """Greatest specific risk, of the consumer where it passes and of the producer where it
    fails; only "guard band for risk" goes by it."""

    def __post_init__(self) -> None:
        if not 0.0 < self.risk < 0.5:
            raise ValueError(
                f"a risk of {100 * self.risk:g} % cannot be asked for: choose one above 0 % and "
                "below 50 %, such as 2.5 %"
            )

    def __str__(self) -> str:
        if self.name == "simple acceptance":
            return "simple acceptance, specific risk up to 50 % (ILAC-G8:09/2019, 4.2.1)"
        if self.name == "guard band U":
            return "guard band w = U, non-binary (ILAC-G8:09/2019, 4.2.3)"
        return (
            f"guard band for a specific risk of at most {100 * self.risk:.4g} %, non-binary "
            "(JCGM 106:2012, 8.3.2)"
        )

    def guard_band_db(
        self,
        standard_uncertainty_db: FloatArray,
        effective_dof: FloatArray,
        expanded_uncertainty_db: FloatArray,
    ) -> FloatArray:
        """Width w of the guard band; all have one shape, such as (P,)."""
        if self.name == "simple acceptance":
            return np.zeros_like(expanded_uncertainty_db)
        if self.name == "guard band U":
            return expanded_uncertainty_db
        return student_quantile(1.0 - self.risk, effective_dof) * standard_uncertainty_db


DECISION_RULE = str(DecisionRule())


@dataclass(frozen=True)
class Decision:
    """Verdict over a band; the worst point is the one closest to, or furthest past, its limit
    when the distance is counted in guard bands (in expanded uncertainties without one)."""

    verdict: Verdict
    worst_index: int
    margin_db: float
    """Limit minus loss at the worst point; negative beyond the limit."""
    conformance_probability: float
    """Probability that the loss at the worst point is within its limit."""
    rule: str = DECISION_RULE
    guard_band_db: float = math.nan
    """Width w at the worst point; 0 for simple acceptance."""
    advice: str = ""
    """Where the verdict is conditional: what would make it a clear one."""

    @property
    def consumer_risk(self) -> float:
        """Probability that the item is beyond its limit at the worst point although it is
        accepted (specific consumer's risk, JCGM 106:2012, 3.3.13)."""
        return 1.0 - self.conformance_probability

    @property
    def producer_risk(self) -> float:
        """Probability that the item is within its limit at the worst point although it is
        rejected (specific producer's risk, JCGM 106:2012, 3.3.14)."""
        return self.conformance_probability


def decide(
    insertion_loss_db: FloatArray,
    standard_uncertainty_db: FloatArray,
    effective_dof: FloatArray,
    expanded_uncertainty_db: FloatArray,
    limit_db: FloatArray,
    rule: DecisionRule | None = None,
) -> Decision:
    """Judge a band against an upper limit; every argument has shape (P,).

    Without a rule it is the guard band w = U. The conformance probability is that of a scaled
    and shifted t distribution (JCGM 106:2012, 7.2 with JCGM 101:2008, 6.4.9; normal for
    infinite degrees of freedom).

    Raises:
        ValueError: an uncertainty is zero or not finite, so that nothing can be decided.
    """
    chosen = rule or DecisionRule()
    usable = np.isfinite(expanded_uncertainty_db) & (expanded_uncertainty_db > 0.0)
    if not np.all(usable):
        raise ValueError("a decision needs a finite, positive uncertainty at every frequency")
    margin_db = limit_db - insertion_loss_db
    guard_db = chosen.guard_band_db(standard_uncertainty_db, effective_dof, expanded_uncertainty_db)
    binary = chosen.name == "simple acceptance"
    worst = int(np.argmin(margin_db / (expanded_uncertainty_db if binary else guard_db)))
    probability = student_probability(
        margin_db[worst] / standard_uncertainty_db[worst], effective_dof[worst]
    )
    return Decision(
        verdict=verdict_of(float(margin_db[worst]), float(guard_db[worst])),
        worst_index=worst,
        margin_db=float(margin_db[worst]),
        conformance_probability=probability,
        rule=str(chosen),
        guard_band_db=float(guard_db[worst]),
    )


def verdict_of(margin_db: float, guard_band_db: float) -> Verdict:
    """The verdict on one point; a guard band of 0 leaves pass and fail."""
    return list(Verdict)[int(severities(np.array([margin_db]), np.array([guard_band_db]))[0])]


def severities(margin_db: FloatArray, guard_band_db: FloatArray) -> IntArray:
    """Severity of the verdict on each point, 0 (pass) to 3 (fail), of any shape."""
    short_of_pass = np.asarray(margin_db < guard_band_db, dtype=np.int64)
    beyond = np.asarray(margin_db < 0.0, dtype=np.int64)
    certainly = np.asarray((margin_db < -guard_band_db) & (margin_db < 0.0), dtype=np.int64)
    return short_of_pass + beyond + certainly

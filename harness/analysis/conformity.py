"""Whether a loss stays below its limit, given its uncertainty.

Decision rule: guard band w = U with four verdicts (ILAC-G8:09/2019, 4.2.3,
non-binary statement with guard band).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from harness.analysis.arrays import FloatArray

DECISION_RULE = "guard band w = U, non-binary (ILAC-G8:09/2019, 4.2.3)"


class Verdict(StrEnum):
    """The four statements of a non-binary rule, best first."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"

    @property
    def severity(self) -> int:
        """0 for a pass, rising to 3 for a fail."""
        return list(Verdict).index(self)


@dataclass(frozen=True)
class Decision:
    """Verdict over a band; the worst point is the one closest to, or furthest past, its limit
    when the distance is counted in expanded uncertainties."""

    verdict: Verdict
    worst_index: int
    margin_db: float
    """Limit minus loss at the worst point; negative beyond the limit."""
    conformance_probability: float
    """Probability that the loss at the worst point is within its limit."""
    rule: str = DECISION_RULE


def decide(
    insertion_loss_db: FloatArray,
    standard_uncertainty_db: FloatArray,
    effective_dof: FloatArray,
    expanded_uncertainty_db: FloatArray,
    limit_db: FloatArray,
) -> Decision:
    """Judge a band against an upper limit; every argument has shape (P,).

    The conformance probability is that of a scaled and shifted t distribution
    (JCGM 106:2012, 7.2 with JCGM 101:2008, 6.4.9; normal for infinite degrees of freedom).

    Raises:
        ValueError: an uncertainty is zero or not finite, so that nothing can be decided.
    """
    usable = np.isfinite(expanded_uncertainty_db) & (expanded_uncertainty_db > 0.0)
    if not np.all(usable):
        raise ValueError("a decision needs a finite, positive uncertainty at every frequency")
    margin_db = limit_db - insertion_loss_db
    reach = margin_db / expanded_uncertainty_db
    worst = int(np.argmin(reach))
    thresholds = ((1.0, Verdict.PASS), (0.0, Verdict.CONDITIONAL_PASS))
    verdict = next((v for at_least, v in thresholds if reach[worst] >= at_least), None)
    if verdict is None:
        verdict = Verdict.CONDITIONAL_FAIL if reach[worst] >= -1.0 else Verdict.FAIL
    probability = _student_cdf(
        margin_db[worst] / standard_uncertainty_db[worst], effective_dof[worst]
    )
    return Decision(verdict, worst, float(margin_db[worst]), probability)


def _student_cdf(z: float, dof: float) -> float:
    from scipy.special import ndtr, stdtr

    return float(stdtr(dof, z) if np.isfinite(dof) else ndtr(z))

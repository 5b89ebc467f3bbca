"""What the report says of a decision: how the margin weighs, and which risk is taken."""

from __future__ import annotations

import math

from harness.analysis.uncertainty.conformity import Decision, Verdict
from harness.report.words import numbers
from harness.run_file.run import Run

_WEIGHTS = {
    Verdict.PASS: ("and the uncertainty fits into that margin", "and {} fits into that margin"),
    Verdict.CONDITIONAL_PASS: (
        "and the uncertainty is greater than that margin",
        "and {} is greater than that margin",
    ),
    Verdict.CONDITIONAL_FAIL: (
        "and the uncertainty is great enough to explain that",
        "which is within {}",
    ),
    Verdict.FAIL: ("and the uncertainty cannot explain that", "which is beyond {}"),
}
"""How a margin weighs: where the guard band is U, and where it is another width."""


def limit_sentence(decision: Decision, limit_db: float, expanded_uncertainty_db: float) -> str:
    """How far the worst point is from its limit, and what the rule makes of that."""
    u = expanded_uncertainty_db
    distance = numbers.companion(abs(decision.margin_db), u)
    side = "below" if decision.margin_db >= 0.0 else "above"
    return (
        f"That is {distance} dB {side} the limit of {numbers.limit(limit_db, u)} dB, "
        f"{_weight(decision, u)}: {decision.verdict.value}."
    )


def _weight(decision: Decision, u: float) -> str:
    """How the margin compares with what the rule asks for."""
    guard = decision.guard_band_db
    if guard == 0.0:
        return "judged by simple acceptance, which leaves the uncertainty aside"
    by_uncertainty, by_width = _WEIGHTS[decision.verdict]
    if not math.isfinite(guard) or math.isclose(guard, u):
        return by_uncertainty
    return by_width.format(f"the guard band of {numbers.companion(guard, u)} dB")


def is_accepted(decision: Decision) -> bool:
    """Whether the verdict takes the item as good, conditionally or not."""
    return decision.verdict in (Verdict.PASS, Verdict.CONDITIONAL_PASS)


def risk_of(decision: Decision) -> float:
    """The specific risk that the verdict carries: the consumer's where it accepts the item, the
    producer's where it rejects it (JCGM 106:2012, 3.3.13 and 3.3.14)."""
    return decision.consumer_risk if is_accepted(decision) else decision.producer_risk


def risk_sentence(decision: Decision) -> str:
    """The risk that the verdict carries, in a sentence."""
    risk = numbers.probability(risk_of(decision))
    if is_accepted(decision):
        return f"The risk that it is beyond its limit there although accepted is {risk}."
    return f"The risk that it is within its limit there although rejected is {risk}."


def advice_of(run: Run) -> list[tuple[str, str]]:
    """What would decide the bands with a conditional verdict: name of the band, and a sentence."""
    return [
        (name, band.decision.advice)
        for name, band in run.bands.items()
        if band.decision is not None and band.decision.advice
    ]

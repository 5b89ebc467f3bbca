"""What would turn a conditional verdict into a clear one: more insertions, or no number of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.uncertainty.budget import Contribution, combine
from harness.analysis.uncertainty.conformity import Decision, DecisionRule, severities

INSERTIONS_LINE = "insertion repeatability"
"""Name of the one line that falls as 1 / sqrt(insertions); no other line does."""
MOST_INSERTIONS = 100
"""More than anybody makes: what these do not decide is not decided by insertions."""
FEWEST_WITH_OWN_SCATTER = 3


def with_insertions(
    budget: Sequence[Contribution], insertions: int, wanted: int
) -> list[Contribution]:
    """The budget as it would be with `wanted` insertions instead of `insertions`.

    The variance of their mean falls in proportion, and the estimate of it gains a degree of
    freedom with each; the rest stays (JCGM 100:2008, 4.2.3 and G.3.3).
    """
    estimates = {line.estimate for line in budget if line.name == INSERTIONS_LINE}
    changed = []
    for line in budget:
        own = line.name == INSERTIONS_LINE
        if own or (line.estimate and line.estimate in estimates):
            share = np.sqrt(insertions / wanted) if own else 1.0
            u_db = line.standard_uncertainty_db * share
            gained = wanted - insertions
            by_frequency = line.dof_by_frequency
            changed.append(
                replace(
                    line,
                    standard_uncertainty_db=u_db,
                    dof=_dof(line.dof, gained, wanted),
                    dof_by_frequency=None if by_frequency is None else by_frequency + gained,
                )
            )
        else:
            changed.append(line)
    return changed


def advise(
    decision: Decision,
    budget: Sequence[Contribution],
    insertions: int,
    insertion_loss_db: FloatArray,
    limit_db: FloatArray,
    rule: DecisionRule,
) -> str:
    """One plain sentence on what would decide a conditional verdict; empty for a clear one.

    Arrays have shape (P,). It is worked out for the loss as it was found, which more
    insertions would move within its uncertainty.
    """
    if decision.verdict.is_clear:
        return ""

    def decides(count: int) -> bool:
        guard_db = _guard_db(budget, insertions, count, rule)
        return int(severities(limit_db - insertion_loss_db, guard_db).max()) in (0, 3)

    worst, most = decision.worst_index, max(MOST_INSERTIONS, 2 * insertions)
    if not decides(most):
        left_db = float(_guard_db(budget, insertions, most, rule)[worst])
        rest = [line for line in budget if line.name != INSERTIONS_LINE] or list(budget)
        first = max(rest, key=lambda line: float(line.standard_uncertainty_db[worst]))
        return (
            f"No number of insertions would decide it: the margin is "
            f"{abs(decision.margin_db):.2g} dB, and a guard band of {left_db:.2g} dB would be "
            f"left, most of it from {first.name}."
        )
    low, high = insertions, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if decides(middle) else (middle, high)
    more = high - insertions
    return (
        f"{more} more insertion{'' if more == 1 else 's'} ({high} in all) would decide it, should "
        "the loss stay what it is."
    )


def _dof(dof: float, gained: int, wanted: int) -> float:
    if np.isfinite(dof):
        return dof + gained
    return float(wanted - 1) if wanted >= FEWEST_WITH_OWN_SCATTER else dof


def _guard_db(
    budget: Sequence[Contribution], insertions: int, wanted: int, rule: DecisionRule
) -> FloatArray:
    total = combine(with_insertions(budget, insertions, wanted))
    return rule.guard_band_db(
        total.standard_uncertainty_db, total.effective_dof, total.expanded_uncertainty_db
    )

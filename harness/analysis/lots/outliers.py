"""Values that do not belong to the rest: the generalized extreme studentized deviate test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray, IntArray

FALSE_ALARM = 0.05
FEWEST = 15
"""Values from which the false alarm rate is as stated (B. Rosner 1983)."""
MOST_SHARE = 0.2
"""Largest share of outliers that is looked for; more would be no outliers."""
_SAME = 1e-12


@dataclass(frozen=True)
class Outliers:
    """K values that stand apart, at either end, the most distant first."""

    index: IntArray
    """(K,) where they are."""
    score: FloatArray
    """(K,) distance from the mean of all the others that belong, in their standard deviations;
    signed, positive above."""
    false_alarm: float
    """Probability that a normal sample has any."""
    most: int
    """How many could have been found."""
    count: int
    """Values that were looked at."""

    @property
    def sentence(self) -> str:
        """What was found, in plain words."""
        rate = f"{100 * self.false_alarm:g} %"
        if not self.most:
            are = "value is" if self.count == 1 else "values are"
            return f"{self.count} {are} too few to tell outliers (at least {FEWEST})."
        if not len(self.index):
            return (
                f"No outliers among {self.count} (generalized ESD test; a normal lot has any with "
                f"a probability of {rate})."
            )
        verb = "stands" if len(self.index) == 1 else "stand"
        above = int(np.count_nonzero(self.score > 0.0))
        parts = [
            f"{number} {where}"
            for number, where in ((above, "above"), (len(self.index) - above, "below"))
            if number
        ]
        return (
            f"{' and '.join(parts)} the rest {verb} apart from {self.count} (generalized ESD test; "
            f"a normal lot has any with a probability of {rate})."
        )


def find_outliers(values: FloatArray, false_alarm: float = FALSE_ALARM) -> Outliers:
    """Outliers of values (N,) at both ends; nan is passed over.

    B. Rosner, Technometrics 25 (1983) 165-172: the most distant value is taken off again and
    again, up to a fifth of them, and those up to the last significant one are outliers, so that
    several do not hide each other. Each is taken off one end of the sorted values, so it costs
    N log N.
    """
    from scipy.special import stdtrit

    x = np.asarray(values, dtype=np.float64)
    present = np.flatnonzero(np.isfinite(x))
    n = len(present)
    most = int(MOST_SHARE * n) if n >= FEWEST else 0
    order = present[np.argsort(x[present], kind="stable")]
    nothing = Outliers(
        np.zeros(0, dtype=np.int64), np.zeros(0), false_alarm, most, n
    )  # fmt: skip
    if not most:
        return nothing
    # about the median, so that the sums lose no digits
    y = x[order] - np.median(x[order])
    low, high, ratio = _peeled(y, most)
    step = np.arange(1, most + 1)
    dof = n - step - 1.0
    t = stdtrit(dof, 1.0 - false_alarm / (2.0 * (n - step + 1.0)))
    critical = t * (n - step) / np.sqrt((dof + t**2) * (n - step + 1.0))
    significant = np.flatnonzero(ratio > critical)
    if not len(significant):
        return nothing
    found = int(significant[-1]) + 1
    bottom, top = low[found], high[found]
    rest = y[bottom:top]
    chosen = np.concatenate([np.arange(bottom), np.arange(top, n)])
    scatter = float(np.std(rest, ddof=1))
    with np.errstate(divide="ignore"):
        score = (y[chosen] - np.mean(rest)) / scatter
    by_distance = np.argsort(-np.abs(score), kind="stable")
    return Outliers(order[chosen][by_distance], score[by_distance], false_alarm, most, n)


def _peeled(y: FloatArray, most: int) -> tuple[list[int], list[int], FloatArray]:
    """Bounds of what is left of the sorted values after each step, and each step's deviate."""
    below, above = np.cumsum(y).tolist(), np.cumsum(y * y).tolist()
    sums, squares, values = [0.0, *below], [0.0, *above], y.tolist()
    low, high = [0], [len(values)]
    ratio = np.zeros(most)
    for step in range(most):
        first, last = low[-1], high[-1]
        count = last - first
        mean = (sums[last] - sums[first]) / count
        variance = (squares[last] - squares[first] - count * mean**2) / (count - 1)
        down, up = mean - values[first], values[last - 1] - mean
        takes_top = up >= down
        distance = max(up, down)
        if distance > _SAME * max(abs(values[0]), abs(values[-1])):
            # what is left of the sums may be rounding where all others are alike
            ratio[step] = distance / max(variance, 1e-300) ** 0.5 if variance > 0.0 else np.inf
        low.append(first if takes_top else first + 1)
        high.append(last - 1 if takes_top else last)
    return low, high, ratio

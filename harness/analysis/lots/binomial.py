"""A share of trials, and how well so many trials know it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Share:
    """How many of some independent trials came out one way.

    `count` need not be whole: the mean over frequencies whose readings err together counts
    as one trial.
    """

    count: float
    trials: int

    @property
    def fraction(self) -> float:
        """Of all trials."""
        return self.count / self.trials

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Lower and upper confidence limit of the share.

        C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413, by quantiles of the beta
        distribution.
        """
        from scipy.special import betaincinv

        outside = (1.0 - confidence) / 2.0
        low, high = 0.0, 1.0
        if self.count > 0.0:
            low = float(betaincinv(self.count, self.trials - self.count + 1.0, outside))
        if self.count < self.trials:
            high = float(betaincinv(self.count + 1.0, self.trials - self.count, 1.0 - outside))
        return low, high

"""Budget, Monte Carlo, mismatch, limits, and the decision about them."""

__all__ = [
    "budget",
    "conformity",
    "limits",
    "mismatch",
    "monte_carlo",
    "student",
]

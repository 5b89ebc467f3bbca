"""Budget, Monte Carlo, mismatch, limits, and the decision about them."""

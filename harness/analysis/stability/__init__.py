"""What a long run says: drift, Allan deviation, settling, outliers and steps."""

__all__ = [
    "allan",
    "correlated_fit",
    "loss_series",
    "outliers_and_steps",
    "settling",
    "stability",
]

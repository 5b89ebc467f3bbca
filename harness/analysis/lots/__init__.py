"""Lots of items: distribution, control charts, capability, sampling, gauge studies."""

__all__ = [
    "binomial",
    "capability",
    "control_charts",
    "figure_of_merit",
    "gauge_judgement",
    "gauge_variances",
    "lot_band",
    "outliers",
    "sampling",
    "shared_zeros",
]

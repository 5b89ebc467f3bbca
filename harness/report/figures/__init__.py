"""Drawings, as SVG."""

__all__ = [
    "budget_figure",
    "expectation_figure",
    "gauge_figure",
    "lot_figures",
    "run_figures",
    "stability_figures",
    "svg",
]

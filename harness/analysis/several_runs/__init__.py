"""What several runs tell together: cables by the metre, single adapters, delay."""

__all__ = [
    "cable_model",
    "delay",
    "linear_model",
    "pair_equations",
]

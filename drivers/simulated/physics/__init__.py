"""What a signal meets on the simulated bench, and what is true of it."""

__all__ = [
    "signal_path",
    "simulated_bench",
    "truth",
]

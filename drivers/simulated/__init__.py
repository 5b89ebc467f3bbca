"""The simulated bench: SCPI instruments on loopback ports, with physics behind them.

Others start it with `launch` and meet it on the wire; `README.md` tells of its hand and its faults.
"""

__all__ = [
    "launch",
]

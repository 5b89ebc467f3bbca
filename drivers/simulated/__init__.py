"""The simulated bench: SCPI instruments on loopback ports, with physics behind them."""

__all__ = [
    "launch",
]

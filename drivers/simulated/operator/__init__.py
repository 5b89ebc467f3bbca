"""The simulated operator, who connects things in time, and not always well."""

__all__ = [
    "simulated_operator",
]

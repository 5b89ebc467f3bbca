"""From readings to the loss of a band, its budget and its verdict."""

__all__ = [
    "agreement",
    "band",
    "contributions_from_readings",
    "evaluate",
    "loss",
    "plausibility",
    "pooling",
    "reduction",
    "scattering",
    "zero_limits",
]

"""What a measurement would find out, and whole campaigns drawn to prove it."""

__all__ = [
    "campaigns",
    "planned_band",
    "proof",
]

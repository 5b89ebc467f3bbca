"""Before anything is measured: plans, proofs, expected losses."""

__all__ = [
    "campaign_world",
    "expectation",
    "planned",
    "proving",
]

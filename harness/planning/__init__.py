"""Before anything is measured: plans, proofs, expected losses.

The commands `plan`, `prove` and `expect` use it; nothing here connects to anything.
"""

__all__ = [
    "campaign_world",
    "expectation",
    "planned",
    "proving",
]

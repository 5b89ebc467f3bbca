"""A figure of merit with its confidence limits."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Index:
    """A figure with its two-sided confidence limits."""

    value: float
    low: float
    high: float

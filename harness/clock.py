"""What time it is: the computer's time, or that of a simulated bench."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime

from drivers.hand import Hand

Clock = Callable[[], float]
"""Returns Unix seconds."""


def system_clock() -> float:
    """The computer's time, in Unix seconds."""
    return time.time()


def simulated_clock(hand: Hand) -> Clock:
    """The time on a simulated bench, which passes by sweeps and connections."""
    return hand.time


def as_iso(unix_seconds: float) -> str:
    """ISO 8601 in UTC, to the second."""
    return datetime.fromtimestamp(unix_seconds, tz=UTC).isoformat(timespec="seconds")

"""What time it is: the computer's time, or that of a simulated bench; and waiting for it."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from datetime import UTC, datetime

from drivers.instruments.hand import Hand
from drivers.stop_signals import sleep

Clock = Callable[[], float]
"""Returns Unix seconds."""
LONGEST_SLEEP_S = 60.0
"""After each the clock is read again, for a computer that was put to sleep meanwhile."""


class SteadyClock:
    """The computer's time in Unix seconds as it was at first, then never set by anybody.

    It counts the time that the computer sleeps where the system tells it (CLOCK_BOOTTIME), and
    never steps back. It does not begin before `not_before`: a run that goes on may find that the
    computer's clock was set back.
    """

    def __init__(self, not_before: float = -math.inf) -> None:
        self._offset = max(time.time(), not_before) - _running_s()

    def __call__(self) -> float:
        """Unix seconds."""
        return self._offset + _running_s()


def _running_s() -> float:
    """Seconds from some moment in the past on, which nobody sets."""
    kind = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if kind is None else time.clock_gettime(kind)


def simulated_clock(hand: Hand) -> Clock:
    """The time on a simulated bench, which passes by sweeps and connections."""
    return hand.time


def wait_until(until: float, clock: Clock, hand: Hand | None) -> None:
    """Return at a time of `clock`; on a simulated bench that time is made to pass at once.

    A stop signal ends the waiting.
    """
    if hand is not None:
        hand.advance_to(until)
        return
    while (left_s := until - clock()) > 0.0:
        sleep(min(left_s, LONGEST_SLEEP_S))


def as_iso(unix_seconds: float) -> str:
    """ISO 8601 in UTC, to the second."""
    return datetime.fromtimestamp(unix_seconds, tz=UTC).isoformat(timespec="seconds")

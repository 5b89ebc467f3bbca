"""What goes back on a connection after a message, and what then becomes of the connection."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Then(Enum):
    """What happens to connections once a reply is sent."""

    KEEP = "keep"
    CLOSE = "close"
    RESET_ALL = "reset all"
    """Every connection to the instrument breaks, as when its power fails."""


@dataclass(frozen=True, slots=True)
class Reply:
    """Bytes for the client: at once, or `piece` bytes at a time with `pause_s` before each.

    A late reply is held back until the next message of its connection is answered.
    """

    data: bytes = b""
    piece: int = 0
    pause_s: float = 0.0
    is_late: bool = False
    then: Then = Then.KEEP

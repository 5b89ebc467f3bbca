"""What a run says, as values: the form in which readings and results leave the run file."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from harness.analysis.diagnosis.finding import Finding
from harness.analysis.loss.band import BandResult

__all__ = ["FOR_PROGRAMS", "BandResult", "Event", "Run", "moment"]

DOUBT = "doubted"
"""Kind of an event that says why a run has no verdict: what was connected is doubted."""
ZERO_ANEW = "zero anew"
"""Kind of an event: somebody says that the zero is as it should be, although it is not as those of
earlier runs, which count no more from there on."""
FOR_PROGRAMS = ("mark", "schedule", "schedule-end")
"""Kinds of events whose text is JSON, for going on with a run; people are not shown them."""

OPERATORS_NOTE = "operator's note"
"""Kind of the event that keeps what a person said; at most 16 bytes."""
WANTED_AGAIN = "again"
"""Kind of the event that asks for an item again: the zero was found to have moved after it."""


@dataclass(frozen=True)
class Event:
    """Something worth remembering that happened during a run."""

    time: float
    """Unix seconds."""
    kind: str
    """One word: connection, note, recovery, error, stopped, finished."""
    text: str


@dataclass(frozen=True)
class Run:
    """One run file, read."""

    path: Path
    run_id: str
    procedure: str
    parameters: dict[str, Any]
    started: str
    """ISO 8601 with zone."""
    finished: str
    """ISO 8601 with zone; empty while the run is not finished."""
    software: str
    station: dict[str, Any]
    """The station as it stood at the run: SI numbers with the unit at the end of the key."""
    item: dict[str, Any]
    instruments: tuple[dict[str, str], ...]
    """Each with role, resource, identity."""
    simulated: bool
    events: tuple[Event, ...]
    bands: dict[str, BandResult]
    """Empty while the run is not finished."""
    finding: Finding | None = None
    """What the shape of its loss says of the item; None where nothing is expected of it."""
    catalogue: dict[str, Any] = field(default_factory=dict)
    """Entries of the catalogue of then, as a catalogue file; empty where the file keeps none."""

    @property
    def wanted_again(self) -> str:
        """Why the item is to be measured again; empty where it is not."""
        return why_again(self.events)


def why_again(events: Iterable[Event]) -> str:
    """Why an item is to be measured again, by the events of its run; empty where it is not."""
    return "; ".join(event.text for event in events if event.kind == WANTED_AGAIN)


def moment(stamp: str) -> datetime | None:
    """The time that an ISO 8601 stamp states, None where it is empty or unreadable."""
    try:
        parsed = datetime.fromisoformat(stamp)
    except ValueError:
        return None
    return parsed if parsed.tzinfo else parsed.replace(tzinfo=UTC)

"""What a run leaves in its events for whoever goes on with it: marks, and how to read them.

Events of kind "mark", "schedule" and "schedule-end" hold JSON text, for programs rather than
people.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

from drivers.errors import InputError
from harness.bench.schedule import last_missed
from harness.run_file.run import Event

MARK, SCHEDULE, SCHEDULE_END = "mark", "schedule", "schedule-end"
"""Kinds of events whose text is JSON."""
MISSED = "missed"
"""Kind of an event whose text is `harness.bench.schedule.missed_text`."""


@dataclass(frozen=True)
class Takeover:
    """Where a run goes on in earnest; numbers as in the run file."""

    making: int
    """The next making of the through."""
    insertion: int
    """The next insertion."""
    reference: Mapping[str, int]
    """The making with which the zero is compared, by band; none where there is none yet."""
    broken_making: int | None = None
    """One that was not whole when the run stopped."""
    broken_insertion: int | None = None
    """One that was not whole; the next one replaces it."""
    sweeps: int = 0
    """How many of each band belong to steps of that insertion that were whole."""
    is_unsettled: bool = False
    """Whether nobody has settled what was connected at that insertion."""
    unjudged_making: int | None = None
    """The last making, where nobody has judged it; the next one replaces it."""

    def mark(self, *, is_extra: bool) -> str:
        """What a later going-on has to know of this one; written before its first sweep.

        `is_extra`: the making that checks the zero is none of the procedure's own.
        """
        mark: dict[str, Any] = {}
        if is_extra or self.reference:
            mark = {"checked_by": self.making, "is_extra": is_extra}
        if self.broken_making is not None:
            mark["broken_making"] = self.broken_making
        if self.broken_insertion is not None:
            mark |= {"broken_insertion": self.broken_insertion, "sweeps": self.sweeps}
        return json.dumps(mark)


@dataclass(frozen=True)
class PastSchedule:
    """A schedule that was begun before the run stopped."""

    start: float
    """Unix s."""
    has_ended: bool
    missed_to: int = -1
    """The last tick that was told to have been missed, from 0; -1: none."""


@dataclass
class Marks:
    """What earlier goings-on have put between the procedure's own steps."""

    extra: set[int] = field(default_factory=set)
    broken_makings: set[int] = field(default_factory=set)
    doubtful: set[int] = field(default_factory=set)
    """Makings by which the zero was to be checked, but which nobody has found in order."""
    broken_insertions: dict[int, int] = field(default_factory=dict)
    unjudged: set[int] = field(default_factory=set)
    """Makings of which it was to be seen whether they are joined leads."""
    unsettled: set[int] = field(default_factory=set)
    """Insertions of which it was to be seen whether they are any."""

    def read(self, mark: Mapping[str, Any]) -> None:
        """Take a mark into account."""
        if "checked_by" in mark:
            self.doubtful.add(mark["checked_by"])
            if mark["is_extra"]:
                self.extra.add(mark["checked_by"])
        if "found_in_order" in mark:
            self.doubtful.discard(mark["found_in_order"])
        if "unjudged" in mark:
            self.unjudged.add(mark["unjudged"])
        if "judged" in mark:
            self.unjudged.discard(mark["judged"])
        if "unsettled" in mark:
            self.unsettled.add(mark["unsettled"])
        if "settled" in mark:
            self.unsettled.discard(mark["settled"])
        if mark.get("broken_making") is not None:
            self.broken_makings.add(mark["broken_making"])
        if mark.get("broken_insertion") is not None:
            self.broken_insertions[mark["broken_insertion"]] = mark["sweeps"]


def read_json(events: Collection[Event], kind: str) -> list[dict[str, Any]]:
    """The JSON texts of the events of a kind."""
    found: list[dict[str, Any]] = []
    for event in events:
        if event.kind == kind:
            try:
                found.append(dict(json.loads(event.text)))
            except ValueError as error:
                raise InputError(
                    f"an event of kind {kind!r} is not readable: {event.text!r}",
                    hint="the run file is damaged: take the copy in your backup",
                ) from error
    return found


def missed_to(events: Collection[Event]) -> int:
    """The last tick of the last schedule that is told to have been missed, from 0; -1: none."""
    last = -1
    for event in events:
        if event.kind == SCHEDULE:
            last = -1
        elif event.kind == MISSED:
            last = max(last, last_missed(event.text))
    return last

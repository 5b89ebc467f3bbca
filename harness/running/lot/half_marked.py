"""A zero that moved asks for all items since the last good check again; a sitting that was killed
while it marked them has left some without the mark."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from harness.bench.clock import as_iso
from harness.evaluation.run_analysis import finish
from harness.evaluation.standing import Standing
from harness.run_file import Group, RunJournal, amend_run, open_run, read_events
from harness.run_file.run import WANTED_AGAIN, Event, why_again
from harness.running.lot.folder import LotSoFar, Outline, again


def finish_marking(lot: LotSoFar, clock: Callable[[], float]) -> list[str]:
    """Mark the rest; returns their serial numbers.

    They rest on the zero of an item that is marked, and there is no check after them: every item
    that was not found to be between two good checks gets the one that found the zero moved.

    Raises:
        InputError, RunFileError: a run cannot be read, or the disk refused.
    """
    marked = {opening: why for one in lot.wanted_again() for opening, why in [_zero_of(one.path)]}
    if not marked:
        return []
    found = []
    for outline in [one for one in lot.done.values() if one.standing is not Standing.AGAIN]:
        with open_run(outline.path) as file:
            opening, is_checked = _opening(file)
        if not is_checked and opening in marked:
            _mark(outline, marked[opening], clock())
            lot.add(again(outline))
            found.append(outline.serial)
    return found


def _mark(outline: Outline, why: str, now: float) -> None:
    def say(journal: RunJournal) -> None:
        journal.event(Event(now, WANTED_AGAIN, why))

    amend_run(outline.path, say, partial(finish, finished=as_iso(now)))


def _zero_of(path: Path) -> tuple[float, str]:
    """When the opening zero of a marked item was made, and why it is to be measured again."""
    with open_run(path) as file:
        return _opening(file)[0], why_again(read_events(file))


def _opening(file: Group) -> tuple[float, bool]:
    """When the opening zero was made (Unix s; all items of one zero have the same), and whether a
    check follows the item."""
    part = next(iter(file["bands"].values()))["normalization"]
    making, time = part["making"][()], part["time"][()]
    return float(time[np.argmax(making == 0)]), bool(np.any(making > 0))

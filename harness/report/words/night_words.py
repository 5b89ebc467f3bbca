"""What a night came to, in a sentence: ticks, faults, drift, and what the zero did."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import numpy as np

from drivers.quantities import counted
from harness.bench.schedule import Schedule
from harness.bench.takeover import MISSED, SCHEDULE
from harness.report.words import numbers
from harness.report.words.stability_words import drift_estimate, drift_of
from harness.run_file.run import Run

RECOVERY = "recovery"
MENDED = ("works again", "asked again")
"""How the texts begin that tell the end of a fault."""
_COUNT = re.compile(r"\d+")


def night_sentence(run: Run) -> str:
    """What a scheduled run came to; empty for any other."""
    schedule = schedule_of(run)
    if schedule is None:
        return ""
    missed = sum(
        int(found[0])
        for event in run.events
        if event.kind == MISSED and (found := _COUNT.match(event.text))
    )
    mended = sum(event.kind == RECOVERY and event.text.startswith(MENDED) for event in run.events)
    made = _made(run, schedule, missed)
    parts = [
        f"{made} of {counted(schedule.ticks, 'tick')} made, {missed} missed",
        f"{counted(mended, 'fault')} recovered",
        *_largest_drift(run),
        *_largest_change_of_zero(run),
    ]
    return f"{'; '.join(parts)}."


def schedule_of(run: Run) -> Schedule | None:
    """The first schedule that a run kept; None where it kept none."""
    for event in run.events:
        if event.kind == SCHEDULE:
            try:
                stated = json.loads(event.text)
                return Schedule(*(float(stated[key]) for key in ("start", "every_s", "lasting_s")))
            except (ValueError, KeyError, TypeError):
                return None
    return None


def _made(run: Run, schedule: Schedule, missed: int) -> int:
    """Ticks with a sweep; by those that were missed where no sweeps are kept apart."""
    times = [band.series.time for band in run.bands.values() if band.series is not None]
    if not times:
        return max(schedule.ticks - missed, 0)
    return len({schedule.tick_at(time) for time in np.concatenate(times).tolist()})


def _largest_drift(run: Run) -> Iterator[str]:
    found = {name: band.stability for name, band in run.bands.items() if band.stability is not None}
    if found:
        name = max(found, key=lambda each: abs(drift_estimate(found[each]).value))
        yield f"drift {drift_of(found[name])}{_where(run, name)}"


def _largest_change_of_zero(run: Run) -> Iterator[str]:
    """Of its mean over a band, as the section on stability has it."""
    found = {
        name: float(np.max(np.abs(band.zero_change_db.mean(axis=-1))))
        for name, band in run.bands.items()
        if len(band.zero_change_db) > 1
    }
    if found:
        name = max(found, key=lambda each: found[each])
        moved = numbers.two_digits(found[name] * 1e3)
        yield f"the zero moved by {moved} mdB at most{_where(run, name)}"


def _where(run: Run, band: str) -> str:
    return f" ({band})" if len(run.bands) > 1 else ""

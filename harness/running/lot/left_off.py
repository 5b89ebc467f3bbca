"""Where the last sitting on a lot left off: its time, and the start of its simulated bench."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.bench.takeover import MARK, read_json
from harness.run_file import open_run, read_events
from harness.running.bench_start import BenchStart, next_start
from harness.running.lot.folder import LotSoFar


@dataclass(frozen=True)
class LeftOff:
    """What the newest run of a lot says."""

    bench_start: BenchStart | None = None
    """Start of the simulated bench that goes on now; None where Tareline starts none."""
    last_time: float = -math.inf
    """Unix seconds, the largest of the run's events."""


def left_off(lot: LotSoFar) -> LeftOff:
    """By the newest run of the lot.

    Raises:
        InputError: the run cannot be read.
    """
    newest = lot.newest()
    if newest is None:
        return LeftOff()
    with open_run(newest.path) as file:
        events = read_events(file)
    start = next_start(read_json(events, MARK))
    return LeftOff(start, max((event.time for event in events), default=-math.inf))

"""Where the last sitting on a lot left off: its time, and the start of its simulated bench.

A simulated bench that is started anew for the same lot then goes on: its clock does not run
backwards between two sittings, and its connections and noise are drawn anew.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass

from harness.bench.takeover import MARK
from harness.run_file import open_run, read_events
from harness.run_file.run import Event
from harness.running.connected import BenchStart
from harness.running.lot.folder import LotSoFar

_BENCH_START = "bench_start"


@dataclass(frozen=True)
class LeftOff:
    """What the newest run of a lot says."""

    bench_start: BenchStart | None = None
    """Start of the simulated bench that goes on now; None where Tareline starts none."""
    last_time: float = -math.inf
    """Unix seconds, the largest of the run's events."""


def start_event(time: float, start: BenchStart) -> Event:
    """What a run records of the start of its simulated bench."""
    return Event(time, MARK, json.dumps({_BENCH_START: start}))


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
        marks = [json.loads(event.text) for event in events if event.kind == MARK]
        starts = [BenchStart(*mark[_BENCH_START]) for mark in marks if _BENCH_START in mark]
    next_start = starts[-1]._replace(number=starts[-1].number + 1) if starts else None
    return LeftOff(next_start, max((event.time for event in events), default=-math.inf))

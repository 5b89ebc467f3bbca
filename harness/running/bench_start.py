"""Which start of its simulated bench a run needed, for whoever goes on with it.

A simulated bench that is started anew then goes on: its clock does not run backwards, and its
connections and noise are drawn anew.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

_KEY = "bench_start"


class BenchStart(NamedTuple):
    """Which start of a simulated bench it is, of all that a run needed."""

    first_started: float
    """Unix seconds of the first one, at which the bench's clock began."""
    number: int
    """1 for the first; each has draws of its own."""

    def mark(self) -> str:
        """What a run says of it in an event of kind "mark"."""
        return json.dumps({_KEY: self})


def next_start(marks: Iterable[Mapping[str, Any]]) -> BenchStart | None:
    """The start after those that a run's marks tell of; None where Tareline started none."""
    starts = [BenchStart(*mark[_KEY]) for mark in marks if _KEY in mark]
    return starts[-1]._replace(number=starts[-1].number + 1) if starts else None

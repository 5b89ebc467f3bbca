"""Whether what a run is going to write has room on the disk: asked before RF is on."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable
from pathlib import Path

from drivers.errors import RunFileError
from harness.bench.rehearsal import Workload
from harness.run_file import RESERVE_BYTES

READING_BYTES = 16
SWEEP_BYTES = 60
"""Of each sweep beside its readings: digest, time, index, its place in the file."""
FILE_BYTES = 30_000
"""Of each file before its first sweep."""


def planned_bytes(works: Iterable[Workload], points: Collection[int], traces: int) -> int:
    """About what the runs' sweeps take; `points` of each band, swept as often as the others.

    The last of the files is there twice for a moment, when its analysis is added, and a disk is
    never filled to its end.
    """
    sweep_bytes = traces * READING_BYTES * sum(points) // len(points) + SWEEP_BYTES
    sizes = [FILE_BYTES + sweep_bytes * work.sweeps for work in works]
    return sum(sizes) + max(sizes, default=0) + RESERVE_BYTES


def require_planned_room(folder: Path, needed_bytes: int) -> None:
    """Refuse to begin what the disk of `folder` cannot hold.

    Raises:
        RunFileError: there is less room than that.
    """
    there = next(each for each in (folder, *folder.absolute().parents) if each.exists())
    found = os.statvfs(there)
    free_bytes = found.f_bavail * found.f_frsize
    # a file system that states no size has no limit of its own
    if found.f_blocks and free_bytes < needed_bytes:
        raise RunFileError(
            f"the sweeps that are planned take about {needed_bytes / 1e6:.1f} MB, and there is "
            f"room for {free_bytes / 1e6:.1f} MB; nothing was swept",
            where=str(folder),
            hint="make room; a new run can also be given another folder with --results, or fewer "
            "sweeps or points",
        )

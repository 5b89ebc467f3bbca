"""Which traces of recorded files were measured, and whether each file holds its own readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from drivers.errors import InputError
from drivers.instruments.earlier_readings import EarlierReadings
from drivers.recorded import Recording

COPIED_FROM = {"S12": "S21", "S22": "S11"}
"""What an instrument that measures in one direction may write in the place of the other."""


def measured_alone(recordings: Sequence[Recording]) -> tuple[list[Recording], list[str]]:
    """The files with the traces that were measured in all of them, and what was left out, in words.

    An instrument that measures in one direction writes zeros, or copies, for the other one: they
    say nothing of the item. Files have the same traces.

    Raises:
        InputError: the transmission was not measured.
    """
    left_out: dict[str, str] = {}
    for recording in recordings:
        rows = dict(zip(recording.traces, recording.readings, strict=True))
        if not np.any(rows["S21"]):
            raise InputError(
                "S21 is zero at every point of the file: no transmission was measured",
                where=str(recording.path),
                hint="save the trace that went through the item; if that is S12 there, say "
                "--transmission S12",
            )
        for name, row in rows.items():
            source = COPIED_FROM.get(name, "")
            if not np.any(row):
                left_out.setdefault(name, f"is zero at every point of {recording.path.name}")
            elif source in rows and np.array_equal(row, rows[source]):
                left_out.setdefault(name, f"is {source} once more in {recording.path.name}")
    if not left_out:
        return list(recordings), []
    kept = tuple(name for name in recordings[0].traces if name not in left_out)
    told = [f"{name} {why}: taken as not measured" for name, why in left_out.items()]
    return [_only(recording, kept) for recording in recordings], told


def _only(recording: Recording, kept: Sequence[str]) -> Recording:
    rows = [recording.traces.index(name) for name in kept]
    return replace(recording, traces=tuple(kept), readings=recording.readings[rows])


def require_own_readings(recordings: Sequence[Recording]) -> None:
    """Check that no file, in the order in which they were made, holds what another one did.

    Raises:
        InputError: one does, or its traces are one and the same.
    """
    earlier = EarlierReadings()
    for recording in recordings:
        what, _ = earlier.take(recording.traces, recording.readings, None)
        if what:
            raise InputError(
                what.replace("an earlier sweep", "a file before it"),
                where=str(recording.path),
                hint="is the file a copy of another one? If not, the instrument saved a trace that "
                "it had not swept anew, or saved it too early: measure again",
            )

"""What an unfinished run holds already, for whoever goes on with it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.run_file.reading import read_events, read_traces, sound_rows, whole_rows
from harness.run_file.run import Event
from harness.run_file.schema import INDEX, Group, Kind


@dataclass(frozen=True)
class Kept:
    """What a run holds already; B bands."""

    sweeps: dict[tuple[str, Kind, int], int]
    """Finished sweeps that can be true, by band, kind and index; none where none are."""
    last_time: float
    """Largest time (Unix s) of all sweeps and events; -inf where there are none."""
    events: tuple[Event, ...]
    traces: tuple[str, ...] = ()


def read_kept(file: Group) -> Kept:
    """What an open run file holds already."""
    sweeps: Counter[tuple[str, Kind, int]] = Counter()
    events = read_events(file)
    times = [event.time for event in events]
    for band, group in file["bands"].items():
        for kind, index in INDEX.items():
            part = group[kind]
            good = sound_rows(part)
            times += part["time"][: len(good)].tolist()
            numbers, counts = np.unique(part[index][: len(good)][good], return_counts=True)
            for number, count in zip(numbers.tolist(), counts.tolist(), strict=True):
                sweeps[band, kind, number] += count
    return Kept(
        sweeps=dict(sweeps),
        last_time=max(times, default=-np.inf),
        events=events,
        traces=read_traces(file),
    )


@dataclass(frozen=True)
class Making:
    """One making of the through in one band."""

    frequency_hz: NDArray[np.float64]
    """(P,)"""
    traces: tuple[str, ...]
    readings: NDArray[np.complex128]
    """(K, S, P): its sweeps that can be true, one at least."""
    time: float
    """Mean of their times, Unix s."""


def read_making(file: Group, band: str, making: int) -> Making | None:
    """A making of the through; None where no sweep of it can be true."""
    part = file[f"bands/{band}/normalization"]
    good = sound_rows(part)
    rows = np.flatnonzero(good & (part["making"][: len(good)] == making))
    if not len(rows):
        return None
    return Making(
        frequency_hz=file[f"bands/{band}/frequency_hz"][()],
        traces=read_traces(file),
        readings=np.stack([part["readings"][row] for row in rows]),
        time=float(part["time"][()][rows].mean()),
    )


def read_last_swept(file: Group, kind: Kind) -> float:
    """When the last sweep of a kind was made (Unix s), over all bands; -inf if there is none."""
    times = [
        float(part["time"][done - 1])
        for part in (group[kind] for group in file["bands"].values())
        if (done := whole_rows(part))
    ]
    return max(times, default=-np.inf)


def read_mean_times(file: Group) -> dict[tuple[str, Kind, int], tuple[float, int]]:
    """Mean Unix time of the sweeps that can be true, and how many, by band, kind and index."""
    found: dict[tuple[str, Kind, int], tuple[float, int]] = {}
    for band, group in file["bands"].items():
        for kind, index in INDEX.items():
            good = sound_rows(group[kind])
            numbers = group[kind][index][: len(good)][good]
            time = group[kind]["time"][: len(good)][good]
            for number in np.unique(numbers).tolist():
                of = time[numbers == number]
                found[band, kind, number] = float(of.mean()), len(of)
    return found


def read_rows(file: Group) -> dict[tuple[str, Kind], int]:
    """How many finished sweeps there are, suspect ones too, by band and kind."""
    return {
        (band, kind): whole_rows(group[kind])
        for band, group in file["bands"].items()
        for kind in INDEX
    }

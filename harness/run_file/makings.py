"""What an open run file holds of each making of the through, and how far each part goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.run_file.reading import read_traces, sound_rows, whole_rows
from harness.run_file.schema import INDEX, Group, Kind


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
